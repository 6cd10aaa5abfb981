//! Cutting a layout into a patch.
//!
//! All cuts are drawn into the patch at once, exactly through its triangles; what meets shares a
//! vertex and is refused. Then the patch is opened along them (see `open`).
//!
//! The maker's layout is honoured as it stands or refused with the reason. Refused is what can't be
//! cut or sewn: cuts that meet, points at an edge, cuts through keep-clear places. What is merely
//! unusual is for the rules of the craft to say.

use std::collections::HashMap;

use crate::{
    Point3,
    mesh::{Line, SNAP_MM, SurfacePath, TriMesh, imprint},
    patch::Patch,
};

use super::{
    CutLine, CutName, CutPatch, Cutter, DartError, DartSpec, Layout,
    open::{Cuts, open},
};

/// Nearest a dart's point may come to an edge, mm: less can't be sewn (common practice, no source).
pub const POINT_TO_EDGE_MM: f64 = 3.0;

/// Cuts nearer than this to one another meet, mm.
const MEET_MM: f64 = 1.0;

/// Cuts a layout into a patch.
///
/// # Errors
/// [`DartError`] when a cut leaves the patch, meets another one, enters a keep-clear place, or its
/// point comes within 3 mm of an edge.
pub fn cut(patch: &Patch, layout: &Layout) -> Result<CutPatch, DartError> {
    Cutter::new(patch).cut(layout)
}

/// Darts evenly spread behind the front hairline; see [`Cutter::even`].
#[must_use]
pub fn even(patch: &Patch, n: usize) -> Layout {
    Cutter::new(patch).even(n)
}

impl Cutter<'_> {
    /// Cuts a layout into the patch.
    ///
    /// # Errors
    /// As [`cut`].
    pub fn cut(&self, layout: &Layout) -> Result<CutPatch, DartError> {
        self.along(layout, self.lines(layout)?)
    }

    /// The lines of a layout, darts first: what can be told of it without cutting.
    ///
    /// # Errors
    /// [`DartError`] when a line leaves the patch, enters a keep-clear place, or its point comes within
    /// 3 mm of an edge.
    pub(super) fn lines(&self, layout: &Layout) -> Result<Vec<SurfacePath>, DartError> {
        let darts = layout.darts.iter().enumerate();
        let darts = darts.map(|(k, spec)| self.dart_line(k, spec));
        let seams = layout.seams.iter().enumerate().map(|(k, spec)| {
            let path = self.seam_path(k, spec)?;
            self.keep_clear(CutName::Seam(k), &path)?;
            Ok(path)
        });
        darts.chain(seams).collect()
    }

    /// The line of one dart.
    ///
    /// # Errors
    /// As [`Self::lines`].
    pub(super) fn dart_line(&self, k: usize, spec: &DartSpec) -> Result<SurfacePath, DartError> {
        let name = CutName::Dart(k);
        let (_, path) = self.dart_path(k, spec)?;
        self.keep_clear(name, &path)?;
        self.point_clear_of_edges(name, &path)?;
        Ok(path)
    }

    /// Cuts a layout along its lines.
    pub(super) fn along(
        &self,
        layout: &Layout,
        lines: Vec<SurfacePath>,
    ) -> Result<CutPatch, DartError> {
        let patch = self.patch;
        let darts = (0..layout.darts.len()).map(CutName::Dart);
        let names: Vec<CutName> = darts
            .chain((0..layout.seams.len()).map(CutName::Seam))
            .collect();
        let lines: Vec<Line> = lines.into_iter().map(open_line).collect();
        let mut drawn = imprint(&patch.mesh, &lines)?;
        for (name, path) in names.iter().zip(&mut drawn.paths) {
            leave_edge_once(&drawn.mesh, path);
            if matches!(name, CutName::Seam(_)) {
                path.reverse();
                leave_edge_once(&drawn.mesh, path);
                path.reverse();
            }
        }
        refuse_meetings(&drawn.mesh, &names, &drawn.paths)?;
        let cuts = Cuts::new(patch, &drawn.mesh, &names, &drawn.paths);
        let panels = open(&drawn.mesh, &cuts, patch.perimeter[0])?;
        let mesh = drawn.mesh;
        let mut made = drawn.paths.into_iter().map(|path| CutLine {
            length_mm: path
                .windows(2)
                .map(|w| (mesh.position(w[1]) - mesh.position(w[0])).norm())
                .sum(),
            path,
        });
        let darts = made.by_ref().take(layout.darts.len()).collect();
        let seams = made.collect();
        Ok(CutPatch {
            mesh,
            darts,
            seams,
            panels,
        })
    }

    pub(super) fn keep_clear(&self, name: CutName, path: &SurfacePath) -> Result<(), DartError> {
        let mesh = &self.patch.mesh;
        for zone in &self.patch.keep_clear {
            let distance_mm = path
                .points
                .windows(2)
                .map(|w| to_segment(zone.centre, w[0].position(mesh), w[1].position(mesh)))
                .fold(f64::INFINITY, f64::min);
            if distance_mm < zone.radius_mm {
                return Err(DartError::KeepClear {
                    name,
                    reason: zone.reason.clone(),
                    distance_mm,
                    radius_mm: zone.radius_mm,
                });
            }
        }
        Ok(())
    }

    pub(super) fn point_clear_of_edges(
        &self,
        name: CutName,
        path: &SurfacePath,
    ) -> Result<(), DartError> {
        let mesh = &self.patch.mesh;
        let point = path.points[path.points.len() - 1].position(mesh);
        let distance_mm = self
            .edges()
            .map(|edge| edge.nearest(mesh, point).1)
            .fold(f64::INFINITY, f64::min);
        if distance_mm < POINT_TO_EDGE_MM {
            return Err(DartError::PointNearEdge {
                name,
                distance_mm,
                allowed_mm: POINT_TO_EDGE_MM,
            });
        }
        Ok(())
    }
}

fn open_line(path: SurfacePath) -> Line {
    Line {
        points: path.points,
        closed: false,
    }
}

fn to_segment(p: Point3, a: Point3, b: Point3) -> f64 {
    let d = b - a;
    let long = d.norm_squared();
    let t = if long > 0.0 {
        ((p - a).dot(&d) / long).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p - (a + d * t)).norm()
}

/// Takes off a beginning that was moved onto the edge together with the mouth: on fine meshes the
/// first points of a line lie nearer to the edge than lines can be told apart.
fn leave_edge_once(mesh: &TriMesh, path: &mut Vec<u32>) {
    let Some(start) = path.first().map(|&v| mesh.position(v)) else {
        return;
    };
    let near = path
        .iter()
        .take_while(|&&v| (mesh.position(v) - start).norm() <= 2.0 * SNAP_MM)
        .count();
    let last = path[..near].iter().rposition(|&v| mesh.on_boundary(v));
    path.drain(..last.unwrap_or(0));
}

/// Cuts may touch an edge at their ends only, and neither each other nor themselves anywhere.
fn refuse_meetings(mesh: &TriMesh, names: &[CutName], paths: &[Vec<u32>]) -> Result<(), DartError> {
    let mut owner: HashMap<u32, usize> = HashMap::new();
    for (k, path) in paths.iter().enumerate() {
        let name = names[k];
        let last = path.len().saturating_sub(1);
        for (i, &v) in path.iter().enumerate() {
            let place = mesh.position(v);
            match owner.insert(v, k) {
                Some(other) if other == k => return Err(DartError::CrossesItself { name, place }),
                Some(other) => {
                    return Err(DartError::Cross {
                        first: names[other],
                        second: name,
                        place,
                    });
                }
                None => {}
            }
            let end = i == 0 || (i == last && matches!(name, CutName::Seam(_)));
            if mesh.on_boundary(v) && !end {
                return Err(DartError::TouchesEdge { name, place });
            }
        }
        if path.len() < 2 {
            return Err(DartError::TouchesEdge {
                name,
                place: path
                    .first()
                    .map_or_else(Point3::origin, |&v| mesh.position(v)),
            });
        }
        for (other, other_path) in paths.iter().enumerate().take(k) {
            if let Some(place) = meeting(mesh, path, other_path) {
                return Err(DartError::Cross {
                    first: names[other],
                    second: name,
                    place,
                });
            }
        }
    }
    Ok(())
}

/// A place where two paths come within [`MEET_MM`].
fn meeting(mesh: &TriMesh, a: &[u32], b: &[u32]) -> Option<Point3> {
    let bounds = |path: &[u32]| {
        let (mut low, mut high) = (mesh.position(path[0]), mesh.position(path[0]));
        for &v in path {
            low = low.inf(&mesh.position(v));
            high = high.sup(&mesh.position(v));
        }
        (low, high)
    };
    let ((la, ha), (lb, hb)) = (bounds(a), bounds(b));
    if (0..3).any(|k| la[k] > hb[k] + MEET_MM || lb[k] > ha[k] + MEET_MM) {
        return None;
    }
    let near = |p: Point3, path: &[u32]| {
        path.windows(2)
            .any(|w| to_segment(p, mesh.position(w[0]), mesh.position(w[1])) < MEET_MM)
    };
    // The nearest places of two polylines that don't cross include a vertex of one.
    a.iter()
        .map(|&v| mesh.position(v))
        .find(|&p| near(p, b))
        .or_else(|| b.iter().map(|&v| mesh.position(v)).find(|&p| near(p, a)))
}
