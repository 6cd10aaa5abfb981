//! From the border of a region to the pen's centre line.
//!
//! In: the fine surface, its ink and the border between two regions as a rough ring. Out: a
//! [`PenLine`]: points about 2 mm apart in order, and how well the line is seen.
//!
//! # Method
//! The rough ring runs along mesh edges near the ink. Three times the surface along it is unrolled, the
//! pen's way through it is found and the ring is laid there (see `strip`), in the middle of the ink from
//! the second time on, smoothed in between with a spread of half the pen's width. Where there is no
//! ink (a gap), or the ink is much wider than the pen (a blot, a crossing), the middle says nothing:
//! such stretches are bridged by a cubic that goes on as the line comes in at both ends.

use crate::{
    Point3, Vector3,
    mesh::{NONE, TriMesh, next},
};

use super::{
    Gap, PenLine,
    cells::Cells,
    ink::{Ink, quantile},
    strip::{Inked, Strip},
};

/// Step along the line while it is centred, mm.
pub(super) const STEP_MM: f64 = 1.0;

/// Distance of the points that are handed over, mm.
const SPACING_MM: f64 = 2.0;

/// How far to each side of the ring the line is looked for in each round, mm: the rough ring cuts the
/// corners of gaps.
const ROUNDS_MM: [f64; 3] = [7.0, 5.5, 5.5];

/// So much more than the pen's width has to be seen to each side to know what bare ground looks like, mm.
const CLEAR_MM: f64 = 4.0;

/// Width of a pen before it is measured, mm.
const USUAL_MM: f64 = 2.5;

/// A stroke's round end reaches this far beyond where half of its width is bare, in widths:
/// (1 − √3/2)/2.
const TIP: f64 = 0.067;

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

/// Centres a rough ring; what is weaker than `least` is no ink.
pub(super) fn centred(
    mesh: &TriMesh,
    cells: &Cells,
    normals: &[Vector3],
    ink: &Ink,
    rough: &[Point3],
    least: f64,
) -> PenLine {
    let read = |ring: &[Point3], half: f64| {
        let across = across_ring(cells, normals, ring);
        Strip::read(mesh, &ink.strength, ring, &across, half)
    };
    let on_surface =
        |ring: &[Point3]| -> Vec<Point3> { ring.iter().map(|p| mesh.project(*p).1).collect() };
    let mut ring = divided(&blurred(&divided(rough, STEP_MM), 1.5), STEP_MM);
    let mut width_mm = USUAL_MM;
    for (round, half) in ROUNDS_MM.into_iter().enumerate() {
        let strip = read(&ring, half.max(width_mm + CLEAR_MM));
        let way = strip.way(width_mm);
        let found = strip.inked_along(&way, width_mm, least);
        let widths: Vec<f64> = (0..ring.len())
            .filter(|&k| found.seen[k])
            .map(|k| strip.width(k, way[k]))
            .collect();
        width_mm = quantile(widths, 0.5).clamp(0.8, 6.0);
        let trusted: Vec<bool> = (0..ring.len())
            .map(|k| found.seen[k] && strip.dark_width(k, way[k]) < BLOT * width_mm + 0.5)
            .collect();
        let mut moved: Vec<Point3> = (0..ring.len())
            .map(|k| strip.middle(k, way[k], width_mm, round > 0))
            .collect();
        bridge(&mut moved, &trusted);
        let sigma = f64::max(0.5 * width_mm / STEP_MM, 1.0);
        ring = divided(&on_surface(&blurred(&moved, sigma)), STEP_MM);
    }
    let strip = read(&ring, f64::max(ROUNDS_MM[2], width_mm + CLEAR_MM));
    let middle = vec![strip.half(); ring.len()];
    let found = strip.inked_along(&middle, width_mm, least);
    let seen = found.seen.iter().filter(|s| **s).count() as f64 / found.seen.len().max(1) as f64;
    let strengths = (0..ring.len())
        .filter(|&k| found.seen[k])
        .map(|k| strip.strength(k, middle[k]));
    PenLine {
        points: on_surface(&divided(&ring, SPACING_MM)),
        length_mm: length(&ring),
        seen,
        gaps: gaps(mesh, &ring, &found, width_mm),
        width_mm,
        contrast: quantile(strengths.collect(), 0.5),
    }
}

/// Unit vectors across the ring, to its left seen from outside.
fn across_ring(cells: &Cells, normals: &[Vector3], ring: &[Point3]) -> Vec<Vector3> {
    let n = ring.len();
    (0..n)
        .map(|k| {
            let along = ring[(k + 2) % n] - ring[(k + n - 2) % n];
            let mut normal = Vector3::zeros();
            cells.each_point(&ring[k], 3.0, |v, _| normal += normals[v as usize]);
            normal
                .cross(&along)
                .try_normalize(1e-12)
                .unwrap_or_else(Vector3::zeros)
        })
        .collect()
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

/// Stretches without ink, longest first.
fn gaps(mesh: &TriMesh, ring: &[Point3], found: &Inked, width: f64) -> Vec<Gap> {
    let n = ring.len();
    let mut gaps: Vec<Gap> = runs(&found.seen, false)
        .into_iter()
        .filter(|run| run.1 < n)
        .map(|(start, count)| {
            let end = |inked: usize, bare: usize| {
                let (inked, bare) = (inked % n, bare % n);
                ring[inked] + (ring[bare] - ring[inked]) * found.end(inked, bare)
            };
            let from = end(start + n - 1, start);
            let to = end(start + count, start + count + n - 1);
            Gap {
                length_mm: way_over(mesh, from, to) - 2.0 * TIP * width,
                place: ring[(start + count / 2) % n],
            }
        })
        .filter(|gap| gap.length_mm > LEAST_GAP_MM)
        .collect();
    gaps.sort_by(|a, b| b.length_mm.total_cmp(&a.length_mm));
    gaps
}

/// Shorter stretches without ink are the grain of the pen's mark, mm.
const LEAST_GAP_MM: f64 = 1.5;

/// Length of the way over the surface under the straight line from one point to another, mm: as near
/// to the shortest as matters over a few centimetres.
fn way_over(mesh: &TriMesh, from: Point3, to: Point3) -> f64 {
    let steps = ((to - from).norm() / 2.0).ceil().max(1.0);
    let mut last = from;
    let mut sum = 0.0;
    for k in 1..=steps as usize {
        let next = mesh.project(from + (to - from) * (k as f64 / steps)).1;
        sum += (next - last).norm();
        last = next;
    }
    sum
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
