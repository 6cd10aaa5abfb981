//! Small holes are filled along the curvature of what surrounds them.
//!
//! The rim is laid in its mean plane, filled with evenly spaced points, triangulated by Delaunay's rule with the rim kept (the
//! `spade` crate) and raised to the quadric that fits the rim and its neighbours best. A flat lid on a
//! 19 mm hole of a head would lie 0.5 mm too deep; the quadric is within a few hundredths.

use nalgebra::{DMatrix, DVector};
use spade::{ConstrainedDelaunayTriangulation, HasPosition, Point2 as Flat, Triangulation};

use crate::{
    Point2, Point3, Vector3,
    mesh::{NONE, TriMesh, index},
};

use super::{Draft, Mend, MendError, draft::Corners};

/// Most points set inside one hole.
const MOST_INSIDE: f64 = 4000.0;

/// Most vertices of a rim that is filled: the work is square in them.
const MOST_ON_RIM: usize = 1000;

/// Fills the holes whose rim is short enough; the checked mesh with them filled.
pub(super) fn fill(draft: &mut Draft, longest_mm: f64) -> Result<TriMesh, MendError> {
    let mesh = draft.checked()?;
    let mut rims: Vec<(f64, Vec<u32>)> = mesh
        .boundary_loops()
        .into_iter()
        .map(|rim| (length(&mesh, &rim), rim))
        .collect();
    // Longest first, so that reports name the longest; stable, so in mesh order among equals.
    rims.sort_by(|a, b| b.0.total_cmp(&a.0));
    let closed: Vec<Option<Lids>> = rims
        .iter()
        .map(|(_, rim)| Lids::new(&mesh, rim, longest_mm))
        .collect();
    if closed.iter().flatten().any(|lids| !lids.joined.is_empty()) {
        // Joining what touched may tangle what was parted for a reason; then those holes stay open.
        let before = draft.clone();
        if let Ok(filled) = add(draft, &mesh, &rims, &closed) {
            return Ok(filled.unwrap_or(mesh));
        }
        *draft = before;
    }
    let plain = closed.into_iter();
    let plain: Vec<Option<Lids>> = plain
        .map(|lids| lids.filter(|lids| lids.joined.is_empty()))
        .collect();
    let filled = add(draft, &mesh, &rims, &plain)?;
    Ok(filled.unwrap_or(mesh))
}

/// Closes rims; none where there is nothing to close.
fn add(
    draft: &mut Draft,
    mesh: &TriMesh,
    rims: &[(f64, Vec<u32>)],
    closed: &[Option<Lids>],
) -> Result<Option<TriMesh>, MendError> {
    let (mut filled, mut left) = (Vec::new(), Vec::new());
    for ((_, rim), lids) in rims.iter().zip(closed) {
        let place = mesh.position(rim[0]);
        match lids {
            Some(lids) => {
                filled.push(place);
                lids.add_to(draft, mesh);
            }
            None => left.push(place),
        }
    }
    if let Some(&place) = filled.first() {
        draft.note(Mend::HoleFilled, filled.len(), place);
    }
    // The longest rim is the mold's own.
    if let Some(&place) = left.get(1) {
        draft.note(Mend::HoleLeft, left.len() - 1, place);
    }
    if filled.is_empty() {
        return Ok(None);
    }
    draft.drop_unused();
    draft.checked().map(Some)
}

/// What closes one rim: a lid for each of the rings it falls into.
///
/// Where two holes touch in a point, parting the point has made one rim of them that passes its place twice.
/// There it is taken as two again, and the doubled vertices become one when both are closed.
struct Lids {
    lids: Vec<(Vec<u32>, Lid)>,
    /// Vertices and those in the same place that they become.
    joined: Vec<(u32, u32)>,
}

impl Lids {
    /// Nothing when a ring is too long or tangled.
    fn new(mesh: &TriMesh, rim: &[u32], longest_mm: f64) -> Option<Self> {
        let mut lids = Self {
            lids: Vec::new(),
            joined: Vec::new(),
        };
        if rim.len() > MOST_ON_RIM {
            return None;
        }
        let mut open: Vec<u32> = Vec::new();
        for &v in rim {
            let same = |&u: &u32| mesh.position(u) == mesh.position(v);
            match open.iter().position(same) {
                Some(at) => {
                    lids.joined.push((v, open[at]));
                    let ring = open.split_off(at);
                    open.push(ring[0]);
                    lids.close(mesh, ring, longest_mm)?;
                }
                None => open.push(v),
            }
        }
        lids.close(mesh, open, longest_mm)?;
        Some(lids)
    }

    fn close(&mut self, mesh: &TriMesh, ring: Vec<u32>, longest_mm: f64) -> Option<()> {
        if length(mesh, &ring) > longest_mm {
            return None;
        }
        // Two sides that lie on each other need no lid: joined, they are one edge.
        if ring.len() > 2 {
            let lid = Lid::new(mesh, &ring)?;
            self.lids.push((ring, lid));
        }
        Some(())
    }

    fn add_to(&self, draft: &mut Draft, mesh: &TriMesh) {
        for (ring, lid) in &self.lids {
            lid.add_to(draft, mesh, ring);
        }
        for &(gone, stays) in &self.joined {
            for h in mesh.fan(gone) {
                draft.faces[(h / 3) as usize][(h % 3) as usize] = stays;
            }
        }
    }
}

fn length(mesh: &TriMesh, rim: &[u32]) -> f64 {
    let at = |k: usize| mesh.position(rim[k % rim.len()]);
    (0..rim.len()).map(|k| (at(k + 1) - at(k)).norm()).sum()
}

/// The surface that closes a hole.
struct Lid {
    inside: Vec<Point3>,
    /// Corners below the rim's length are rim vertices in reverse order, others inside points.
    faces: Vec<[usize; 3]>,
}

#[derive(Clone, Copy)]
struct Numbered {
    at: Flat<f64>,
    number: usize,
}

impl HasPosition for Numbered {
    type Scalar = f64;
    fn position(&self) -> Flat<f64> {
        self.at
    }
}

impl Lid {
    /// Nothing when the rim is tangled.
    fn new(mesh: &TriMesh, rim: &[u32]) -> Option<Self> {
        // The surface is on the left of the rim, so backwards it runs round the lid seen from outside.
        let ring: Vec<u32> = rim.iter().rev().copied().collect();
        if ring.len() == 3 {
            let lid = Self {
                inside: Vec::new(),
                faces: vec![[0, 1, 2]],
            };
            return Some(lid);
        }
        let points: Vec<Point3> = ring.iter().map(|&v| mesh.position(v)).collect();
        let frame = Frame::new(&points)?;
        let flat: Vec<Point2> = points.iter().map(|p| frame.flat(p)).collect();
        let quadric = Quadric::fit(mesh, &ring, &frame);
        let inside = points_inside(&flat);
        let heights = |p: &Point2| {
            let rest = flat.iter().zip(&points).map(|(q, point)| {
                (
                    1.0 / (p - q).norm_squared().max(f64::MIN_POSITIVE),
                    frame.height(point) - quadric.at(q),
                )
            });
            let (weights, rest) = rest.fold((0.0, 0.0), |(w, r), (weight, rest)| {
                (w + weight, r + weight * rest)
            });
            quadric.at(p) + rest / weights
        };
        let raised = inside
            .iter()
            .map(|p| frame.point(p, heights(p)))
            .collect::<Vec<_>>();
        let faces = triangulate(&flat, &inside)?;
        let lid = Self {
            inside: raised,
            faces,
        };
        lid.fits(mesh, &ring).then_some(lid)
    }

    /// Whether no chord between rim vertices is already an edge of the mesh.
    fn fits(&self, mesh: &TriMesh, ring: &[u32]) -> bool {
        let n = ring.len();
        self.faces.iter().all(|face| {
            (0..3).all(|k| {
                let (a, b) = (face[k], face[(k + 1) % 3]);
                if a >= n || b >= n || (a + 1) % n == b {
                    return true;
                }
                let joined = |a: u32, b: u32| mesh.fan(a).any(|h| mesh.head(h) == b);
                !joined(ring[a], ring[b]) && !joined(ring[b], ring[a])
            })
        })
    }

    fn add_to(&self, draft: &mut Draft, mesh: &TriMesh, rim: &[u32]) {
        let n = rim.len();
        let first = draft.positions.len();
        draft.positions.extend_from_slice(&self.inside);
        if let Some(colours) = &mut draft.colours {
            let ring: Vec<_> = rim
                .iter()
                .map(|&v| (mesh.position(v), colours[v as usize]))
                .collect();
            colours.extend(self.inside.iter().map(|p| nearest(p, &ring)));
        }
        let vertex = |k: usize| {
            if k < n {
                rim[n - 1 - k]
            } else {
                index(first + k - n)
            }
        };
        let faces: Vec<[u32; 3]> = self.faces.iter().map(|face| face.map(vertex)).collect();
        if let Some(corners) = &mut draft.corners {
            let at = |v: u32| {
                let h = mesh.outgoing(v);
                corners[(h / 3) as usize][(h % 3) as usize]
            };
            // One colour a face: the lid may span charts that lie far apart on the picture.
            let ring: Vec<_> = rim.iter().map(|&v| (mesh.position(v), at(v))).collect();
            let middle = |face: &[u32; 3]| {
                let [a, b, c] = face.map(|v| draft.positions[v as usize].coords);
                Point3::from((a + b + c) / 3.0)
            };
            let new: Vec<Corners> = faces
                .iter()
                .map(|f| [nearest(&middle(f), &ring); 3])
                .collect();
            corners.extend(new);
        }
        draft.faces.extend(faces);
    }
}

fn nearest<T: Copy>(p: &Point3, among: &[(Point3, T)]) -> T {
    let distance = |q: &Point3| (q - p).norm_squared();
    let mut best = among[0];
    for &candidate in &among[1..] {
        if distance(&candidate.0) < distance(&best.0) {
            best = candidate;
        }
    }
    best.1
}

/// A plane with axes: the rim's mean plane.
struct Frame {
    centre: Point3,
    axes: [Vector3; 3],
}

impl Frame {
    fn new(ring: &[Point3]) -> Option<Self> {
        let centre = ring.iter().map(|p| p.coords).sum::<Vector3>() / ring.len() as f64;
        let normal: Vector3 = (0..ring.len())
            .map(|k| (ring[k].coords - centre).cross(&(ring[(k + 1) % ring.len()].coords - centre)))
            .sum();
        let normal = normal.try_normalize(f64::MIN_POSITIVE)?;
        let other = if normal.x.abs() < 0.6 {
            Vector3::x()
        } else {
            Vector3::y()
        };
        let across = normal.cross(&other).normalize();
        Some(Self {
            centre: centre.into(),
            axes: [across, normal.cross(&across), normal],
        })
    }

    fn flat(&self, p: &Point3) -> Point2 {
        let d = p - self.centre;
        Point2::new(d.dot(&self.axes[0]), d.dot(&self.axes[1]))
    }

    fn height(&self, p: &Point3) -> f64 {
        (p - self.centre).dot(&self.axes[2])
    }

    fn point(&self, flat: &Point2, height: f64) -> Point3 {
        self.centre + self.axes[0] * flat.x + self.axes[1] * flat.y + self.axes[2] * height
    }
}

/// Height over the rim's plane as a polynomial of second degree.
struct Quadric {
    coefficients: [f64; 6],
    size: f64,
}

impl Quadric {
    /// Fits the rim and two rows of neighbours by least squares; flat where that is not determined.
    fn fit(mesh: &TriMesh, ring: &[u32], frame: &Frame) -> Self {
        let mut near: Vec<u32> = ring.to_vec();
        for _ in 0..2 {
            let around: Vec<u32> = near
                .iter()
                .flat_map(|&v| mesh.fan(v).flat_map(|h| [mesh.head(h), mesh.apex(h)]))
                .collect();
            near.extend(around);
            near.sort_unstable();
            near.dedup();
        }
        let size = ring
            .iter()
            .map(|&v| frame.flat(&mesh.position(v)).coords.norm())
            .fold(f64::MIN_POSITIVE, f64::max);
        let rows: Vec<(Point2, f64)> = near
            .iter()
            .map(|&v| mesh.position(v))
            .map(|p| (frame.flat(&p), frame.height(&p)))
            .collect();
        let matrix = DMatrix::from_fn(rows.len(), 6, |row, k| terms(&(rows[row].0 / size))[k]);
        let right = DVector::from_iterator(rows.len(), rows.iter().map(|row| row.1));
        let solved = matrix.svd(true, true).solve(&right, 1e-6);
        let mut coefficients = [0.0; 6];
        if let Ok(solved) = solved
            && solved.iter().all(|c| c.is_finite())
        {
            coefficients.copy_from_slice(solved.as_slice());
        }
        Self { coefficients, size }
    }

    fn at(&self, p: &Point2) -> f64 {
        let terms = terms(&(p / self.size));
        terms
            .iter()
            .zip(self.coefficients)
            .map(|(t, c)| t * c)
            .sum()
    }
}

fn terms(p: &Point2) -> [f64; 6] {
    [1.0, p.x, p.y, p.x * p.x, p.x * p.y, p.y * p.y]
}

/// Points of a triangular grid inside a flat ring, spaced like its vertices and clear of it.
fn points_inside(ring: &[Point2]) -> Vec<Point2> {
    let n = ring.len();
    let side = |k: usize| (ring[k], ring[(k + 1) % n]);
    let (low, high) = ring.iter().fold((ring[0], ring[0]), |(low, high), p| {
        (low.inf(p), high.sup(p))
    });
    let extent = high - low;
    let mean = (0..n).map(|k| (side(k).1 - side(k).0).norm()).sum::<f64>() / n as f64;
    let step = mean
        .max((extent.x * extent.y / MOST_INSIDE).sqrt())
        .max(f64::MIN_POSITIVE);
    let row = step * 0.75_f64.sqrt();
    /// A point nearer to the rim than this share of a step would make slivers.
    const CLEAR: f64 = 0.6;
    let mut inside = Vec::new();
    let mut y = low.y + 0.5 * row;
    let mut odd = false;
    while y < high.y {
        let mut x = low.x + if odd { 0.5 * step } else { 0.0 };
        while x < high.x {
            let p = Point2::new(x, y);
            let clear = (0..n).all(|k| distance(&p, side(k)) > CLEAR * step);
            if clear && is_inside(&p, ring) {
                inside.push(p);
            }
            x += step;
        }
        y += row;
        odd = !odd;
    }
    inside
}

fn distance(p: &Point2, (a, b): (Point2, Point2)) -> f64 {
    let along = b - a;
    let t = ((p - a).dot(&along) / along.norm_squared().max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    (p - (a + along * t)).norm()
}

/// Even-odd rule.
fn is_inside(p: &Point2, ring: &[Point2]) -> bool {
    let mut inside = false;
    for k in 0..ring.len() {
        let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
        if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) {
            inside = !inside;
        }
    }
    inside
}

/// Delaunay triangles inside the ring; nothing when its plane picture crosses itself.
fn triangulate(ring: &[Point2], inside: &[Point2]) -> Option<Vec<[usize; 3]>> {
    let mut mesh = ConstrainedDelaunayTriangulation::<Numbered>::new();
    let mut handles = Vec::with_capacity(ring.len());
    for (number, p) in ring.iter().chain(inside).enumerate() {
        let at = Flat::new(p.x, p.y);
        let handle = mesh.insert(Numbered { at, number }).ok()?;
        if mesh.num_vertices() != number + 1 {
            return None;
        }
        if number < ring.len() {
            handles.push(handle);
        }
    }
    for k in 0..ring.len() {
        let (a, b) = (handles[k], handles[(k + 1) % ring.len()]);
        if !mesh.can_add_constraint(a, b) {
            return None;
        }
        mesh.add_constraint(a, b);
    }
    let mut faces = Vec::new();
    let (mut area, mut sides) = (0.0, vec![0_u8; ring.len()]);
    for face in mesh.inner_faces() {
        let corners = face.vertices().map(|v| v.data().number);
        let [a, b, c] = face
            .vertices()
            .map(|v| Point2::new(v.data().at.x, v.data().at.y));
        let middle = Point2::from((a.coords + b.coords + c.coords) / 3.0);
        if !is_inside(&middle, ring) {
            continue;
        }
        area += 0.5 * (b - a).perp(&(c - a));
        for k in 0..3 {
            let (from, to) = (corners[k], corners[(k + 1) % 3]);
            if from < ring.len() && to == (from + 1) % ring.len() {
                sides[from] += 1;
            }
        }
        faces.push(corners);
    }
    let whole: f64 = 0.5
        * (0..ring.len())
            .map(|k| ring[k].coords.perp(&ring[(k + 1) % ring.len()].coords))
            .sum::<f64>();
    let complete = sides.iter().all(|&n| n == 1) && (area - whole).abs() <= 1e-6 * whole.abs();
    (complete && !faces.is_empty() && mesh.num_vertices() < NONE as usize).then_some(faces)
}
