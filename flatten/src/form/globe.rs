//! A sphere of near-equal triangles, the same left and right.

use std::collections::BTreeMap;

use crate::{
    Vector3,
    mesh::{TriMesh, index},
};

/// Unit directions and faces of an icosahedron whose sides are divided `steps` times.
///
/// 20·steps² faces, counter-clockwise seen from outside; mirror-symmetric in x.
pub(super) fn globe(steps: usize) -> (Vec<Vector3>, Vec<[u32; 3]>) {
    let steps = steps.max(1);
    let (corners, sides) = icosahedron();
    let mut points: BTreeMap<[usize; 12], u32> = BTreeMap::new();
    let mut directions = Vec::new();
    let mut faces = Vec::with_capacity(20 * steps * steps);
    for side in sides {
        // a grid point is known by its weights on the twelve corners, so shared edges weld exactly
        let mut at = |i: usize, j: usize| {
            let mut weights = [0; 12];
            let parts = [steps - i - j, i, j];
            let mut sum = Vector3::zeros();
            for (corner, part) in side.iter().zip(parts) {
                weights[*corner] = part;
                sum += corners[*corner] * part as f64;
            }
            *points.entry(weights).or_insert_with(|| {
                directions.push(sum.normalize());
                index(directions.len() - 1)
            })
        };
        for i in 0..steps {
            for j in 0..(steps - i) {
                faces.push([at(i, j), at(i + 1, j), at(i, j + 1)]);
                if i + j + 2 <= steps {
                    faces.push([at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)]);
                }
            }
        }
    }
    (directions, faces)
}

/// Moves every direction towards the middle of its neighbours as `place` puts them, `rounds` times.
///
/// Evens out the triangles of the surface, not of the sphere.
pub(super) fn even_out(
    directions: &mut Vec<Vector3>,
    faces: &[[u32; 3]],
    rounds: usize,
    place: impl Fn(&Vector3) -> f64,
) {
    for _ in 0..rounds {
        let points: Vec<Vector3> = directions.iter().map(|d| d * place(d)).collect();
        let mut sums = vec![Vector3::zeros(); points.len()];
        let mut counts = vec![0.0; points.len()];
        for face in faces {
            for k in 0..3 {
                let (from, to) = (face[k] as usize, face[(k + 1) % 3] as usize);
                sums[from] += points[to];
                counts[from] += 1.0;
            }
        }
        *directions = (0..points.len())
            .map(|v| (sums[v] / counts[v]).normalize())
            .collect();
    }
}

/// Corners and sides of a regular icosahedron, two opposite edges across x = 0.
fn icosahedron() -> ([Vector3; 12], [[usize; 3]; 20]) {
    let g = f64::midpoint(1.0, 5.0_f64.sqrt());
    let corner = |x: f64, y: f64, z: f64| Vector3::new(x, y, z);
    let corners = [
        corner(-1.0, g, 0.0),
        corner(1.0, g, 0.0),
        corner(-1.0, -g, 0.0),
        corner(1.0, -g, 0.0),
        corner(0.0, -1.0, g),
        corner(0.0, 1.0, g),
        corner(0.0, -1.0, -g),
        corner(0.0, 1.0, -g),
        corner(g, 0.0, -1.0),
        corner(g, 0.0, 1.0),
        corner(-g, 0.0, -1.0),
        corner(-g, 0.0, 1.0),
    ];
    let mut sides = [[0; 3]; 20];
    let mut count = 0;
    // neighbours are 2 apart; every triple of mutual neighbours is a side
    let near = |a: usize, b: usize| ((corners[a] - corners[b]) as Vector3).norm() < 2.1;
    for a in 0..12 {
        for b in (a + 1)..12 {
            for c in (b + 1)..12 {
                if near(a, b) && near(b, c) && near(c, a) {
                    let outward = corners[a].dot(&corners[b].cross(&corners[c])) > 0.0;
                    sides[count] = if outward { [a, b, c] } else { [a, c, b] };
                    count += 1;
                }
            }
        }
    }
    (corners, sides)
}

/// A mesh from directions and radii.
pub(super) fn mesh_of(
    directions: &[Vector3],
    faces: Vec<[u32; 3]>,
    radius: impl Fn(&Vector3) -> f64,
) -> TriMesh {
    let positions = directions
        .iter()
        .map(|d| crate::Point3::from(d * radius(d)))
        .collect();
    TriMesh::new(positions, faces).expect("a divided icosahedron is a closed surface")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_globe_is_closed_and_even() {
        for steps in [1, 2, 7] {
            let (mut directions, faces) = globe(steps);
            assert_eq!(faces.len(), 20 * steps * steps);
            even_out(&mut directions, &faces, 8, |_| 1.0);
            let mesh = mesh_of(&directions, faces, |_| 1.0);
            assert_eq!(mesh.euler_characteristic(), 2);
            let areas: Vec<f64> = (0..index(mesh.face_count()))
                .map(|f| mesh.face_area(f))
                .collect();
            let (low, high) = areas
                .iter()
                .fold((f64::MAX, 0.0_f64), |(l, h), &a| (l.min(a), h.max(a)));
            assert!(high / low < 2.0, "{steps}: {low} {high}");
        }
    }
}
