//! The painted surface, fine enough to see a pen line on.
//!
//! In: a mold and its paint. Out: the same surface cut into triangles with edges of about a
//! millimetre, and one colour a vertex. Edges that are too long are halved, all at once and again,
//! so that neighbours always agree; a mesh that is fine already is left as it is.
//!
//! Colour is read in linear light (IEC 61966-2-1), because means of sRGB values are too dark.

use std::collections::HashMap;

use rayon::prelude::*;

use crate::{
    Point3,
    mesh::{CleanMesh, MeshError, TriMesh, index},
    scan::Paint,
};

/// Longest edge of the fine surface, mm: a pen line is 1.5 to 4 mm wide.
const LONGEST_MM: f64 = 1.1;

/// Most vertices wanted; a surface that would need more gets longer edges.
const MOST_VERTICES: f64 = 1.5e6;

/// Edges are halved this often at most: from 100 mm to 0.8 mm, and some more for slivers.
const MOST_ROUNDS: usize = 10;

/// The fine surface with a colour at each vertex.
#[derive(Debug, Clone)]
pub struct Canvas {
    /// The surface; the mold's own vertices come first.
    pub mesh: TriMesh,
    /// Linear red, green and blue of each vertex, 0 to 1.
    pub colours: Vec<[f32; 3]>,
}

/// A fine face: its corners, and where they lie in the mold's face.
#[derive(Debug, Clone, Copy)]
struct Fine {
    corners: [u32; 3],
    parent: u32,
    bary: [[f32; 3]; 3],
}

impl Canvas {
    /// Refines and colours a mold; none when it has no paint.
    ///
    /// # Errors
    /// [`MeshError`] when halving edges leaves a surface that is none, which is our mistake.
    pub fn new(mold: &CleanMesh) -> Result<Option<Self>, MeshError> {
        let Some(paint) = &mold.paint else {
            return Ok(None);
        };
        // Halved edges end up at about three quarters of the longest.
        let per_vertex = 0.45;
        let longest = LONGEST_MM.max((mold.mesh.area() / (per_vertex * MOST_VERTICES)).sqrt());
        let (positions, faces) = refine(&mold.mesh, longest);
        let colours = colours(mold, paint, &faces, positions.len());
        let corners = faces.into_iter().map(|face| face.corners).collect();
        let mesh = TriMesh::new(positions, corners)?;
        Ok(Some(Self { mesh, colours }))
    }

    /// Colour of a vertex as sRGB bytes, for pictures.
    #[must_use]
    pub fn srgb(&self, vertex: u32) -> [u8; 3] {
        self.colours[vertex as usize].map(|c| {
            let c = f64::from(c.clamp(0.0, 1.0));
            let encoded = if c <= 0.003_130_8 {
                12.92 * c
            } else {
                1.055 * c.powf(1.0 / 2.4) - 0.055
            };
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to a byte"
            )]
            let byte = (255.0 * encoded).round() as u8;
            byte
        })
    }
}

/// Halves every edge longer than `longest` until none is left or the rounds are over.
fn refine(mesh: &TriMesh, longest: f64) -> (Vec<Point3>, Vec<Fine>) {
    let mut positions = mesh.positions().to_vec();
    let unit = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    let mut faces: Vec<Fine> = mesh
        .faces()
        .iter()
        .enumerate()
        .map(|(parent, &corners)| Fine {
            corners,
            parent: index(parent),
            bary: unit,
        })
        .collect();
    for _ in 0..MOST_ROUNDS {
        let mut middles: HashMap<(u32, u32), u32> = HashMap::new();
        let mut finer = Vec::with_capacity(faces.len());
        for face in &faces {
            let split = [0, 1, 2].map(|k| {
                let (a, b) = (face.corners[k], face.corners[(k + 1) % 3]);
                let (p, q) = (positions[a as usize], positions[b as usize]);
                ((q - p).norm() > longest).then(|| {
                    *middles.entry((a.min(b), a.max(b))).or_insert_with(|| {
                        positions.push(nalgebra::center(&p, &q));
                        index(positions.len() - 1)
                    })
                })
            });
            face.halved(split, &positions, &mut finer);
        }
        let done = finer.len() == faces.len();
        faces = finer;
        if done {
            break;
        }
    }
    (positions, faces)
}

impl Fine {
    /// The parts of a face whose edges k → k + 1 have these middles.
    fn halved(&self, middles: [Option<u32>; 3], positions: &[Point3], out: &mut Vec<Self>) {
        // Corners and middles round the face, each with its place in the parent.
        let mut ring: Vec<(u32, [f32; 3])> = Vec::with_capacity(6);
        for (k, middle) in middles.iter().enumerate() {
            ring.push((self.corners[k], self.bary[k]));
            if let Some(middle) = *middle {
                let (a, b) = (self.bary[k], self.bary[(k + 1) % 3]);
                ring.push((middle, std::array::from_fn(|i| 0.5 * (a[i] + b[i]))));
            }
        }
        let mut push = |ids: [usize; 3]| {
            out.push(Self {
                corners: ids.map(|i| ring[i].0),
                parent: self.parent,
                bary: ids.map(|i| ring[i].1),
            });
        };
        let gap = |i: usize, j: usize| {
            (positions[ring[i].0 as usize] - positions[ring[j].0 as usize]).norm_squared()
        };
        match (ring.len(), middles) {
            (3, _) => push([0, 1, 2]),
            (6, _) => {
                for ids in [[0, 1, 5], [1, 2, 3], [3, 4, 5], [1, 3, 5]] {
                    push(ids);
                }
            }
            (4, _) => {
                // The middle sees the corner across.
                let m = middles.iter().position(Option::is_some).unwrap_or(0) + 1;
                push([m, (m + 1) % 4, (m + 2) % 4]);
                push([m, (m + 2) % 4, (m + 3) % 4]);
            }
            _ => {
                // Two middles: cut off the corner between them, then the shorter diagonal.
                let whole = middles.iter().position(Option::is_none).unwrap_or(0);
                // Ring position of the corner before the whole edge; the next one ends that edge.
                let a = middles[..whole].iter().flatten().count() + whole;
                let [b, m, c, n] = [1, 2, 3, 4].map(|k| (a + k) % 5);
                push([m, c, n]);
                if gap(a, m) < gap(b, n) {
                    push([a, b, m]);
                    push([a, m, n]);
                } else {
                    push([a, b, n]);
                    push([b, m, n]);
                }
            }
        }
    }
}

/// Weight of the near corner where a face's colour is read for it.
const NEAR: f32 = 0.6;

/// A colour for each fine vertex.
fn colours(mold: &CleanMesh, paint: &Paint, faces: &[Fine], count: usize) -> Vec<[f32; 3]> {
    let linear: Vec<f32> = (0..=255_u8).map(linear_from_srgb).collect();
    let rgb = |bytes: [u8; 3]| bytes.map(|b| linear[usize::from(b)]);
    let read = |face: &Fine, bary: [f32; 3]| -> [f32; 3] {
        let parent = face.parent as usize;
        match paint {
            Paint::Vertex(list) => {
                let own = mold.mesh.faces()[parent].map(|v| rgb(list[v as usize]));
                std::array::from_fn(|i| (0..3).map(|k| bary[k] * own[k][i]).sum())
            }
            Paint::Texture { corners, image } => {
                let uv: [f32; 2] =
                    std::array::from_fn(|i| (0..3).map(|k| bary[k] * corners[parent][k][i]).sum());
                let pixel = |share: f32, size: u32| {
                    #[allow(
                        clippy::cast_possible_truncation,
                        clippy::cast_sign_loss,
                        clippy::cast_precision_loss,
                        reason = "clamped to the picture"
                    )]
                    let at = (share * size as f32).clamp(0.0, size as f32 - 1.0) as u32;
                    at.min(size - 1)
                };
                let (x, y) = (
                    pixel(uv[0], image.width()),
                    pixel(1.0 - uv[1], image.height()),
                );
                rgb(image.get_pixel(x, y).0)
            }
        }
    };
    let near = match paint {
        Paint::Vertex(_) => 1.0,
        Paint::Texture { .. } => NEAR,
    };
    let samples: Vec<[[f32; 3]; 3]> = faces
        .par_iter()
        .map(|face| {
            [0, 1, 2].map(|k| {
                let far = 0.5 * (1.0 - near);
                let weight = |j: usize| if j == k { near } else { far };
                let bary =
                    std::array::from_fn(|i| (0..3).map(|j| weight(j) * face.bary[j][i]).sum());
                read(face, bary)
            })
        })
        .collect();
    let mut sums = vec![([0.0_f32; 3], 0.0_f32); count];
    for (face, sample) in faces.iter().zip(&samples) {
        for (&v, colour) in face.corners.iter().zip(sample) {
            let sum = &mut sums[v as usize];
            for (s, c) in sum.0.iter_mut().zip(colour) {
                *s += c;
            }
            sum.1 += 1.0;
        }
    }
    sums.iter()
        .map(|(sum, count)| sum.map(|c| c / count.max(1.0)))
        .collect()
}

/// Linear value of an sRGB one (IEC 61966-2-1).
fn linear_from_srgb(byte: u8) -> f32 {
    let c = f32::from(byte) / 255.0;
    if c <= 0.040_45 {
        c / 12.92
    } else {
        ((c + 0.055) / 1.055).powf(2.4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halving_keeps_the_surface_whole_and_its_colours_where_they_were() {
        let (positions, faces) = fixtures::icosphere(40.0, 2);
        let positions: Vec<Point3> = positions.into_iter().map(Point3::from).collect();
        let paint = positions
            .iter()
            .map(|p| if p.z > 0.0 { [255; 3] } else { [0; 3] })
            .collect();
        let mesh = TriMesh::new(positions, faces).unwrap();
        let area = mesh.area();
        let mold = CleanMesh {
            mesh,
            paint: Some(Paint::Vertex(paint)),
        };
        let canvas = Canvas::new(&mold).unwrap().unwrap();
        assert_eq!(canvas.mesh.euler_characteristic(), 2);
        assert!((canvas.mesh.area() - area).abs() < 1e-6 * area);
        let mesh = &canvas.mesh;
        for h in 0..index(3 * mesh.face_count()) {
            let edge = mesh.position(mesh.head(h)) - mesh.position(mesh.tail(h));
            assert!(edge.norm() <= LONGEST_MM);
        }
        for (v, p) in mesh.positions().iter().enumerate() {
            if p.z.abs() > 15.0 {
                let wanted = if p.z > 0.0 { 1.0 } else { 0.0 };
                assert!((canvas.colours[v][1] - wanted).abs() < 1e-6, "{p}");
            }
        }
    }
}
