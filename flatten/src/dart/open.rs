//! Opening a surface along the cuts drawn into it.
//!
//! Round each vertex of a cut the faces fall into sectors between the cut edges; every sector gets a
//! vertex of its own. The point of a dart has one sector and stays whole, a mouth has two. Positions
//! are copied, so both sides of a cut are the same to the last bit.
//!
//! ```text
//!        edge ◀── mouth ◀── edge           left and right as seen from the mouth inward,
//!   · · · ·┬┬· · · ·                        from outside the head; each panel has its surface
//!     right ││ left   (drawn hanging        on the left of its loops
//!           \/         from the edge)
//!          point
//! ```

use std::collections::{BTreeMap, HashMap};

use crate::{
    mesh::{MeshError, NONE, TriMesh, index},
    patch::Patch,
};

use super::{CutName, EdgeKind, EdgeLoop, Panel, Side};

/// What the edges of a mesh with cuts drawn into it are.
pub(super) struct Cuts {
    /// Cut half-edges, both of each edge.
    inside: BTreeMap<u32, EdgeKind>,
    /// Whether a half-edge is cut.
    wall: Vec<bool>,
    /// Kind of the boundary edge that leaves a vertex.
    boundary: HashMap<u32, EdgeKind>,
    /// Vertices on cuts, in order.
    vertices: Vec<u32>,
}

impl Cuts {
    pub(super) fn new(
        patch: &Patch,
        mesh: &TriMesh,
        names: &[CutName],
        paths: &[Vec<u32>],
    ) -> Self {
        let mut inside = BTreeMap::new();
        let mut vertices = Vec::new();
        for (&name, path) in names.iter().zip(paths) {
            let kind = |side| match name {
                CutName::Dart(k) => EdgeKind::Dart(k, side),
                CutName::Seam(k) => EdgeKind::Seam(k, side),
            };
            vertices.extend(path);
            for w in path.windows(2) {
                // Inner edges have a half-edge leaving either end.
                if let Some(h) = mesh.fan(w[0]).find(|&h| mesh.head(h) == w[1]) {
                    inside.insert(h, kind(Side::Left));
                    if mesh.twin(h) != NONE {
                        inside.insert(mesh.twin(h), kind(Side::Right));
                    }
                }
            }
        }
        vertices.sort_unstable();
        vertices.dedup();
        let mut boundary = HashMap::new();
        let mut along = |ring: &[u32], kind: &dyn Fn(usize) -> EdgeKind| {
            for (k, &from) in ring.iter().enumerate() {
                let to = ring[(k + 1) % ring.len()];
                let mut v = from;
                // Mouths may have parted the edge.
                while v != to {
                    boundary.insert(v, kind(k));
                    v = mesh.head(mesh.outgoing(v));
                }
            }
        };
        along(&patch.perimeter, &|k| {
            patch
                .opening_along(k)
                .map_or(EdgeKind::Perimeter(patch.zones[k]), EdgeKind::Opening)
        });
        for (k, ring) in patch.openings.iter().enumerate() {
            along(ring, &|_| EdgeKind::Opening(patch.opening_number(k)));
        }
        let mut wall = vec![false; 3 * mesh.face_count()];
        for &h in inside.keys() {
            wall[h as usize] = true;
        }
        Self {
            inside,
            wall,
            boundary,
            vertices,
        }
    }

    fn kind(&self, mesh: &TriMesh, h: u32) -> Option<EdgeKind> {
        self.inside
            .get(&h)
            .or_else(|| self.boundary.get(&mesh.tail(h)))
            .copied()
    }
}

/// The connected parts of a mesh opened along its cuts, largest first; `start` is the vertex at
/// which a loop that has it begins.
pub(super) fn open(mesh: &TriMesh, cuts: &Cuts, start: u32) -> Result<Vec<Panel>, MeshError> {
    let mut faces = mesh.faces().to_vec();
    let mut origin: Vec<u32> = (0..index(mesh.vertex_count())).collect();
    for &v in &cuts.vertices {
        part_sectors(mesh, cuts, v, &mut faces, &mut origin);
    }
    let (part_of, count) = parts(mesh, cuts);
    let mut panels = Vec::with_capacity(count);
    for part in 0..index(count) {
        panels.push(panel(mesh, cuts, &faces, &origin, &part_of, part, start)?);
    }
    let mut sized: Vec<(f64, Panel)> = panels.into_iter().map(|p| (p.mesh.area(), p)).collect();
    sized.sort_by(|a, b| b.0.total_cmp(&a.0));
    Ok(sized.into_iter().map(|p| p.1).collect())
}

/// Gives every sector round a vertex, but the first, a vertex of its own.
fn part_sectors(
    mesh: &TriMesh,
    cuts: &Cuts,
    v: u32,
    faces: &mut [[u32; 3]],
    origin: &mut Vec<u32>,
) {
    let mut fan: Vec<u32> = mesh.fan(v).collect();
    let is_cut = |h: u32| cuts.wall[h as usize];
    if !mesh.on_boundary(v) {
        // An inner fan has no beginning: a cut is as good as any.
        let Some(first) = fan.iter().position(|&h| is_cut(h)) else {
            return;
        };
        fan.rotate_left(first);
    }
    let mut now = v;
    for (k, &h) in fan.iter().enumerate() {
        if k > 0 && is_cut(h) {
            now = index(origin.len());
            origin.push(v);
        }
        faces[(h / 3) as usize][(h % 3) as usize] = now;
    }
}

/// Part of every face, and how many parts there are.
fn parts(mesh: &TriMesh, cuts: &Cuts) -> (Vec<u32>, usize) {
    let mut part_of = vec![NONE; mesh.face_count()];
    let mut count = 0;
    let mut stack = Vec::new();
    for seed in 0..index(mesh.face_count()) {
        if part_of[seed as usize] != NONE {
            continue;
        }
        part_of[seed as usize] = count;
        stack.push(seed);
        while let Some(face) = stack.pop() {
            for h in 3 * face..3 * face + 3 {
                let twin = mesh.twin(h);
                if twin == NONE || part_of[(twin / 3) as usize] != NONE {
                    continue;
                }
                if !cuts.wall[h as usize] {
                    part_of[(twin / 3) as usize] = count;
                    stack.push(twin / 3);
                }
            }
        }
        count += 1;
    }
    (part_of, count as usize)
}

fn panel(
    mesh: &TriMesh,
    cuts: &Cuts,
    faces: &[[u32; 3]],
    origin: &[u32],
    part_of: &[u32],
    part: u32,
    start: u32,
) -> Result<Panel, MeshError> {
    let mut renamed = vec![NONE; origin.len()];
    let (mut positions, mut own_faces) = (Vec::new(), Vec::new());
    let (mut own_origin, mut face_of) = (Vec::new(), Vec::new());
    for (face, corners) in faces.iter().enumerate() {
        if part_of[face] != part {
            continue;
        }
        own_faces.push(corners.map(|v| {
            let v = v as usize;
            if renamed[v] == NONE {
                renamed[v] = index(positions.len());
                positions.push(mesh.position(origin[v]));
                own_origin.push(origin[v]);
            }
            renamed[v]
        }));
        face_of.push(index(face));
    }
    let opened = TriMesh::new(positions, own_faces)?;
    let mut loops: Vec<EdgeLoop> = opened
        .boundary_loops()
        .into_iter()
        .map(|mut ring| {
            let first = ring.iter().position(|&v| own_origin[v as usize] == start);
            ring.rotate_left(first.unwrap_or(0));
            let kinds = ring
                .iter()
                .filter_map(|&v| {
                    let h = opened.outgoing(v);
                    cuts.kind(mesh, 3 * face_of[(h / 3) as usize] + h % 3)
                })
                .collect();
            EdgeLoop {
                vertices: ring,
                kinds,
            }
        })
        .collect();
    let rank = |l: &EdgeLoop| {
        let outer = l.kinds.iter().any(|k| matches!(k, EdgeKind::Perimeter(_)));
        let length: f64 = (0..l.vertices.len())
            .map(|k| {
                let next = l.vertices[(k + 1) % l.vertices.len()];
                (opened.position(next) - opened.position(l.vertices[k])).norm()
            })
            .sum();
        (outer, length)
    };
    let mut ranked: Vec<((bool, f64), EdgeLoop)> = loops.drain(..).map(|l| (rank(&l), l)).collect();
    ranked.sort_by(|(a, _), (b, _)| b.0.cmp(&a.0).then(b.1.total_cmp(&a.1)));
    Ok(Panel {
        mesh: opened,
        origin: own_origin,
        loops: ranked.into_iter().map(|r| r.1).collect(),
    })
}
