//! Neighbours, one outside, and which shell is the head.

use crate::{
    Point3, Vector3,
    mesh::{NONE, index, next},
};

use super::{Draft, EdgeTable, Mend, MendError};

/// A second shell with more than this share of the first's surface is not dropped in silence.
const SECOND_SHELL: f64 = 0.25;

/// A part thinner than this share of its longest extent is flat: a table, a wall.
const FLAT: f64 = 0.02;

/// Keeps the head's shell, all faces one way and outward. Returns the twin of each half-edge, [`NONE`]
/// at rims and where faces were cut apart.
pub(super) fn keep_one(draft: &mut Draft, triangles: usize) -> Result<Vec<u32>, MendError> {
    let mut twins = pair(draft);
    let mut parts = orient(draft, &mut twins);
    let kept = choose(draft, &parts.of_face, triangles)?;
    turn(draft, &mut parts, &twins, &kept);
    let twins = follow_turns(&twins, &parts.turned);
    let twins = follow_drops(&twins, &kept);
    draft.keep_faces(&kept);
    draft.drop_unused();
    Ok(twins)
}

/// Neighbour of every half-edge, whichever way the faces look.
///
/// Where more than two faces meet, those two stay neighbours that run on most smoothly; the rest are
/// paired the same way as long as two are left, and an odd one is cut off.
fn pair(draft: &mut Draft) -> Vec<u32> {
    let table = EdgeTable::new(draft.positions.len(), &draft.faces);
    let mut twins = vec![NONE; 3 * draft.faces.len()];
    let mut join = |h: u32, g: u32| {
        twins[h as usize] = g;
        twins[g as usize] = h;
    };
    let (mut cut, mut place) = (0, Point3::origin());
    for edge in table.edges() {
        match *edge {
            [_] => {}
            [(_, h), (_, g)] => join(h, g),
            _ => {
                let mut left: Vec<u32> = edge.iter().map(|&(_, h)| h).collect();
                while let Some((i, j)) = smoothest(draft, &left) {
                    join(left[i], left[j]);
                    left.remove(j);
                    left.remove(i);
                }
                if cut == 0 {
                    place = draft.point(tail(draft, edge[0].1));
                }
                cut += edge.len() - 2;
            }
        }
    }
    draft.note(Mend::CrowdedEdge, cut, place);
    twins
}

fn tail(draft: &Draft, h: u32) -> u32 {
    draft.faces[(h / 3) as usize][(h % 3) as usize]
}

/// The two half-edges of one edge whose faces are nearest to one plane on opposite sides.
fn smoothest(draft: &Draft, half_edges: &[u32]) -> Option<(usize, usize)> {
    /// Comparing all pairs is square in the faces at an edge; beyond this many it is no surface anyway.
    const MOST: usize = 32;
    let away = |h: u32| -> Vector3 {
        let [a, b, c] = [h, next(h), next(next(h))].map(|h| draft.point(tail(draft, h)));
        let along = b - a;
        let across = c - a;
        let across = across - along * (across.dot(&along) / along.norm_squared());
        across.try_normalize(0.0).unwrap_or_default()
    };
    let away: Vec<Vector3> = half_edges.iter().take(MOST).map(|&h| away(h)).collect();
    let mut best = None;
    let mut least = f64::INFINITY;
    for i in 0..away.len() {
        for j in i + 1..away.len() {
            let folded = away[i].dot(&away[j]);
            if folded < least {
                (least, best) = (folded, Some((i, j)));
            }
        }
    }
    best
}

struct Parts {
    /// Number of the shell each face belongs to, in order of their first faces.
    of_face: Vec<u32>,
    /// Faces to be turned so that each shell looks one way.
    turned: Vec<bool>,
}

/// Walks each shell and turns its faces the way of its first one; cuts where that is contradictory.
fn orient(draft: &mut Draft, twins: &mut [u32]) -> Parts {
    let count = draft.faces.len();
    let mut of_face = vec![NONE; count];
    let mut turned = vec![false; count];
    let (mut twisted, mut place) = (0, Point3::origin());
    let mut open: Vec<usize> = Vec::new();
    let mut part = 0;
    for first in 0..count {
        if of_face[first] != NONE {
            continue;
        }
        of_face[first] = part;
        open.push(first);
        while let Some(face) = open.pop() {
            for k in 0..3 {
                let h = 3 * face + k;
                let g = twins[h];
                if g == NONE {
                    continue;
                }
                let neighbour = (g / 3) as usize;
                let same_way = tail(draft, index(h)) == tail(draft, g);
                let turn = turned[face] != same_way;
                if of_face[neighbour] == NONE {
                    of_face[neighbour] = part;
                    turned[neighbour] = turn;
                    open.push(neighbour);
                } else if turned[neighbour] != turn {
                    if twisted == 0 {
                        place = draft.point(tail(draft, g));
                    }
                    twisted += 1;
                    twins[h] = NONE;
                    twins[g as usize] = NONE;
                }
            }
        }
        part += 1;
    }
    draft.note(Mend::TwistedEdge, twisted, place);
    Parts { of_face, turned }
}

/// What decides whether a part is the head.
#[derive(Clone, Default)]
struct Extent {
    faces: usize,
    area: f64,
    first_moment: Vector3,
    second_moment: nalgebra::Matrix3<f64>,
}

impl Extent {
    fn centre(&self) -> Point3 {
        Point3::from(self.first_moment / self.area.max(f64::MIN_POSITIVE))
    }

    /// Whether its thickness is next to nothing, and it is no speck.
    fn is_flat(&self) -> bool {
        let centre = self.centre().coords;
        let spread =
            self.second_moment / self.area.max(f64::MIN_POSITIVE) - centre * centre.transpose();
        let values = spread.symmetric_eigenvalues();
        values.min().max(0.0).sqrt() <= FLAT * values.max().max(0.0).sqrt()
    }
}

/// Marks the faces of the head's shell: the largest part that is not flat.
fn choose(draft: &mut Draft, of_face: &[u32], triangles: usize) -> Result<Vec<bool>, MendError> {
    let nothing = MendError::NothingLeft { triangles };
    let Some(&most) = of_face.iter().max() else {
        return Err(nothing);
    };
    // Moments about a point of the scan: far from the origin they would cancel.
    let from = draft.point(draft.faces[0][0]);
    let mut parts = vec![Extent::default(); most as usize + 1];
    for (face, &part) in of_face.iter().enumerate() {
        let part = &mut parts[part as usize];
        let area = draft.area_vector(face).norm();
        let middle = draft.centre(face) - from;
        part.faces += 1;
        part.area += area;
        part.first_moment += area * middle;
        part.second_moment += area * middle * middle.transpose();
    }
    let flat: Vec<bool> = parts.iter().map(Extent::is_flat).collect();
    let mut solid: Vec<usize> = (0..parts.len()).filter(|&k| !flat[k]).collect();
    // The sort is stable: of equal parts the first in the file wins.
    solid.sort_by(|&a, &b| parts[b].area.total_cmp(&parts[a].area));
    let &head = solid.first().ok_or(nothing)?;
    let area = parts[head].area;
    if let Some(&second) = solid.get(1)
        && parts[second].area > SECOND_SHELL * area
    {
        let whole: f64 = parts.iter().map(|part| part.area).sum();
        return Err(MendError::TwoShells {
            shares: [area / whole, parts[second].area / whole],
            place: from + parts[second].centre().coords,
        });
    }
    let dropped = |table: bool| {
        let of_kind =
            |k: &usize| *k != head && (flat[*k] && parts[*k].area > SECOND_SHELL * area) == table;
        let mut count = 0;
        let mut largest: Option<usize> = None;
        for k in (0..parts.len()).filter(of_kind) {
            count += parts[k].faces;
            if largest.is_none_or(|l| parts[k].area > parts[l].area) {
                largest = Some(k);
            }
        }
        let place = largest.map_or(from, |k| from + parts[k].centre().coords);
        (count, place)
    };
    let (table, crumbs) = (dropped(true), dropped(false));
    draft.note(Mend::Table, table.0, table.1);
    draft.note(Mend::Crumb, crumbs.0, crumbs.1);
    Ok(of_face.iter().map(|&part| part as usize == head).collect())
}

/// Turns the kept faces: one way, and outward.
fn turn(draft: &mut Draft, parts: &mut Parts, twins: &[u32], kept: &[bool]) {
    let inside_out = {
        let way = |face: usize| if parts.turned[face] { -1.0 } else { 1.0 };
        enclosed(draft, twins, kept, way) < 0.0
    };
    let kept_faces = || (0..kept.len()).filter(|&face| kept[face]);
    let count = kept_faces().count();
    // Against the shell's final way; where most faces differ, the shell as a whole was inside out.
    let differing: Vec<usize> = kept_faces()
        .filter(|&face| parts.turned[face] != inside_out)
        .collect();
    if inside_out {
        for turned in &mut parts.turned {
            *turned = !*turned;
        }
    }
    if let Some(&first) = differing.first() {
        let whole = differing.len() == count;
        let what = if whole { Mend::InsideOut } else { Mend::Turned };
        draft.note(what, differing.len(), draft.centre(first));
    }
    for face in differing {
        draft.turn(face);
    }
}

/// Six times the volume inside the kept shell, its rims closed by fans; positive when faces look outward.
fn enclosed(draft: &Draft, twins: &[u32], kept: &[bool], way: impl Fn(usize) -> f64) -> f64 {
    let mut rim = Vec::new();
    let mut from = None;
    for face in (0..kept.len()).filter(|&face| kept[face]) {
        for k in 0..3 {
            let h = index(3 * face + k);
            if twins[h as usize] == NONE {
                rim.push(h);
            }
        }
        from = from.or(Some(draft.points(face)[0]));
    }
    let Some(mut from) = from else { return 0.0 };
    // Seen from the rims' centre, the cones over short rims add next to nothing and the cone over the one
    // long rim is nearly flat: closing each rim apart is not needed.
    if !rim.is_empty() {
        let (mut sum, mut length) = (Vector3::zeros(), 0.0);
        for &h in &rim {
            let (a, b) = (
                draft.point(tail(draft, h)),
                draft.point(tail(draft, next(h))),
            );
            let weight = (b - a).norm();
            sum += weight * 0.5 * (a.coords + b.coords);
            length += weight;
        }
        if length > 0.0 {
            from = Point3::from(sum / length);
        }
    }
    (0..kept.len())
        .filter(|&face| kept[face])
        .map(|face| {
            let [a, b, c] = draft.points(face).map(|p| p - from);
            way(face) * a.dot(&b.cross(&c))
        })
        .sum()
}

/// Turning a face swaps its corners 1 and 2, so its edges 0 and 2 change places.
fn follow_turns(twins: &[u32], turned: &[bool]) -> Vec<u32> {
    let moved = |h: u32| {
        if turned[(h / 3) as usize] {
            3 * (h / 3) + (2 - h % 3)
        } else {
            h
        }
    };
    let mut out = vec![NONE; twins.len()];
    for (h, &twin) in twins.iter().enumerate() {
        if twin != NONE {
            out[moved(index(h)) as usize] = moved(twin);
        }
    }
    out
}

/// Twins among the faces kept; a dropped neighbour leaves a rim.
pub(super) fn follow_drops(twins: &[u32], kept: &[bool]) -> Vec<u32> {
    let mut number = vec![NONE; kept.len()];
    let mut count = 0;
    for (number, _) in number.iter_mut().zip(kept).filter(|(_, kept)| **kept) {
        *number = count;
        count += 1;
    }
    let mut out = Vec::with_capacity(3 * count as usize);
    for (h, &twin) in twins.iter().enumerate() {
        if !kept[h / 3] {
            continue;
        }
        let neighbour = (twin != NONE).then(|| number[(twin / 3) as usize]);
        out.push(match neighbour {
            Some(face) if face != NONE => 3 * face + twin % 3,
            _ => NONE,
        });
    }
    out
}
