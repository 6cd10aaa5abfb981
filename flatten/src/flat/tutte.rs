//! A map that can't flip: the start of last resort.
//!
//! In: a connected surface with at least one boundary. Out: its longest boundary on a circle, at
//! distances as on the head, and every other vertex in a weighted mean of its neighbours. With
//! positive weights no triangle turns over (Tutte 1963, "How to draw a graph"; Floater 1997,
//! 10.1016/S0167-8396(96)00031-3). Openings are spanned by a hub so that they stay open.
//!
//! Weights: cotangents, raised to a small positive share of the usual one where they are less.
//! The circle has the surface's area. Strain is large: a descent has to follow.

use crate::{
    Point2,
    mesh::{TriMesh, index},
    solve::{Cholesky, half_cotangents},
};

use super::FlatError;

/// Least weight of an edge. 1 belongs to a square's side.
const LEAST_WEIGHT: f64 = 0.05;
/// Greatest, so that needles do not decide alone.
const MOST_WEIGHT: f64 = 20.0;

/// Lays a surface on a disk.
pub(crate) fn onto_circle(mesh: &TriMesh) -> Result<Vec<Point2>, FlatError> {
    let loops = mesh.boundary_loops();
    let length = |ring: &[u32]| -> f64 { steps(mesh, ring).iter().sum() };
    let outer = (0..loops.len())
        .max_by(|&a, &b| {
            length(&loops[a])
                .total_cmp(&length(&loops[b]))
                .then(b.cmp(&a))
        })
        .ok_or(FlatError::Closed)?;
    let hubs: Vec<&Vec<u32>> = (0..loops.len())
        .filter(|&k| k != outer)
        .map(|k| &loops[k])
        .collect();
    let count = mesh.vertex_count();
    let mut place: Vec<Option<[f64; 2]>> = vec![None; count + hubs.len()];
    let radius = (mesh.area() / std::f64::consts::PI).sqrt();
    let (mut along, total) = (0.0, length(&loops[outer]));
    for (&vertex, step) in loops[outer].iter().zip(steps(mesh, &loops[outer])) {
        let (sin, cos) = (std::f64::consts::TAU * along / total).sin_cos();
        place[vertex as usize] = Some([radius * cos, radius * sin]);
        along += step;
    }
    let mut edges = surface_edges(mesh);
    let mut positions = mesh.positions().to_vec();
    for (hub, ring) in (count..).zip(&hubs) {
        edges.extend(ring.iter().map(|&v| (v, index(hub), 1.0)));
        positions.push(mesh.position(ring[0]));
    }
    let solved = solve(&place, &edges, &positions)?;
    Ok(solved[..count]
        .iter()
        .map(|p| Point2::new(p[0], p[1]))
        .collect())
}

fn steps(mesh: &TriMesh, ring: &[u32]) -> Vec<f64> {
    (0..ring.len())
        .map(|k| (mesh.position(ring[(k + 1) % ring.len()]) - mesh.position(ring[k])).norm())
        .collect()
}

/// Every edge once with its weight.
fn surface_edges(mesh: &TriMesh) -> Vec<(u32, u32, f64)> {
    let cotangents = half_cotangents(mesh);
    (0..index(3 * mesh.face_count()))
        .filter(|&h| mesh.twin(h) > h)
        .map(|h| {
            let twin = cotangents
                .get(mesh.twin(h) as usize)
                .copied()
                .unwrap_or(0.0);
            let weight = (cotangents[h as usize] + twin).clamp(LEAST_WEIGHT, MOST_WEIGHT);
            (mesh.tail(h), mesh.head(h), weight)
        })
        .collect()
}

/// Places every vertex without a place in the weighted mean of its neighbours.
fn solve(
    place: &[Option<[f64; 2]>],
    edges: &[(u32, u32, f64)],
    positions: &[crate::Point3],
) -> Result<Vec<[f64; 2]>, FlatError> {
    let free: Vec<usize> = (0..place.len()).filter(|&v| place[v].is_none()).collect();
    if free.is_empty() {
        return Ok(place.iter().flatten().copied().collect());
    }
    let mut row = vec![usize::MAX; place.len()];
    for (r, &v) in free.iter().enumerate() {
        row[v] = r;
    }
    let mut triplets = nalgebra_sparse::CooMatrix::new(free.len(), free.len());
    let mut rhs = vec![[0.0; 2]; free.len()];
    for &(a, b, weight) in edges {
        for (own, other) in [(a as usize, b as usize), (b as usize, a as usize)] {
            if place[own].is_some() {
                continue;
            }
            triplets.push(row[own], row[own], weight);
            match place[other] {
                Some(p) => {
                    rhs[row[own]][0] += weight * p[0];
                    rhs[row[own]][1] += weight * p[1];
                }
                None => triplets.push(row[own], row[other], -weight),
            }
        }
    }
    let matrix = nalgebra_sparse::CscMatrix::from(&triplets);
    let points: Vec<_> = free.iter().map(|&v| positions[v]).collect();
    Cholesky::new(&matrix, &points)?.solve_in_place(&mut rhs);
    let at = |v: usize| place[v].unwrap_or_else(|| rhs[row[v]]);
    Ok((0..place.len()).map(at).collect())
}
