//! Needles are collapsed and caps re-cut, where the surface moves by no more than [`SHAPE_KEPT_MM`].
//!
//! A needle has one side far shorter than the others: its ends become one vertex. A cap has a corner that lies
//! almost on the opposite side: that side is exchanged for the one between the two corners beside it. Acts that
//! touch are done in later rounds. What can't be done within the bound is left: a thin triangle is still right.

use crate::mesh::{NONE, TriMesh, index, next, prev};

use super::{Draft, Mend, MendError, SHAPE_KEPT_MM};

/// A triangle is a sliver when its height over the longest side is below this share of that side: angles
/// under about a degree spoil the cotangents of the flat map.
const THIN: f64 = 0.01;

/// Rounds of acts that do not touch.
const ROUNDS: usize = 12;

pub(super) fn take_out(draft: &mut Draft, mesh: TriMesh) -> Result<TriMesh, MendError> {
    let mut mesh = mesh;
    for _ in 0..ROUNDS {
        let mut round = Round::new(draft, &mesh);
        for face in 0..index(mesh.face_count()) {
            round.look_at(face);
        }
        let Some((count, first, keep)) = round.done() else {
            break;
        };
        draft.note(Mend::Sliver, count, first);
        draft.keep_faces(&keep);
        draft.drop_unused();
        mesh = draft.checked()?;
    }
    Ok(mesh)
}

struct Round<'a> {
    draft: &'a mut Draft,
    mesh: &'a TriMesh,
    /// Vertices whose surroundings have changed.
    touched: Vec<bool>,
    keep: Vec<bool>,
    count: usize,
    first: Option<crate::Point3>,
}

impl<'a> Round<'a> {
    fn new(draft: &'a mut Draft, mesh: &'a TriMesh) -> Self {
        Self {
            touched: Vec::new(),
            keep: Vec::new(),
            draft,
            mesh,
            count: 0,
            first: None,
        }
    }

    fn done(self) -> Option<(usize, crate::Point3, Vec<bool>)> {
        let first = self.first?;
        Some((self.count, first, self.keep))
    }

    fn look_at(&mut self, face: u32) {
        let [a, b, c] = self.mesh.corners(face);
        let sides = [(b - a).norm(), (c - b).norm(), (a - c).norm()];
        let (mut longest, mut shortest) = (0, 0);
        for k in 1..3 {
            if sides[k] > sides[longest] {
                longest = k;
            }
            if sides[k] < sides[shortest] {
                shortest = k;
            }
        }
        let height = 2.0 * self.mesh.face_area(face) / sides[longest].max(f64::MIN_POSITIVE);
        if height >= THIN * sides[longest] {
            return;
        }
        let half_edge = |k: usize| 3 * face + index(k);
        let done = (sides[shortest] <= SHAPE_KEPT_MM && self.collapse(half_edge(shortest)))
            || (height <= SHAPE_KEPT_MM && self.flip(half_edge(longest)));
        if done {
            self.count += 1;
            self.first = self.first.or(Some(a));
        }
    }

    /// Whether nothing around these vertices has changed yet; if so they count as changed from now on.
    fn claim(&mut self, vertices: &[u32]) -> bool {
        if self.touched.is_empty() {
            self.touched = vec![false; self.mesh.vertex_count()];
            self.keep = vec![true; self.mesh.face_count()];
        }
        if vertices.iter().any(|&v| self.touched[v as usize]) {
            return false;
        }
        for &v in vertices {
            self.touched[v as usize] = true;
        }
        true
    }

    fn is_claimed(&self, vertex: u32) -> bool {
        self.touched.get(vertex as usize).copied().unwrap_or(false)
    }

    /// Moves one end of an edge onto the other and drops the faces between.
    fn collapse(&mut self, h: u32) -> bool {
        let mesh = self.mesh;
        let (a, b) = (mesh.tail(h), mesh.head(h));
        let on_rim = (mesh.on_boundary(a), mesh.on_boundary(b));
        let edge_on_rim = mesh.twin(h) == NONE;
        if on_rim.0 && on_rim.1 && !edge_on_rim {
            return false;
        }
        // The rim keeps its shape: its vertex stays.
        let (gone, stays) = if on_rim.0 { (b, a) } else { (a, b) };
        let around_gone = around(mesh, gone);
        let around_stays = around(mesh, stays);
        let common = around_gone
            .iter()
            .filter(|v| around_stays.contains(v))
            .count();
        if common != if edge_on_rim { 1 } else { 2 } {
            return false;
        }
        if !self.keeps_sides(gone, stays) {
            return false;
        }
        let mut vertices = around_gone;
        vertices.push(gone);
        if !self.claim(&vertices) {
            return false;
        }
        for h in mesh.fan(gone).collect::<Vec<_>>() {
            let face = (h / 3) as usize;
            if mesh.faces()[face].contains(&stays) {
                self.keep[face] = false;
            } else {
                self.draft.faces[face][(h % 3) as usize] = stays;
            }
        }
        true
    }

    /// Whether no face round `gone` turns over or becomes thinner than a sliver when it moves.
    fn keeps_sides(&self, gone: u32, stays: u32) -> bool {
        let mesh = self.mesh;
        mesh.fan(gone).all(|h| {
            let (p, q) = (mesh.head(h), mesh.apex(h));
            if p == stays || q == stays {
                return true;
            }
            let [p, q] = [p, q].map(|v| mesh.position(v));
            let before = (p - mesh.position(gone)).cross(&(q - mesh.position(gone)));
            let after = (p - mesh.position(stays)).cross(&(q - mesh.position(stays)));
            let thin_before = before.norm() <= THIN * (q - p).norm_squared();
            let limit = 0.5 * THIN * (q - p).norm_squared();
            after.norm() > limit
                && (thin_before || after.dot(&before) > 0.5 * after.norm() * before.norm())
        })
    }

    /// Exchanges an edge for the one between the corners opposite to it.
    fn flip(&mut self, h: u32) -> bool {
        let mesh = self.mesh;
        let g = mesh.twin(h);
        if g == NONE {
            return false;
        }
        let (a, b, p, q) = (mesh.tail(h), mesh.head(h), mesh.apex(h), mesh.apex(g));
        if p == q || mesh.fan(p).any(|e| mesh.head(e) == q || mesh.apex(e) == q) {
            return false;
        }
        let [pa, pb, pp, pq] = [a, b, p, q].map(|v| mesh.position(v));
        let side = mesh.area_vector(g / 3);
        let first = (pq - pa).cross(&(pp - pa));
        let second = (pp - pb).cross(&(pq - pb));
        let good = |n: crate::Vector3, longest: f64| {
            n.dot(&side) > 0.5 * n.norm() * side.norm() && n.norm() > THIN * longest
        };
        let longest = [pa - pq, pb - pq, pp - pq, pp - pa, pp - pb]
            .iter()
            .map(nalgebra::Matrix::norm_squared)
            .fold(0.0, f64::max);
        if !good(first, longest) || !good(second, longest) || self.crosses_charts(h, g) {
            return false;
        }
        if self.is_claimed(p) || !self.claim(&[a, b, p, q]) {
            return false;
        }
        let (f, e) = ((h / 3) as usize, (g / 3) as usize);
        self.draft.faces[f] = [a, q, p];
        self.draft.faces[e] = [b, p, q];
        if let Some(corners) = &mut self.draft.corners {
            let at = |h: u32| corners[(h / 3) as usize][(h % 3) as usize];
            let (ta, tb, tp, tq) = (at(h), at(next(h)), at(prev(h)), at(prev(g)));
            corners[f] = [ta, tq, tp];
            corners[e] = [tb, tp, tq];
        }
        true
    }

    /// Whether texture coordinates on both sides of an edge differ: then a flip would smear the picture.
    fn crosses_charts(&self, h: u32, g: u32) -> bool {
        let Some(corners) = &self.draft.corners else {
            return false;
        };
        let at = |h: u32| corners[(h / 3) as usize][(h % 3) as usize];
        let differ =
            |a: [f32; 2], b: [f32; 2]| (a[0] - b[0]).abs() > 1e-5 || (a[1] - b[1]).abs() > 1e-5;
        differ(at(h), at(next(g))) || differ(at(next(h)), at(g))
    }
}

/// Neighbours of a vertex.
fn around(mesh: &TriMesh, vertex: u32) -> Vec<u32> {
    let mut all: Vec<u32> = mesh
        .fan(vertex)
        .flat_map(|h| [mesh.head(h), mesh.tail(prev(h))])
        .collect();
    all.sort_unstable();
    all.dedup();
    all
}
