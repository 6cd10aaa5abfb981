//! Lines drawn into a mesh, so that they run along its edges.
//!
//! In: a mesh and lines over it (neighbouring points share a face). Out: the same surface with the
//! lines' points as vertices and the lines as edges; crossings of lines are vertices too.
//!
//! # Method
//! Every point becomes a node on a vertex, an edge or a face; both faces of an edge see the same
//! nodes. A face that is touched is laid in the plane, its lines are split where they meet, and it is
//! triangulated anew by constrained Delaunay triangulation (crate `spade`; Chew 1989, "Constrained
//! Delaunay triangulations", Algorithmica 4). The triangulation works in corner weights, where the
//! nodes of a side are collinear to the last bit, so neither slivers nor gaps appear along the sides;
//! Lawson flips in the face's true metric follow. Faces that no line touches keep their number.
//!
//! The surface does not move: area is conserved to round-off. Lines move by at most [`SNAP_MM`] a
//! point. Cost: the faces touched, and one pass to find neighbours in the new mesh.

mod cell;
mod nodes;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::Point3;

use super::{MeshError, NONE, SurfacePoint, TriMesh, index, surface::common_face};

use cell::divide;
use nodes::Nodes;

/// A point nearer than this to a vertex, an edge or another point is moved onto it, mm. A twentieth
/// of the width of a pen line; without it needles appear that no map can lay flat.
pub const SNAP_MM: f64 = 0.05;

/// …but by no more than this fraction of the edge's length or the face's height, so that lines over
/// very fine meshes keep their course.
pub const SNAP_FRACTION: f64 = 0.05;

/// A mesh with lines drawn into it.
#[derive(Debug, Clone)]
pub struct Imprint {
    /// The surface; vertices and faces of the old one keep their number, those of divided faces
    /// excepted.
    pub mesh: TriMesh,
    /// Vertices of each line; neighbours are joined by an edge. A closed line does not repeat its
    /// first vertex.
    pub paths: Vec<Vec<u32>>,
    /// Face of the old mesh that each face lies in.
    pub face_source: Vec<u32>,
    /// Where on the old mesh the added vertices lie; the first of them has the old number of
    /// vertices.
    pub added: Vec<SurfacePoint>,
}

/// A line to draw.
#[derive(Debug, Clone)]
pub struct Line {
    /// Points; neighbours share a face.
    pub points: Vec<SurfacePoint>,
    /// Whether the last point is joined to the first.
    pub closed: bool,
}

/// Why lines can't be drawn into a mesh.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ImprintError {
    /// Two neighbouring points of a line share no face.
    #[error("two neighbouring points of a line at {place:.1} share no triangle")]
    Gap {
        /// The first of them.
        place: Point3,
    },
    /// Lines run so close together that they can't be told apart.
    #[error("lines run too close together at {place:.1}")]
    TooClose {
        /// Near there.
        place: Point3,
    },
    /// The result is not a surface.
    #[error(transparent)]
    Mesh(#[from] MeshError),
}

/// Draws lines into a mesh.
///
/// # Errors
/// [`ImprintError::Gap`] when a line leaves the surface between two points,
/// [`ImprintError::TooClose`] when lines can't be told apart at working precision.
pub fn imprint(mesh: &TriMesh, lines: &[Line]) -> Result<Imprint, ImprintError> {
    let mut nodes = Nodes::new(mesh);
    let located: Vec<Vec<u32>> = lines.iter().map(|line| nodes.locate(line)).collect();

    // Steps of the lines, gathered by the face they cross; steps along an edge need no face.
    let mut in_face: BTreeMap<u32, Vec<Step>> = BTreeMap::new();
    let mut chains: Vec<Vec<Vec<u32>>> = Vec::with_capacity(lines.len());
    for (number, (line, at)) in lines.iter().zip(&located).enumerate() {
        let steps = steps(at, line.closed);
        let mut chain = Vec::with_capacity(steps.len());
        for (place, &[a, b]) in steps.iter().enumerate() {
            if let Some(along) = nodes.along_edge(a, b) {
                chain.push(along);
                continue;
            }
            let face = common_face(mesh, nodes.place(a), nodes.place(b)).ok_or_else(|| {
                ImprintError::Gap {
                    place: nodes.position(a),
                }
            })?;
            chain.push(Vec::new());
            in_face.entry(face).or_default().push(Step {
                line: number,
                place,
                nodes: vec![a, b],
            });
        }
        chains.push(chain);
    }

    let mut touched: BTreeMap<u32, Vec<Step>> = in_face;
    for &h in nodes.on_edges.keys() {
        touched.entry(h / 3).or_default();
        if mesh.twin(h) != NONE {
            touched.entry(mesh.twin(h) / 3).or_default();
        }
    }
    for &face in nodes.in_faces.keys() {
        touched.entry(face).or_default();
    }

    let mut faces = mesh.faces().to_vec();
    let mut face_source: Vec<u32> = (0..index(faces.len())).collect();
    for (face, mut steps) in touched {
        let parts = divide(&mut nodes, face, &mut steps)?;
        for (k, part) in parts.into_iter().enumerate() {
            if k == 0 {
                faces[face as usize] = part;
            } else {
                faces.push(part);
                face_source.push(face);
            }
        }
        for step in steps {
            chains[step.line][step.place] = step.nodes;
        }
    }
    let paths = chains
        .iter()
        .zip(&located)
        .zip(lines)
        .map(|((chain, at), line)| join(chain, at, line.closed))
        .collect();
    let mut positions = mesh.positions().to_vec();
    positions.extend(nodes.added.iter().map(|p| p.position(mesh)));
    Ok(Imprint {
        mesh: TriMesh::new(positions, faces)?,
        paths,
        face_source,
        added: nodes.added,
    })
}

/// Pairs of neighbouring nodes.
fn steps(at: &[u32], closed: bool) -> Vec<[u32; 2]> {
    let mut steps: Vec<[u32; 2]> = at.windows(2).map(|w| [w[0], w[1]]).collect();
    if closed && at.len() > 1 {
        steps.push([at[at.len() - 1], at[0]]);
    }
    steps
}

/// One list of vertices from the pieces of a line.
fn join(chain: &[Vec<u32>], at: &[u32], closed: bool) -> Vec<u32> {
    let Some(&first) = at.first() else {
        return Vec::new();
    };
    let mut path = vec![first];
    for piece in chain {
        path.extend(&piece[1..]);
    }
    if closed && path.len() > 1 {
        path.pop();
    }
    path
}

/// A line's way across one face.
struct Step {
    line: usize,
    place: usize,
    nodes: Vec<u32>,
}
