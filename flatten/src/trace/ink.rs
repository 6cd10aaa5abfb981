//! How much each place looks like ink: darker, or of another hue, than its surroundings.
//!
//! In: a [`Canvas`]. Out: [`Ink`]: a strength for each vertex, 0 on bare surface, and which vertices
//! are taken for ink.
//!
//! # Method
//! Light falls off over a head by a factor of three and more, and hair shows dark through clear tape,
//! so only the surroundings tell what is dark. Colours become the lightness and the two hue axes of
//! CIELAB (CIE 15:2004), in which a shadow scales all three alike. The median over the surroundings,
//! 13 mm each way, is the background: a pen line covers too little of them to move it, and beside a
//! step (hair to skin) it stays on the own side. Strength is one minus lightness over background,
//! with the difference in hue for coloured pens; what is clearly lighter than its surroundings
//! (glare on the edge of a tape) has none.
//!
//! Ink is what lies on a crest of that strength (see `crest`), found with two thresholds (Canny 1986, "A
//! Computational Approach to Edge Detection", IEEE TPAMI 8(6), section on hysteresis): places above
//! the high one, and what hangs together with them above the low one. Both rise where the surface is
//! speckled.
//!
//! Cost: linear; about a microsecond a vertex.

use std::collections::VecDeque;

use rayon::prelude::*;

use crate::{
    Point3, Vector3,
    mesh::{NONE, TriMesh, index},
};

use super::{canvas::Canvas, cells::Cells, crest};

/// How far the colours are smoothed, mm: less than half a thin line.
const SMOOTH_MM: f64 = 0.7;

/// Size of the cells that surroundings are made of, mm.
const CELL_MM: f64 = 3.0;

/// How far the surroundings reach, mm.
const AROUND_MM: f64 = 13.0;

/// Least height of a crest of ink, and the height that proves it, on an even surface.
const THRESHOLDS: [f64; 2] = [0.05, 0.10];

/// The same in standard deviations of the speckle around.
const SPECKLE: [f64; 2] = [0.55, 1.3];

/// A place on a crest is ink if it is this share as strong as the crest is high: a gap between two
/// strokes lies on their crest and is none.
const OWN: f64 = 0.5;

/// Ink that reaches less far than this is a speck, mm.
const SPECK_MM: f64 = 12.0;

/// How ink-like each vertex of a fine surface is.
#[derive(Debug, Clone)]
pub(super) struct Ink {
    /// 0 on bare surface to 1 on black.
    pub(super) strength: Vec<f64>,
    /// How much it is darker than the darker of its two sides (see `crest`).
    pub(super) crest: Vec<f64>,
    /// Whether the vertex is taken for ink.
    pub(super) is_ink: Vec<bool>,
}

/// Lightness and two hue axes, each about 0 to 1.
type Lab = [f64; 3];

impl Ink {
    pub(super) fn find(canvas: &Canvas, fine: &Cells, normals: &[Vector3]) -> Self {
        let mesh = &canvas.mesh;
        let raw: Vec<Lab> = canvas.colours.par_iter().map(lab).collect();
        let lab = smoothed(mesh, raw, SMOOTH_MM);
        let cells = Cells::new(mesh.positions(), CELL_MM);
        let around = Around::new(&cells, &lab);
        let strength: Vec<f64> = (0..mesh.vertex_count())
            .into_par_iter()
            .map(|v| strength(&lab[v], &around.background(&cells, &mesh.positions()[v])))
            .collect();
        let crest = crest::crests(mesh, fine, normals, &strength);
        let speckle = Speckle::new(&cells, &strength);
        let above = |v: usize, k: usize| {
            let threshold = THRESHOLDS[k].max(SPECKLE[k] * speckle.of_vertex(&cells, v));
            crest[v] > threshold && strength[v] > OWN * crest[v]
        };
        let is_ink = connected(mesh, |v| above(v, 0), |v| above(v, 1));
        let mut ink = Self {
            strength,
            crest,
            is_ink,
        };
        ink.drop_specks(mesh);
        ink
    }

    /// Takes away what reaches less far than a stroke of a pen does.
    fn drop_specks(&mut self, mesh: &TriMesh) {
        let mut seen = vec![false; mesh.vertex_count()];
        for start in 0..index(mesh.vertex_count()) {
            if seen[start as usize] || !self.is_ink[start as usize] {
                continue;
            }
            let members = flood(mesh, start, &mut seen, |v| self.is_ink[v as usize]);
            if reach(mesh, &members) < SPECK_MM {
                for v in members {
                    self.is_ink[v as usize] = false;
                }
            }
        }
    }
}

/// All that hangs together with `start` and is `in_set`, which it must be itself.
pub(super) fn flood(
    mesh: &TriMesh,
    start: u32,
    seen: &mut [bool],
    in_set: impl Fn(u32) -> bool,
) -> Vec<u32> {
    seen[start as usize] = true;
    let mut members = vec![start];
    let mut next = 0;
    while next < members.len() {
        for w in neighbours(mesh, members[next]) {
            if !seen[w as usize] && in_set(w) {
                seen[w as usize] = true;
                members.push(w);
            }
        }
        next += 1;
    }
    members
}

/// The vertices joined to one by an edge.
pub(super) fn neighbours(mesh: &TriMesh, v: u32) -> impl Iterator<Item = u32> + '_ {
    // On a boundary the fan's last edge is only seen from its far end.
    let last = mesh
        .fan(v)
        .last()
        .map(crate::mesh::prev)
        .filter(|&h| mesh.twin(h) == NONE)
        .map(|h| mesh.tail(h));
    mesh.fan(v).map(|h| mesh.head(h)).chain(last)
}

/// Diagonal of the box about some vertices, mm.
fn reach(mesh: &TriMesh, members: &[u32]) -> f64 {
    let mut low = Point3::new(f64::INFINITY, f64::INFINITY, f64::INFINITY);
    let mut high = -low;
    for &v in members {
        let p = mesh.position(v);
        low = low.inf(&p);
        high = high.sup(&p);
    }
    (high - low).norm()
}

/// Members of `wide` that hang together with one of `sure`.
fn connected(
    mesh: &TriMesh,
    wide: impl Fn(usize) -> bool,
    sure: impl Fn(usize) -> bool,
) -> Vec<bool> {
    let mut found = vec![false; mesh.vertex_count()];
    let mut queue = VecDeque::new();
    for (v, found) in found.iter_mut().enumerate() {
        if sure(v) {
            *found = true;
            queue.push_back(index(v));
        }
    }
    while let Some(v) = queue.pop_front() {
        for w in neighbours(mesh, v) {
            if !found[w as usize] && wide(w as usize) {
                found[w as usize] = true;
                queue.push_back(w);
            }
        }
    }
    found
}

/// CIELAB of linear sRGB, its lightness axis scaled to 1 for white, without the linear toe: dark
/// hair is noisy enough as it is.
fn lab(rgb: &[f32; 3]) -> Lab {
    /// Light that is there on the darkest pixel, so that noise on black has no large ratio.
    const VEIL: f64 = 0.004;
    let [r, g, b] = rgb.map(|c| f64::from(c) + VEIL);
    // Rows of the sRGB matrix (IEC 61966-2-1), each over its white.
    let x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505;
    let y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
    let z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.0890;
    let [x, y, z] = [x, y, z].map(f64::cbrt);
    // a and b of CIELAB are 500 (x − y) and 200 (y − z) for a lightness of 100.
    [y, 5.0 * (x - y), 2.0 * (y - z)]
}

/// Strength of a colour before a background.
fn strength(own: &Lab, ground: &Lab) -> f64 {
    /// Hue counts less than lightness: skin is blotched in hue.
    const HUE: f64 = 0.5;
    /// Lighter than its background by this share, a pale place is glare.
    const GLARE: f64 = 0.10;
    /// What is so much stronger in hue, relative to the background's lightness, is ink.
    const VIVID: f64 = 0.25;
    let ground_light = ground[0].max(0.05);
    let darker = 1.0 - own[0] / ground_light;
    // A shadow scales all axes alike: compare hues at the background's lightness.
    let scale = ground_light / own[0].max(0.05);
    let (da, db) = (own[1] * scale - ground[1], own[2] * scale - ground[2]);
    let hue = HUE * (da.hypot(db) / ground_light - HUE_FREE).max(0.0);
    // Glare is pale; red ink on black hair is lighter too, but of stronger hue.
    let stronger = own[1].hypot(own[2]) * scale - ground[1].hypot(ground[2]);
    let vivid = (stronger / (VIVID * ground_light)).clamp(0.0, 1.0);
    let calm = ((darker + GLARE) / GLARE).clamp(0.0, 1.0).max(vivid);
    (darker.max(0.0).hypot(hue * calm)).min(1.0)
}

/// Differences of hue below this say nothing.
const HUE_FREE: f64 = 0.12;

/// Means over neighbours, as often as brings the spread to `sigma_mm`.
pub(super) fn smoothed<const N: usize>(
    mesh: &TriMesh,
    mut values: Vec<[f64; N]>,
    sigma_mm: f64,
) -> Vec<[f64; N]> {
    let edges = 3 * mesh.face_count().min(20_000);
    let stride = (3 * mesh.face_count()).div_ceil(edges.max(1)).max(1);
    let (mut sum, mut count) = (0.0, 0.0);
    for h in (0..index(3 * mesh.face_count())).step_by(stride) {
        sum += (mesh.position(mesh.head(h)) - mesh.position(mesh.tail(h))).norm_squared();
        count += 1.0;
    }
    // One mean over self and six neighbours at distance l spreads by 3/7 l² along each axis.
    let per_round = 3.0 / 7.0 * sum / f64::max(count, 1.0);
    let rounds = (sigma_mm * sigma_mm / per_round.max(1e-9))
        .round()
        .clamp(1.0, 60.0) as usize;
    for _ in 0..rounds {
        values = (0..index(mesh.vertex_count()))
            .into_par_iter()
            .map(|v| {
                let mut mean = values[v as usize];
                let mut count = 1.0;
                for w in neighbours(mesh, v) {
                    for (m, x) in mean.iter_mut().zip(&values[w as usize]) {
                        *m += x;
                    }
                    count += 1.0;
                }
                mean.map(|m| m / count)
            })
            .collect();
    }
    values
}

/// Median colour of the surroundings of each cell.
struct Around {
    medians: Vec<Lab>,
}

impl Around {
    fn new(cells: &Cells, lab: &[Lab]) -> Self {
        let means: Vec<Lab> = cells
            .members()
            .map(|members| {
                let mut mean = [0.0; 3];
                for &v in members {
                    for k in 0..3 {
                        mean[k] += lab[v as usize][k];
                    }
                }
                mean.map(|m| m / members.len() as f64)
            })
            .collect();
        let medians = (0..cells.count())
            .into_par_iter()
            .map(|cell| {
                let near = cells.near_cell(cell, AROUND_MM);
                [0, 1, 2].map(|k| median(near.iter().map(|&c| means[c][k]).collect()))
            })
            .collect();
        Self { medians }
    }

    /// The background at a place, blended between cells so that it has no steps.
    fn background(&self, cells: &Cells, place: &Point3) -> Lab {
        let (mut sum, mut weights) = ([0.0; 3], 0.0);
        cells.each_near(place, 1, |cell, middle| {
            let d = (middle - place).norm_squared() / (CELL_MM * CELL_MM);
            let weight = (-d).exp();
            for (s, m) in sum.iter_mut().zip(&self.medians[cell]) {
                *s += weight * m;
            }
            weights += weight;
        });
        sum.map(|s| s / f64::max(weights, 1e-12))
    }
}

/// Spread of the strength around each cell, as a standard deviation of what is not ink.
struct Speckle {
    of_cell: Vec<f64>,
}

impl Speckle {
    fn new(cells: &Cells, strength: &[f64]) -> Self {
        /// Vertices looked at in each cell: enough for a median of hundreds.
        const LOOKED_AT: usize = 6;
        let of_cell = (0..cells.count())
            .into_par_iter()
            .map(|cell| {
                let mut values = Vec::new();
                for c in cells.near_cell(cell, AROUND_MM) {
                    let members = cells.of(c);
                    let stride = members.len().div_ceil(LOOKED_AT);
                    let picked = members.iter().step_by(stride);
                    values.extend(picked.map(|&v| strength[v as usize]));
                }
                // Strength is a deviation to one side: for even noise about the background half of
                // it is cut to zero, and the third quartile is 0.674 standard deviations.
                quantile(values, 0.75) / 0.674
            })
            .collect();
        Self { of_cell }
    }

    fn of_vertex(&self, cells: &Cells, v: usize) -> f64 {
        self.of_cell[cells.of_vertex(v)]
    }
}

fn median(values: Vec<f64>) -> f64 {
    quantile(values, 0.5)
}

pub(super) fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let k = ((values.len() - 1) as f64 * share).round() as usize;
    *values.select_nth_unstable_by(k, f64::total_cmp).1
}
