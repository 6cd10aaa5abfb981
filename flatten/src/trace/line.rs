//! From the border of a region to the pen's centre line.
//!
//! In: the fine surface, its ink and the border between two regions as a rough ring. Out: a
//! [`PenLine`]: points about 2 mm apart in order, and how well the line is seen.
//!
//! # Method
//! The rough ring runs along mesh edges inside the ink. Every millimetre the strength of the ink is
//! averaged across the line, and the ring moves to its centre of gravity; three rounds, smoothed in
//! between with a spread of half the pen's width. Where there is no ink (a gap), or the ink is much
//! wider than the pen (a blot, a crossing), the centre says nothing: such stretches are bridged by a
//! cubic that goes on as the line comes in at both ends.

use crate::{
    Point3, Vector3,
    mesh::{NONE, Nearest, TriMesh, next},
};

use super::{Gap, PenLine, cells::Cells, ink::Ink, ink::quantile};

/// Step along the line while it is centred, mm.
const STEP_MM: f64 = 1.0;

/// Distance of the points that are handed over, mm.
const SPACING_MM: f64 = 2.0;

/// Half length of the piece of line whose ink is averaged, mm.
const SLAB_MM: f64 = 1.2;

/// Half width in which ink is looked for at first, mm.
const WIDE_MM: f64 = 5.0;

/// Rounds of moving to the centre.
const ROUNDS: usize = 4;

/// Ink wider than this many pens' widths is a blot or a crossing.
const BLOT: f64 = 1.7;

/// Stretches without a trusted centre up to this are bridged smoothly, mm; longer ones keep the rough line.
const BRIDGED_MM: f64 = 40.0;

/// A ring that runs along the border of a set of faces' vertices.
#[derive(Debug, Clone)]
pub(super) struct Ring {
    pub(super) points: Vec<Point3>,
    /// Whether it comes back to its start; if not, it ran off the edge of the surface.
    pub(super) closed: bool,
}

/// The borders of a set of vertices: through the middles of the edges that leave it, the set on the
/// left.
pub(super) fn rings(mesh: &TriMesh, inside: impl Fn(u32) -> bool) -> Vec<Ring> {
    let count = 3 * mesh.face_count();
    let leaves = |h: u32| inside(mesh.tail(h)) && !inside(mesh.head(h));
    let middle =
        |h: u32| nalgebra::center(&mesh.position(mesh.tail(h)), &mesh.position(mesh.head(h)));
    // In a face the border enters by the edge that comes back in and goes out by the one that leaves.
    let mut seen = vec![false; count];
    let mut found = Vec::new();
    for start in 0..crate::mesh::index(count) {
        if seen[start as usize] || !leaves(start) {
            continue;
        }
        // Back to where the border begins, for one that runs from edge to edge of the surface.
        let mut first = start;
        let mut closed = true;
        loop {
            let twin = mesh.twin(first);
            if twin == NONE {
                closed = false;
                break;
            }
            // In the neighbouring face that edge comes in; its leaving edge is where the border came from.
            let Some(back) = [next(twin), next(next(twin))]
                .into_iter()
                .find(|&h| leaves(h))
            else {
                closed = false;
                break;
            };
            first = back;
            if first == start {
                break;
            }
        }
        let mut points = Vec::new();
        let mut h = first;
        loop {
            seen[h as usize] = true;
            points.push(middle(h));
            let comes = [next(h), next(next(h))]
                .into_iter()
                .find(|&g| !inside(mesh.tail(g)) && inside(mesh.head(g)));
            let Some(comes) = comes else { break };
            let twin = mesh.twin(comes);
            if twin == NONE {
                points.push(middle(comes));
                break;
            }
            h = twin;
            if h == first {
                break;
            }
        }
        found.push(Ring { points, closed });
    }
    found
}

/// What is known of the line at one place of the ring.
#[derive(Debug, Clone, Copy, Default)]
struct Look {
    /// Where the ink's middle is, across the line, mm.
    offset: f64,
    /// Width of a stroke of even strength that holds as much ink, mm.
    width: f64,
    /// Mean strength where there is ink.
    strength: f64,
    /// Ink on a millimetre of line: its strength summed across, mm.
    ink: f64,
}

/// Centres a rough ring.
pub(super) fn centred(
    mesh: &TriMesh,
    tree: &Nearest,
    cells: &Cells,
    normals: &[Vector3],
    ink: &Ink,
    areas: &[f64],
    rough: &[Point3],
) -> PenLine {
    let look = Looker {
        mesh,
        cells,
        normals,
        ink,
        areas,
    };
    let mut ring = divided(&blurred(&divided(rough, STEP_MM), 1.5), STEP_MM);
    let mut half = WIDE_MM;
    let mut width = 2.5;
    let mut looks = Vec::new();
    for round in 0..ROUNDS {
        looks = look.all(&ring, half);
        let widths: Vec<f64> = looks.iter().map(|l| l.width).filter(|w| *w > 0.3).collect();
        width = quantile(widths, 0.5).clamp(0.6, 8.0);
        half = (1.2 * width + 0.8).min(WIDE_MM);
        let trusted: Vec<bool> = looks
            .iter()
            .map(|l| l.width > 0.3 * width && l.width < BLOT * width)
            .collect();
        let mut moved: Vec<Point3> = ring
            .iter()
            .zip(&looks)
            .zip(look.across(&ring))
            .zip(&trusted)
            .map(|(((p, l), across), &sure)| if sure { p + across * l.offset } else { *p })
            .collect();
        bridge(&mut moved, &trusted);
        moved = blurred(&moved, 0.5 * width / STEP_MM);
        ring = moved.iter().map(|p| tree.project(mesh, *p).1).collect();
        if round + 1 < ROUNDS {
            ring = divided(&ring, STEP_MM);
        }
    }
    let inks: Vec<f64> = looks.iter().map(|l| l.ink).collect();
    let mut seen: Vec<bool> = looks.iter().map(|l| l.width > 0.3 * width).collect();
    widen_gaps(&mut seen, &inks);
    let strengths = looks
        .iter()
        .zip(&seen)
        .filter(|s| *s.1)
        .map(|l| l.0.strength);
    let contrast = quantile(strengths.collect(), 0.5);
    let length_mm = length(&ring);
    let share = seen.iter().filter(|s| **s).count() as f64 / seen.len().max(1) as f64;
    let gaps = gaps(&ring, &seen);
    let points = divided(&ring, SPACING_MM)
        .iter()
        .map(|p| tree.project(mesh, *p).1)
        .collect();
    PenLine {
        points,
        length_mm,
        seen: share,
        gaps,
        width_mm: width,
        contrast,
    }
}

struct Looker<'a> {
    mesh: &'a TriMesh,
    cells: &'a Cells,
    normals: &'a [Vector3],
    ink: &'a Ink,
    areas: &'a [f64],
}

impl Looker<'_> {
    /// Unit vectors across the ring, to its left seen from outside.
    fn across(&self, ring: &[Point3]) -> Vec<Vector3> {
        let n = ring.len();
        (0..n)
            .map(|k| {
                let along = ring[(k + 2) % n] - ring[(k + n - 2) % n];
                let mut normal = Vector3::zeros();
                self.cells.each_point(&ring[k], 1.5, |v| {
                    if (self.mesh.position(v) - ring[k]).norm_squared() < 9.0 {
                        normal += self.normals[v as usize];
                    }
                });
                normal
                    .cross(&along)
                    .try_normalize(1e-12)
                    .unwrap_or_else(Vector3::zeros)
            })
            .collect()
    }

    fn all(&self, ring: &[Point3], half: f64) -> Vec<Look> {
        let across = self.across(ring);
        let n = ring.len();
        (0..n)
            .map(|k| {
                let along = (ring[(k + 2) % n] - ring[(k + n - 2) % n])
                    .try_normalize(1e-12)
                    .unwrap_or_else(Vector3::zeros);
                let (mut weight, mut moment, mut area, mut peak) = (0.0, 0.0, 0.0, 0.0_f64);
                self.cells.each_point(&ring[k], half + SLAB_MM, |v| {
                    let d = self.mesh.position(v) - ring[k];
                    let (a, x) = (d.dot(&along), d.dot(&across[k]));
                    let off = (d - along * a - across[k] * x).norm();
                    if a.abs() > SLAB_MM
                        || x.abs() > half
                        || off > half
                        || !self.ink.is_ink[v as usize]
                    {
                        return;
                    }
                    let own = self.areas[v as usize];
                    let strength = self.ink.strength[v as usize];
                    weight += own * strength;
                    moment += own * strength * x;
                    area += own;
                    peak = peak.max(strength);
                });
                if weight <= 0.0 {
                    return Look::default();
                }
                Look {
                    offset: moment / weight,
                    width: weight / peak / (2.0 * SLAB_MM),
                    strength: weight / area,
                    ink: weight / (2.0 * SLAB_MM),
                }
            })
            .collect()
    }
}

/// Replaces stretches that are not trusted by cubics between their ends.
fn bridge(ring: &mut [Point3], trusted: &[bool]) {
    let n = ring.len();
    for (start, count) in runs(trusted, false) {
        if count >= n || count as f64 * STEP_MM > BRIDGED_MM {
            continue;
        }
        let at = |k: usize| (start + n + k) % n;
        // Direction of the line over some millimetres before and after.
        let reach = 4.min(n / 4).max(1);
        let (a, b) = (ring[at(n - 1)], ring[at(count)]);
        let into = (a - ring[at(n - 1 - reach)]) / reach as f64;
        let out = (ring[at(count + reach)] - b) / reach as f64;
        let steps = (count + 1) as f64;
        // Tangents as long as the chord: the cubic stays near it.
        let scale = (b - a).norm();
        let tangent = |d: Vector3| {
            d.try_normalize(1e-9)
                .map_or_else(Vector3::zeros, |d| d * scale)
        };
        let (ta, tb) = (tangent(into), tangent(out));
        for k in 0..count {
            let t = (k + 1) as f64 / steps;
            let (t2, t3) = (t * t, t * t * t);
            let coords = a.coords * (2.0 * t3 - 3.0 * t2 + 1.0)
                + ta * (t3 - 2.0 * t2 + t)
                + b.coords * (3.0 * t2 - 2.0 * t3)
                + tb * (t3 - t2);
            ring[at(k)] = Point3::from(coords);
        }
    }
}

/// Runs of a value round a ring: first place and length.
fn runs(values: &[bool], wanted: bool) -> Vec<(usize, usize)> {
    let n = values.len();
    let Some(anchor) = values.iter().position(|v| *v != wanted) else {
        return if n == 0 { Vec::new() } else { vec![(0, n)] };
    };
    let mut found: Vec<(usize, usize)> = Vec::new();
    let mut open = false;
    for k in 0..n {
        let place = (anchor + k) % n;
        if values[place] == wanted {
            match found.last_mut() {
                Some(run) if open => run.1 += 1,
                _ => found.push((place, 1)),
            }
            open = true;
        } else {
            open = false;
        }
    }
    found
}

/// Moves the ends of gaps outward to where there is much less ink than on the line beyond.
///
/// What is taken for ink reaches over the end of a stroke, because colours and crests are means.
fn widen_gaps(seen: &mut [bool], inks: &[f64]) {
    /// The line beyond an end is looked at from here to here, steps.
    const BEYOND: std::ops::Range<usize> = 4..10;
    /// Share of the ink beyond at which a stroke ends: a pen leaves round ends.
    const LEVEL: f64 = 0.45;
    /// An end moves by no more than this, steps.
    const MOST: usize = 5;
    let n = seen.len();
    if n < 2 * BEYOND.end {
        return;
    }
    for (start, count) in runs(seen, false) {
        let beyond = |way: &dyn Fn(usize) -> usize| {
            let level = LEVEL * quantile(BEYOND.map(|k| inks[way(k)]).collect(), 0.5);
            (0..MOST)
                .take_while(|&k| inks[way(k)] < level)
                .map(way)
                .collect::<Vec<_>>()
        };
        let before = beyond(&|k| (start + 2 * n - 1 - k) % n);
        let after = beyond(&|k| (start + count + k) % n);
        for k in before.into_iter().chain(after) {
            seen[k] = false;
        }
    }
}

/// Stretches without ink, longest first.
fn gaps(ring: &[Point3], seen: &[bool]) -> Vec<Gap> {
    let n = ring.len();
    let mut found: Vec<Gap> = runs(seen, false)
        .into_iter()
        .map(|(start, count)| {
            let way = (0..=count).map(|k| {
                let (p, q) = (ring[(start + n - 1 + k) % n], ring[(start + k) % n]);
                (q - p).norm()
            });
            // The ends lie half a step inside the first and last of these, on average.
            Gap {
                length_mm: way.sum::<f64>() - STEP_MM,
                place: ring[(start + count / 2) % n],
            }
        })
        .filter(|gap| gap.length_mm > 2.0 * STEP_MM)
        .collect();
    found.sort_by(|a, b| b.length_mm.total_cmp(&a.length_mm));
    found
}

pub(super) fn length(ring: &[Point3]) -> f64 {
    let n = ring.len();
    (0..n).map(|k| (ring[(k + 1) % n] - ring[k]).norm()).sum()
}

/// The closed line in equal steps of about `step`.
pub(super) fn divided(ring: &[Point3], step: f64) -> Vec<Point3> {
    let n = ring.len();
    let total = length(ring);
    let count = (total / step).round().max(8.0);
    let step = total / count;
    let mut out = Vec::with_capacity(count as usize);
    let (mut run, mut wanted) = (0.0, 0.0);
    for k in 0..n {
        let (p, q) = (ring[k], ring[(k + 1) % n]);
        let edge = (q - p).norm();
        while wanted < run + edge && (out.len() as f64) < count {
            let t = if edge > 0.0 {
                (wanted - run) / edge
            } else {
                0.0
            };
            out.push(p + (q - p) * t);
            wanted += step;
        }
        run += edge;
    }
    out
}

/// Gaussian means along a closed line of even steps; `sigma` in steps.
fn blurred(ring: &[Point3], sigma: f64) -> Vec<Point3> {
    let n = ring.len();
    let reach = ((3.0 * sigma).ceil() as usize).clamp(1, n.max(2) / 2);
    let weights: Vec<f64> = (0..=reach)
        .map(|k| (-0.5 * (k as f64 / sigma.max(1e-6)).powi(2)).exp())
        .collect();
    let whole = weights[0] + 2.0 * weights[1..].iter().sum::<f64>();
    (0..n)
        .map(|k| {
            let mut sum = ring[k].coords * weights[0];
            for (j, w) in weights.iter().enumerate().skip(1) {
                sum += (ring[(k + j) % n].coords + ring[(k + n - j % n) % n].coords) * *w;
            }
            Point3::from(sum / whole)
        })
        .collect()
}
