//! A start from a coarse copy of the surface.
//!
//! In: a mesh, a map of it without flips, what least strain means. Out: a map near the one of least
//! strain, found on a mesh with a sixteenth of the vertices.
//!
//! Far from the goal every step of a descent costs as much as the last ones. So the long way is gone
//! on a copy: every k-th vertex along the boundary (ends of kept edges, mouths and points of darts
//! among them, and the two legs of a dart at the same places), scattered vertices inside, joined by
//! their Delaunay triangles in the plane. The copy is laid with least strain, by the same rule from a
//! copy of its own where it is large, and the change that it went through is carried over. What
//! is left to do is small and local. The result is that of the fine mesh alone: the descent there has
//! the last word and the same stopping rule.
//!
//! None where the copy would not be true: few vertices, kept edges inside, a boundary that crosses
//! itself.

use std::collections::{HashMap, VecDeque};

use nalgebra::Matrix2;

use crate::{
    Point2,
    mesh::{NONE, TriMesh, index},
    solve::{Cholesky, Laplacian, half_cotangents},
};

use super::{
    FlatMap, FlatReport, KeptEdges, LeastStrainOptions, MatchedEdges, least_strain,
    overlap::{self, Fold},
    sampling::{Sample, scatter, scattered, triangulate},
};

/// Vertices below which a copy is not worth its making.
const LEAST_VERTICES: usize = 6000;
/// Vertices of a mesh for one of its copy.
const FEWER: f64 = 16.0;
/// Root mean square strain at which a copy's descent stops: its own error is larger.
const COPY_TOLERANCE: f64 = 1e-3;
/// Steps a copy is given.
const COPY_STEPS: usize = 60;
/// Relative difference of two chords that stand for sewn edges.
const SAME_LENGTH: f64 = 1e-6;
/// Rings that are smoothed round a fold before it is given up, and sweeps through them.
const MOST_RINGS: usize = 6;
const SWEEPS: usize = 10;
/// Triangles for one fold at most, above which a map is not worth straightening.
const MOST_FOLDS: usize = 200;
/// Triangles of the copy that are crossed in search of a vertex.
const LONGEST_WALK: usize = 64;

/// A start nearer to the goal than `start`, if a coarse copy can be made and laid; cushioned if the copy was.
pub(crate) fn nearer(
    mesh: &TriMesh,
    start: &[Point2],
    options: &LeastStrainOptions,
) -> Option<FlatMap> {
    let copy = Copy::new(mesh, start, options)?;
    let laid = copy.lay()?;
    copy.carry(&laid)
}

/// Takes the folds out of a map that has few, where fine triangles straddle a bend of the copy: moves
/// inner vertices round them to the middle of their neighbours, in a ring more each time. False where
/// folds are left.
fn straighten(mesh: &TriMesh, uv: &mut [Point2]) -> bool {
    let mut near = vec![false; mesh.vertex_count()];
    for _ in 0..MOST_RINGS {
        let folds = overlap::folds(mesh, uv);
        if folds.is_empty() {
            return true;
        }
        if folds.len() > mesh.face_count() / MOST_FOLDS {
            return false;
        }
        for fold in folds {
            match fold {
                Fold::Face(face) => mesh.faces()[face as usize]
                    .iter()
                    .for_each(|&v| near[v as usize] = true),
                Fold::Vertex(v) => near[v as usize] = true,
            }
        }
        let marked: Vec<u32> = (0..index(near.len()))
            .filter(|&v| near[v as usize])
            .collect();
        let round = marked.iter().flat_map(|&v| mesh.fan(v));
        for v in round.flat_map(|h| [mesh.head(h), mesh.apex(h)]) {
            near[v as usize] = true;
        }
        let moving: Vec<u32> = (0..index(near.len()))
            .filter(|&v| near[v as usize] && !mesh.on_boundary(v))
            .collect();
        for _ in 0..SWEEPS {
            for &v in &moving {
                let (mut sum, mut count) = (crate::Vector2::zeros(), 0.0);
                for h in mesh.fan(v) {
                    sum += uv[mesh.head(h) as usize].coords;
                    count += 1.0;
                }
                uv[v as usize] = (sum / count).into();
            }
        }
    }
    overlap::folds(mesh, uv).is_empty()
}

/// What a boundary edge is to the energy.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Role {
    Free,
    /// Number of the group.
    Kept(usize),
    /// Number of the group, and the edge it is sewn to, as the boundary runs.
    Matched(usize, (u32, u32)),
}

/// A coarse copy of a large mesh and of its first map.
pub(crate) struct Copy<'a> {
    large: &'a TriMesh,
    start: &'a [Point2],
    pub(crate) mesh: TriMesh,
    /// Vertex of the large mesh that each vertex here is.
    pub(crate) source: Vec<u32>,
    /// What least strain means here.
    pub(crate) options: LeastStrainOptions,
}

impl<'a> Copy<'a> {
    /// None where a copy is not worth its making or would not be true.
    pub(crate) fn new(
        mesh: &'a TriMesh,
        start: &'a [Point2],
        options: &LeastStrainOptions,
    ) -> Option<Self> {
        if mesh.vertex_count() < LEAST_VERTICES {
            return None;
        }
        let loops = mesh.boundary_loops();
        let roles = roles(&loops, options)?;
        let wanted = mesh.vertex_count() as f64 / FEWER;
        // Two triangles a vertex, equilateral ones.
        let step_mm = (mesh.area() / wanted / 0.75_f64.sqrt()).sqrt();
        let mut chosen = vec![false; mesh.vertex_count()];
        let mut done = chosen.clone();
        for ring in &loops {
            choose(mesh, ring, &roles, step_mm, &mut chosen, &mut done);
        }
        let rings: Vec<Vec<u32>> = loops
            .iter()
            .map(|ring| {
                ring.iter()
                    .copied()
                    .filter(|&v| chosen[v as usize])
                    .collect()
            })
            .collect();
        if rings.iter().any(|ring| ring.len() < 3) {
            return None;
        }
        let sample = |&v: &u32| -> Sample { (mesh.position(v), start[v as usize]) };
        let edge: Vec<Sample> = rings.iter().flatten().map(sample).collect();
        let inner = scatter(mesh, &edge, step_mm, scattered(mesh));
        let mut source: Vec<u32> = rings.iter().flatten().chain(&inner).copied().collect();
        let samples: Vec<Sample> = source.iter().map(sample).collect();
        let mut next = 0;
        let places: Vec<Vec<usize>> = rings
            .iter()
            .map(|ring| {
                next += ring.len();
                (next - ring.len()..next).collect()
            })
            .collect();
        let outer = outermost(&rings, start);
        let mut ordered = places.clone();
        ordered.swap(0, outer);
        let mut faces = triangulate(&samples, &ordered)?;
        drop_unused(&mut faces, &mut source);
        let positions = source.iter().map(|&v| mesh.position(v)).collect();
        let small = TriMesh::new(positions, faces).ok()?;
        if small.euler_characteristic() != mesh.euler_characteristic()
            || small.boundary_loops().len() != loops.len()
        {
            return None;
        }
        let options = coarse_options(mesh, &rings, &roles, &source, options);
        Some(Self {
            large: mesh,
            start,
            mesh: small,
            source,
            options,
        })
    }

    /// The copy laid with least strain; none where it would come to lie on itself.
    pub(crate) fn lay(&self) -> Option<FlatMap> {
        let first = FlatMap {
            uv: self.before(),
            report: FlatReport::default(),
        };
        let laid = least_strain(&self.mesh, first, &self.options).ok()?;
        laid.report.is_sound().then_some(laid)
    }

    /// The large mesh's map where the copy is laid so, free of folds; cushioned if the copy's was.
    pub(crate) fn carry(&self, laid: &FlatMap) -> Option<FlatMap> {
        let mut uv = self.spread(&laid.uv)?;
        let report = FlatReport {
            cushioned: laid.report.cushioned,
            ..FlatReport::default()
        };
        straighten(self.large, &mut uv).then_some(FlatMap { uv, report })
    }

    /// The first map's part of the copy.
    fn before(&self) -> Vec<Point2> {
        self.source
            .iter()
            .map(|&v| self.start[v as usize])
            .collect()
    }

    /// The map of the large mesh whose change from its first one is nearest to the copy's.
    ///
    /// Letting each vertex follow its triangle of the copy would bend the map along the copy's edges, and
    /// thin triangles there badly. So the change's derivative, a 2×2 matrix at each vertex of the copy, is
    /// spread, which is continuous, and the map found that has it as nearly as any: one solution with the
    /// Laplacian (as in Yu et al. 2004, Mesh editing with Poisson-based gradient field manipulation,
    /// 10.1145/1015706.1015774).
    fn spread(&self, laid: &[Point2]) -> Option<Vec<Point2>> {
        let (mesh, start) = (self.large, self.start);
        let changes = self.spread_changes(&self.changes(laid));
        let weights = half_cotangents(mesh);
        let mut field = vec![[0.0; 2]; mesh.vertex_count()];
        for (face, corners) in mesh.faces().iter().enumerate() {
            let change: Matrix2<f64> = corners
                .iter()
                .map(|&v| changes[v as usize])
                .sum::<Matrix2<f64>>()
                / 3.0;
            for k in 0..3 {
                let (i, j) = (corners[k] as usize, corners[(k + 1) % 3] as usize);
                let side = weights[3 * face + k] * (change * (start[i] - start[j]));
                for axis in 0..2 {
                    field[i][axis] += side[axis];
                    field[j][axis] -= side[axis];
                }
            }
        }
        let mut matrix = Laplacian::weighted(mesh, &weights);
        // One vertex held: the loads add up to nothing, so that it bears none.
        let first = matrix.col_offsets()[0];
        let diagonal = first
            + matrix
                .col(0)
                .row_indices()
                .iter()
                .position(|&row| row == 0)?;
        matrix.values_mut()[diagonal] *= 2.0;
        let factor = Cholesky::new(&matrix, mesh.positions()).ok()?;
        factor.solve_in_place(&mut field);
        Some(field.into_iter().map(|[x, y]| Point2::new(x, y)).collect())
    }

    /// Derivative of the copy's change at each of its vertices: the mean of its triangles' by area.
    fn changes(&self, laid: &[Point2]) -> Vec<Matrix2<f64>> {
        let before = self.before();
        let mut sums = vec![(Matrix2::zeros(), 0.0); laid.len()];
        for corners in self.mesh.faces() {
            let sides = |uv: &[Point2]| {
                let [a, b, c] = corners.map(|v| uv[v as usize]);
                Matrix2::from_columns(&[b - a, c - a])
            };
            let from = sides(&before);
            let area = from.determinant();
            let Some(inverse) = from.try_inverse() else {
                continue;
            };
            let change = sides(laid) * inverse;
            for &v in corners {
                sums[v as usize].0 += area * change;
                sums[v as usize].1 += area;
            }
        }
        sums.into_iter()
            .map(|(sum, area)| {
                if area > 0.0 {
                    sum / area
                } else {
                    Matrix2::identity()
                }
            })
            .collect()
    }

    /// What the copy's vertices have, at every vertex of the large mesh: weighted by its place in its
    /// triangle of the copy, as they lie in the first map.
    fn spread_changes(&self, changes: &[Matrix2<f64>]) -> Vec<Matrix2<f64>> {
        let (mesh, start) = (self.large, self.start);
        let before = self.before();
        let mut spread = vec![None; mesh.vertex_count()];
        let mut queue = VecDeque::new();
        for (own, &v) in (0..).zip(&self.source) {
            spread[v as usize] = Some(changes[own as usize]);
            queue.push_back((v, self.mesh.outgoing(own) / 3));
        }
        // From vertex to neighbour, so that each search begins next to its end.
        while let Some((vertex, face)) = queue.pop_front() {
            for h in mesh.fan(vertex) {
                for other in [mesh.head(h), mesh.apex(h)] {
                    if spread[other as usize].is_none() {
                        let (face, weights) = self.search(&before, face, start[other as usize]);
                        let corners = self.mesh.faces()[face as usize];
                        // Beyond the copy's edge, what its nearest triangle has.
                        let weights = weights.map(|w| w.max(0.0));
                        let total: f64 = weights.iter().sum();
                        let change: Matrix2<f64> = corners
                            .iter()
                            .zip(weights)
                            .map(|(&v, w)| changes[v as usize] * (w / total))
                            .sum();
                        spread[other as usize] = Some(change);
                        queue.push_back((other, face));
                    }
                }
            }
        }
        spread
            .into_iter()
            .map(|change| change.unwrap_or_else(Matrix2::identity))
            .collect()
    }

    /// The triangle that holds a point of the plane, and the point's weights in it; the walk begins at
    /// `face` and ends at the boundary at the latest.
    fn search(&self, uv: &[Point2], mut face: u32, point: Point2) -> (u32, [f64; 3]) {
        let mut weights = weights_in(uv, self.mesh.faces()[face as usize], point);
        for _ in 0..LONGEST_WALK {
            // The side opposite the most negative weight, or the next if that is the boundary.
            let mut sides = [0, 1, 2];
            sides.sort_by(|&a, &b| weights[a].total_cmp(&weights[b]));
            let across = sides
                .into_iter()
                .filter(|&k| weights[k] < 0.0)
                .map(|k| self.mesh.twin(3 * face + (index(k) + 1) % 3))
                .find(|&twin| twin != NONE);
            let Some(twin) = across else { break };
            face = twin / 3;
            weights = weights_in(uv, self.mesh.faces()[face as usize], point);
        }
        (face, weights)
    }
}

fn weights_in(uv: &[Point2], corners: [u32; 3], p: Point2) -> [f64; 3] {
    let [a, b, c] = corners.map(|v| uv[v as usize]);
    let whole = (b - a).perp(&(c - a));
    [
        (b - p).perp(&(c - p)) / whole,
        (c - p).perp(&(a - p)) / whole,
        (a - p).perp(&(b - p)) / whole,
    ]
}

/// The role of every boundary edge by its tail; none where an edge has two or lies inside.
fn roles(loops: &[Vec<u32>], options: &LeastStrainOptions) -> Option<HashMap<u32, Role>> {
    let mut heads = HashMap::new();
    for ring in loops {
        for (k, &tail) in ring.iter().enumerate() {
            heads.insert(tail, ring[(k + 1) % ring.len()]);
        }
    }
    let directed = |&(a, b): &(u32, u32)| {
        if heads.get(&a) == Some(&b) {
            Some((a, b))
        } else {
            (heads.get(&b) == Some(&a)).then_some((b, a))
        }
    };
    let mut roles: HashMap<u32, Role> = heads.keys().map(|&tail| (tail, Role::Free)).collect();
    let mut set = |edge: (u32, u32), role| {
        let old = roles.insert(edge.0, role);
        (old == Some(Role::Free)).then_some(())
    };
    for (group, kept) in options.kept.iter().enumerate() {
        for edge in &kept.edges {
            set(directed(edge)?, Role::Kept(group))?;
        }
    }
    for (group, matched) in options.matched.iter().enumerate() {
        for [first, second] in &matched.pairs {
            let (first, second) = (directed(first)?, directed(second)?);
            set(first, Role::Matched(group, second))?;
            set(second, Role::Matched(group, first))?;
        }
    }
    Some(roles)
}

/// Whether the boundary's role changes at the head of `edge`, from which `next` leaves. The two sides of
/// a cut run against each other and meet in its point.
fn breaks(edge: (u32, u32), next: (u32, u32), roles: &HashMap<u32, Role>) -> bool {
    match (roles[&edge.0], roles[&next.0]) {
        (Role::Matched(_, one), Role::Matched(_, two)) => two.1 != one.0 || two == edge,
        (a, b) => a != b,
    }
}

/// Chooses vertices of one boundary loop: all where its role changes, and between them in steps. A stretch
/// that is sewn to one before it has been chosen with that: `done`.
fn choose(
    mesh: &TriMesh,
    ring: &[u32],
    roles: &HashMap<u32, Role>,
    step_mm: f64,
    chosen: &mut [bool],
    done: &mut [bool],
) {
    let count = ring.len();
    let edge = |k: usize| (ring[k % count], ring[(k + 1) % count]);
    let mut corners: Vec<usize> = (0..count)
        .filter(|&k| breaks(edge(k + count - 1), edge(k), roles))
        .collect();
    let least = if corners.is_empty() { 8 } else { 1 };
    if corners.is_empty() {
        corners.push(0);
    }
    for (at, &from) in corners.iter().enumerate() {
        let to = corners.get(at + 1).copied().unwrap_or(corners[0] + count);
        chosen[edge(from).0 as usize] = true;
        if done[edge(from).0 as usize] {
            continue;
        }
        let mut along = Vec::with_capacity(to - from + 1);
        let mut length = 0.0;
        for k in from..to {
            if let Role::Matched(_, (tail, _)) = roles[&edge(k).0] {
                done[tail as usize] = true;
            }
            along.push(length);
            let (a, b) = edge(k);
            length += (mesh.position(b) - mesh.position(a)).norm();
        }
        let pieces = ((length / step_mm).round() as usize).max(least);
        for piece in 1..pieces {
            let wanted = length * piece as f64 / pieces as f64;
            let k = along.partition_point(|&x| x < wanted).min(to - from - 1);
            // The vertex nearer to where the step ends.
            let before = k > 0 && wanted - along[k - 1] < along[k] - wanted;
            let k = from + if before { k - 1 } else { k };
            chosen[edge(k).0 as usize] = true;
            if k > from
                && let Role::Matched(_, (_, twin)) = roles[&edge(k).0]
            {
                // The sewn partner runs the other way: its head lies on this edge's tail.
                chosen[twin as usize] = true;
            }
        }
    }
}

/// The loop with the longest way round in the plane.
fn outermost(rings: &[Vec<u32>], uv: &[Point2]) -> usize {
    let length = |ring: &Vec<u32>| -> f64 {
        let next = ring.iter().cycle().skip(1);
        let sides = ring.iter().zip(next);
        sides
            .map(|(&a, &b)| (uv[b as usize] - uv[a as usize]).norm())
            .sum()
    };
    (0..rings.len())
        .max_by(|&a, &b| length(&rings[a]).total_cmp(&length(&rings[b])))
        .unwrap_or(0)
}

/// Leaves out the vertices that no face has.
fn drop_unused(faces: &mut [[u32; 3]], source: &mut Vec<u32>) {
    let mut renamed = vec![NONE; source.len()];
    for &v in faces.as_flattened() {
        renamed[v as usize] = 0;
    }
    let mut kept = Vec::with_capacity(source.len());
    for (name, &v) in renamed.iter_mut().zip(&*source) {
        if *name != NONE {
            *name = index(kept.len());
            kept.push(v);
        }
    }
    *source = kept;
    for v in faces.as_flattened_mut() {
        *v = renamed[*v as usize];
    }
}

/// The energy's kept and matched edges on the copy.
fn coarse_options(
    mesh: &TriMesh,
    rings: &[Vec<u32>],
    roles: &HashMap<u32, Role>,
    source: &[u32],
    options: &LeastStrainOptions,
) -> LeastStrainOptions {
    let mut own = HashMap::new();
    for (name, &v) in (0..).zip(source) {
        own.insert(v, name);
    }
    let mut tails = HashMap::new();
    for ring in rings {
        for (k, &tail) in ring.iter().enumerate() {
            tails.insert(ring[(k + 1) % ring.len()], tail);
        }
    }
    let length = |(a, b): (u32, u32)| (mesh.position(a) - mesh.position(b)).norm();
    let mut kept = vec![Vec::new(); options.kept.len()];
    let mut pairs = vec![Vec::new(); options.matched.len()];
    for ring in rings {
        for (k, &tail) in ring.iter().enumerate() {
            let edge = (tail, ring[(k + 1) % ring.len()]);
            let named = |(a, b): (u32, u32)| (own[&a], own[&b]);
            match roles[&tail] {
                Role::Free => {}
                Role::Kept(group) => kept[group].push(named(edge)),
                // The partner ends where this edge begins. Once for the two.
                Role::Matched(group, (_, end)) => {
                    if let Some(&from) = tails.get(&end)
                        && tail < from
                        && (length(edge) / length((from, end)) - 1.0).abs() < SAME_LENGTH
                    {
                        pairs[group].push([named(edge), named((from, end))]);
                    }
                }
            }
        }
    }
    LeastStrainOptions {
        energy: options.energy,
        kept: kept
            .into_iter()
            .zip(&options.kept)
            .map(|(edges, group)| KeptEdges {
                edges,
                ..group.clone()
            })
            .collect(),
        matched: pairs
            .into_iter()
            .zip(&options.matched)
            .map(|(pairs, group)| MatchedEdges {
                pairs,
                weight: group.weight,
            })
            .collect(),
        // Tapes are laid on the copy anew.
        lines: Vec::new(),
        rescue: options.rescue,
        most_steps: options.most_steps.min(COPY_STEPS),
        tolerance: options.tolerance.max(COPY_TOLERANCE),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flat::{conformal, lay::tests::cut_cap};

    #[test]
    fn a_few_folds_are_taken_out_and_a_map_of_folds_is_given_up() {
        let mesh = cut_cap().mesh;
        let options = conformal::ConformalOptions::default();
        let sound = conformal::flatten_patch(&mesh, &options).unwrap().uv;
        assert!(overlap::folds(&mesh, &sound).is_empty());
        // One inner vertex pushed beyond its neighbours.
        let inner = (0..index(sound.len()))
            .filter(|&v| !mesh.on_boundary(v))
            .nth(700)
            .unwrap();
        let reach = mesh
            .fan(inner)
            .map(|h| sound[mesh.head(h) as usize] - sound[inner as usize]);
        let farthest = reach.max_by(|a, b| a.norm().total_cmp(&b.norm())).unwrap();
        let mut folded = sound.clone();
        folded[inner as usize] += 1.5 * farthest;
        assert!(!overlap::folds(&mesh, &folded).is_empty());
        assert!(straighten(&mesh, &mut folded));
        assert!(overlap::folds(&mesh, &folded).is_empty());
        // What is far from it, and the boundary, stays where it was.
        let still = (0..sound.len()).filter(|&v| folded[v] == sound[v]).count();
        assert!(still > sound.len() / 2, "{still}");
        let on_edge = mesh.boundary_loops().concat();
        assert!(
            on_edge
                .iter()
                .all(|&v| folded[v as usize] == sound[v as usize])
        );

        let mut turned_over: Vec<Point2> = sound.iter().map(|p| Point2::new(-p.x, p.y)).collect();
        assert!(!straighten(&mesh, &mut turned_over));
    }
}
