//! How much a dark place is part of a line, rather than of a patch or its edge.
//!
//! In: strengths of ink at the vertices of a fine surface. Out: for each vertex how much a short bar
//! through it, in its best direction, is darker than the darker of the two bars beside it. A patch of
//! hair, however dark, has dark ground on one side at least; a pen line has light ground on both.
//!
//! # Method
//! A bank of oriented bars with the lesser of the two one-sided contrasts, so that the edge of a patch
//! gives nothing: the operator of Tupin et al. 1998, "Detection of linear features in SAR images",
//! IEEE TGRS 36(2) (cited from memory), with differences in place of ratios because strengths are
//! ratios already. Bars lie in the tangent plane.
//!
//! Cost: some microseconds for each vertex that is dark at all.

use rayon::prelude::*;

use crate::{Vector3, mesh::TriMesh};

use super::cells::Cells;

/// Directions of the bar in half a turn.
const DIRECTIONS: usize = 12;

/// Half length of the bars, mm: longer than a speck, shorter than a hairline's bends.
const HALF_LENGTH_MM: f64 = 5.0;

/// Half width of the bar on the line, mm.
const HALF_WIDTH_MM: f64 = 0.8;

/// The bars beside it, from the middle, mm: clear of a pen 4 mm wide.
const BESIDE_MM: [f64; 2] = [2.6, 4.6];

/// Strengths below this are on no line.
const DARK: f64 = 0.03;

/// Least number of vertices in a bar.
const FEWEST: f64 = 3.0;

/// Contrast of the best bar through each vertex, 0 where there is none.
pub(super) fn crests(
    mesh: &TriMesh,
    cells: &Cells,
    normals: &[Vector3],
    strength: &[f64],
) -> Vec<f64> {
    let reach = HALF_LENGTH_MM.hypot(BESIDE_MM[1]);
    let turns: Vec<[f64; 2]> = (0..DIRECTIONS)
        .map(|k| {
            let angle = std::f64::consts::PI * k as f64 / DIRECTIONS as f64;
            [angle.cos(), angle.sin()]
        })
        .collect();
    (0..mesh.vertex_count())
        .into_par_iter()
        .map(|v| {
            if strength[v] < DARK {
                return 0.0;
            }
            let Some((u, w)) = tangents(&normals[v]) else {
                return 0.0;
            };
            let here = mesh.positions()[v];
            let mut bars = [[(0.0, 0.0); 3]; DIRECTIONS];
            cells.each_point(&here, reach, |other, d| {
                let (x, y) = (d.dot(&u), d.dot(&w));
                let own = strength[other as usize];
                for (bar, [c, s]) in bars.iter_mut().zip(&turns) {
                    if (x * c + y * s).abs() > HALF_LENGTH_MM {
                        continue;
                    }
                    let across = y * c - x * s;
                    let which = if across.abs() <= HALF_WIDTH_MM {
                        0
                    } else if (BESIDE_MM[0]..=BESIDE_MM[1]).contains(&across) {
                        1
                    } else if (BESIDE_MM[0]..=BESIDE_MM[1]).contains(&-across) {
                        2
                    } else {
                        continue;
                    };
                    bar[which].0 += own;
                    bar[which].1 += 1.0;
                }
            });
            bars.iter()
                .map(|[middle, left, right]| {
                    if middle.1 < FEWEST {
                        return 0.0;
                    }
                    // At the rim of a scan a side is missing; then the other one tells.
                    let mean = |bar: &(f64, f64)| if bar.1 < FEWEST { 0.0 } else { bar.0 / bar.1 };
                    mean(middle) - mean(left).max(mean(right))
                })
                .fold(0.0, f64::max)
        })
        .collect()
}

/// Two unit vectors square to a normal of any length and to each other.
pub(super) fn tangents(normal: &Vector3) -> Option<(Vector3, Vector3)> {
    let n = normal.try_normalize(1e-12)?;
    let other = if n.x.abs() < 0.6 {
        Vector3::x()
    } else {
        Vector3::y()
    };
    let u = n.cross(&other).normalize();
    Some((u, n.cross(&u)))
}
