//! A coarse copy of a patch: same shape, far fewer triangles, for searches that lay it flat many
//! times.
//!
//! # Method
//! Boundary loops are walked in equal steps. Inside, vertices of the patch are taken in a scattered
//! order and kept when no kept one is nearer than the step (dart throwing; Cook 1986, Stochastic
//! sampling in computer graphics, ACM TOG 5(1), section 4). They are joined by the constrained
//! Delaunay triangulation of the patch's conformal map: a conformal map keeps circles, so a triangle
//! that is Delaunay there is near Delaunay on the head.
//!
//! All inner vertices lie on the patch and all boundary ones on its edges. Boundary loops come out
//! shorter by the chords, about (step/R)²/24 of their length: 0.03 % at 8 mm on a head.

use std::cell::OnceCell;

use crate::{
    Point2,
    flat::{
        conformal::{Method, flatten_patch},
        sampling::{Sample, scatter, triangulate},
    },
    mesh::{NONE, TriMesh, index},
};

use super::{OpeningNumbers, Patch};

/// Boundary vertices from which the pin-free map's dense block on them takes longer than all else.
const LONG_BOUNDARY: usize = 800;

/// Makes coarse copies of a patch, of one conformal map: on a dense scan the map takes longer than all copies.
#[derive(Debug)]
pub struct Coarsener<'a> {
    patch: &'a Patch,
    /// The patch in the plane and its inner vertices in a scattered order, made when first asked for;
    /// none where the map overlaps.
    plan: OnceCell<Option<Plan>>,
}

#[derive(Debug)]
struct Plan {
    uv: Vec<Point2>,
    order: Vec<u32>,
}

impl<'a> Coarsener<'a> {
    /// Of a patch; cheap as long as no copy is asked for.
    #[must_use]
    pub fn new(patch: &'a Patch) -> Self {
        Self {
            patch,
            plan: OnceCell::new(),
        }
    }

    /// Whether the patch is finer than a copy with triangles of about `step_mm` side.
    pub(crate) fn thins(&self, step_mm: f64) -> bool {
        let mesh = &self.patch.mesh;
        let wanted = 2.3 * mesh.area() / (step_mm * step_mm);
        mesh.face_count() as f64 >= 1.5 * wanted
    }

    /// A copy with triangles of about `step_mm` side, or `None` when the patch is already that coarse,
    /// or its conformal map overlaps so that it can't be triangulated in the plane.
    #[must_use]
    pub fn copy(&self, step_mm: f64) -> Option<Patch> {
        if !self.thins(step_mm) {
            return None;
        }
        let mesh = &self.patch.mesh;
        let Plan { uv, order } = self.plan.get_or_init(|| self.plan()).as_ref()?;
        let mut samples: Vec<Sample> = Vec::new();
        let mut rings: Vec<Vec<usize>> = Vec::new();
        let mut edges = Vec::new();
        for ring in std::iter::once(&self.patch.perimeter).chain(&self.patch.openings) {
            let first = samples.len();
            edges.push(walk(mesh, uv, ring, step_mm, &mut samples));
            rings.push((first..samples.len()).collect());
        }
        let inner = scatter(mesh, &samples, step_mm, order.iter().copied());
        samples.extend(inner.iter().map(|&v| (mesh.position(v), uv[v as usize])));
        let faces = triangulate(&samples, &rings)?;
        self.patch.with_surface(&samples, &faces, &rings, &edges[0])
    }

    /// The pin-free map; with a long boundary the boundary-first one, which takes a third of the time then, unless it
    /// lies on itself.
    fn plan(&self) -> Option<Plan> {
        let laid = |method: Method| {
            let map = flatten_patch(&self.patch.mesh, &method.into()).ok()?;
            (map.report.flipped == 0).then_some(map)
        };
        let first = if self.patch.perimeter.len() > LONG_BOUNDARY {
            laid(Method::BoundaryFirst).filter(|map| map.report.overlaps == 0)
        } else {
            None
        };
        let map = first.or_else(|| laid(Method::PinFree))?;
        Some(Plan {
            uv: map.uv,
            order: scattered(self.patch),
        })
    }
}

impl Patch {
    /// The triangles as a patch with the landmarks of this one; `edges` are the perimeter edges here
    /// that the new perimeter's vertices lie on.
    fn with_surface(
        &self,
        samples: &[Sample],
        faces: &[[u32; 3]],
        rings: &[Vec<usize>],
        edges: &[usize],
    ) -> Option<Patch> {
        let mut used = vec![false; samples.len()];
        faces
            .iter()
            .flatten()
            .for_each(|&v| used[v as usize] = true);
        let mut renamed = vec![NONE; samples.len()];
        let mut positions = Vec::with_capacity(samples.len());
        for (old, sample) in samples.iter().enumerate().filter(|&(old, _)| used[old]) {
            renamed[old] = index(positions.len());
            positions.push(sample.0);
        }
        let ring = |r: &Vec<usize>| r.iter().map(|&v| renamed[v]).collect::<Vec<u32>>();
        let mut rings = rings.iter().map(ring);
        let perimeter = rings.next()?;
        let openings: Vec<Vec<u32>> = rings.collect();
        if perimeter
            .iter()
            .chain(openings.iter().flatten())
            .any(|&v| v == NONE)
        {
            return None;
        }
        let faces = faces
            .iter()
            .map(|f| f.map(|v| renamed[v as usize]))
            .collect();
        let mesh = TriMesh::new(positions, faces).ok()?;
        if mesh.euler_characteristic() != self.mesh.euler_characteristic() {
            return None;
        }
        Some(Patch {
            mesh,
            perimeter,
            openings,
            zones: edges.iter().map(|&k| self.zones[k]).collect(),
            head: self.head,
            keep_clear: self.keep_clear.clone(),
            numbers: OpeningNumbers {
                along_perimeter: edges.iter().map(|&k| self.opening_along(k)).collect(),
                of_loops: self.numbers.of_loops.clone(),
            },
            face_source: Vec::new(),
        })
    }
}

/// Points in equal steps along a boundary loop, starting at its first vertex.
/// Returns the ring's edge that each point lies on.
fn walk(
    mesh: &TriMesh,
    uv: &[Point2],
    ring: &[u32],
    step_mm: f64,
    samples: &mut Vec<Sample>,
) -> Vec<usize> {
    let length_of = |i: usize| {
        let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
        nalgebra::distance(&mesh.position(a), &mesh.position(b))
    };
    let total: f64 = (0..ring.len()).map(length_of).sum();
    let count = ((total / step_mm).round() as usize).max(8);
    let (mut edge, mut before) = (0, 0.0);
    let mut edges = Vec::with_capacity(count);
    for k in 0..count {
        let wanted = total * k as f64 / count as f64;
        while edge + 1 < ring.len() && before + length_of(edge) <= wanted {
            before += length_of(edge);
            edge += 1;
        }
        let t = ((wanted - before) / length_of(edge)).clamp(0.0, 1.0);
        edges.push(edge);
        let (a, b) = (ring[edge], ring[(edge + 1) % ring.len()]);
        samples.push((
            mesh.position(a) + t * (mesh.position(b) - mesh.position(a)),
            uv[a as usize] + t * (uv[b as usize] - uv[a as usize]),
        ));
    }
    edges
}

/// Inner vertices in a scattered order that a turned head shares and its mirror image too.
fn scattered(patch: &Patch) -> Vec<u32> {
    let mesh = &patch.mesh;
    let mut order: Vec<(u64, u32)> = (0..index(mesh.vertex_count()))
        .filter(|&v| !mesh.on_boundary(v) && mesh.outgoing(v) != NONE)
        .map(|v| (lot(patch.head.in_axes(mesh.position(v))), v))
        .collect();
    order.sort_unstable();
    order.into_iter().map(|(_, v)| v).collect()
}

/// A number drawn for a place in head axes, the same for its mirror image.
fn lot([x, y, z]: [f64; 3]) -> u64 {
    [x.abs(), y, z].iter().fold(0, |mixed: u64, c| {
        let hundredths = (100.0 * c).round() as i64;
        // The golden ratio as a fraction of 2⁶⁴ (Knuth, The Art of Computer Programming 3, section 6.4).
        let mixed = (mixed ^ hundredths.cast_unsigned()).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        mixed ^ (mixed >> 29)
    })
}
