//! What a tape will measure on the sewn base.
//!
//! In: the panels with their flat maps and tapes as laid on the mold. Out: the length of each tape over
//! the sewn base, and how much of it lies off the base.
//!
//! # Method
//! Sewing puts the flat pieces back edge to edge, and the cloth brings its flat length along. So the
//! tape's course on the head is cut into short steps; each step lies over one triangle of a panel,
//! and its length on the cloth is that of the same step in the flat triangle (the map is affine
//! there). Steps on both sides of a seam or a closed dart follow each other as on the head. Where a
//! tape hangs free over a hollow the cloth beneath counts by its stretch, and where it runs along the
//! edge within its own breadth, the cloth of the edge. Cost: linear in the tapes' length, with
//! [`TriMesh::project`] for each half a millimetre.
//!
//! Not in it: what the cloth gives when the base is pulled on, thread, lap and pressing; truing moves
//! a sew line by no more than [`super::Measured::trued_by_mm`].

use rayon::prelude::*;

use crate::{Point2, Point3, Vector3, mesh::TriMesh, tape::TapeLine};

/// A tape over the sewn base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finished {
    /// Length over the base, as sewn from the flat cloth, mm.
    pub length_mm: f64,
    /// The same part of the tape on the head, mm.
    pub head_mm: f64,
    /// Part of the tape that lies off the base, mm.
    pub off_mm: f64,
}

impl Finished {
    /// Relative difference between base and head; zero for a tape that misses the base.
    #[must_use]
    pub fn error(&self) -> f64 {
        if self.head_mm > 0.0 {
            self.length_mm / self.head_mm - 1.0
        } else {
            0.0
        }
    }
}

/// Length of a step along the tape at most, mm: a small part of a triangle of a usual scan.
const STEP_MM: f64 = 0.5;

/// A step farther beside the base than this is off it, mm, unless it runs along the edge.
const BESIDE_MM: f64 = 1.0;

/// A tape that runs along the edge within its own breadth measures the edge, mm: the trade's tapes
/// follow the hairline with one edge on it, and those laid here are as straight as a tape is.
const BREADTH_MM: f64 = 15.0;

/// Cosine of the least angle between a step and the way to the edge for the step to run along it: 60°.
const ALONG_COS: f64 = 0.5;

/// The same for tapes that run above the cloth (over hollows, or with the base set off): part of the
/// height.
const BESIDE_SHARE: f64 = 0.15;

/// Measures tapes over the base that is sewn from `parts`: each panel's surface on the head and the
/// plane place of each of its vertices, mm. `on_cloth` measures along the surface of the panels
/// instead of along the tape: for a base that is set off from the mold on which the tapes lie.
#[must_use]
pub fn finished(
    parts: &[(&TriMesh, &[Point2])],
    tapes: &[&TapeLine],
    on_cloth: bool,
) -> Vec<Finished> {
    let ground = Ground(parts);
    tapes
        .par_iter()
        .map(|tape| ground.measure(tape, on_cloth))
        .collect()
}

/// The panels on the head and flat.
struct Ground<'a>(&'a [(&'a TriMesh, &'a [Point2])]);

/// The triangle under a point.
struct Under {
    part: usize,
    face: u32,
    at: Point3,
}

impl Ground<'_> {
    fn under(&self, p: &Point3) -> Option<Under> {
        let places = self.0.iter().enumerate().map(|(part, (mesh, _))| {
            let (place, at, distance) = mesh.project(*p);
            let face = place.faces(mesh)[0];
            (distance, Under { part, face, at })
        });
        let nearest = places.min_by(|a, b| a.0.total_cmp(&b.0))?;
        Some(nearest.1)
    }

    fn measure(&self, tape: &TapeLine, on_cloth: bool) -> Finished {
        let mut sum = Finished {
            length_mm: 0.0,
            head_mm: 0.0,
            off_mm: 0.0,
        };
        for (a, b) in steps(&tape.points, STEP_MM) {
            let Some(Under { part, face, at }) = self.under(&nalgebra::center(&a, &b)) else {
                sum.off_mm += (b - a).norm();
                continue;
            };
            let (mesh, uv) = self.0[part];
            let normal = unit(mesh.area_vector(face));
            let rise = nalgebra::center(&a, &b) - at;
            let aside = rise - normal * rise.dot(&normal);
            let along_edge = aside.norm() < BREADTH_MM
                && (b - a).dot(&aside).abs() < ALONG_COS * (b - a).norm() * aside.norm();
            if aside.norm() > BESIDE_MM + BESIDE_SHARE * rise.norm() && !along_edge {
                sum.off_mm += (b - a).norm();
                continue;
            }
            let on_base = || Some(self.under(&b)?.at - self.under(&a)?.at);
            let along = on_cloth.then(on_base).flatten().unwrap_or(b - a);
            let step = along - normal * along.dot(&normal);
            let laid = mesh.faces()[face as usize].map(|v| uv[v as usize]);
            let flat = flat_length(&mesh.corners(face), &laid, step);
            let stretch = if step.norm() > 0.0 {
                flat / step.norm()
            } else {
                1.0
            };
            sum.length_mm += along.norm() * stretch;
            sum.head_mm += along.norm();
        }
        sum
    }
}

/// Length in the plane of a step within a triangle.
fn flat_length(corners: &[Point3; 3], flat: &[Point2; 3], step: Vector3) -> f64 {
    let (u, v) = (corners[1] - corners[0], corners[2] - corners[0]);
    let normal = u.cross(&v);
    let whole = normal.norm_squared();
    if whole <= 0.0 {
        return step.norm();
    }
    // step = s·u + t·v
    let s = step.cross(&v).dot(&normal) / whole;
    let t = u.cross(&step).dot(&normal) / whole;
    ((flat[1] - flat[0]) * s + (flat[2] - flat[0]) * t).norm()
}

fn unit(v: Vector3) -> Vector3 {
    v.try_normalize(0.0).unwrap_or_else(Vector3::zeros)
}

/// A line in equal steps no longer than `most_mm`, each within one of its straight pieces.
fn steps(points: &[Point3], most_mm: f64) -> impl Iterator<Item = (Point3, Point3)> {
    points.windows(2).flat_map(move |pair| {
        let (a, d) = (pair[0], pair[1] - pair[0]);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "steps of a tape; the cast saturates"
        )]
        let count = (d.norm() / most_mm).ceil().clamp(1.0, 1e5) as u32;
        (0..count).map(move |i| {
            let at = |k: u32| a + d * (f64::from(k) / f64::from(count));
            (at(i), at(i + 1))
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const RADIUS: f64 = 80.0;
    const REACH: f64 = 1.2;
    const RINGS: u32 = 60;
    const SPOKES: u32 = 240;

    /// A cap of a sphere and its equidistant azimuthal map: r = R·θ (Snyder 1987, USGS Professional
    /// Paper 1395, section 25).
    fn cap() -> (TriMesh, Vec<Point2>) {
        let (mut points, mut uv, mut faces) = (Vec::new(), Vec::new(), Vec::new());
        for i in 0..=RINGS {
            let theta = REACH * f64::from(i.max(1)) / f64::from(RINGS);
            let theta = if i == 0 { 0.0 } else { theta };
            for j in 0..SPOKES {
                let phi = std::f64::consts::TAU * f64::from(j) / f64::from(SPOKES);
                points.push(on_sphere(theta, phi));
                uv.push(Point2::new(phi.cos(), phi.sin()) * (RADIUS * theta));
                if i == 0 {
                    break;
                }
            }
        }
        let at = |i: u32, j: u32| {
            if i == 0 {
                0
            } else {
                1 + (i - 1) * SPOKES + j % SPOKES
            }
        };
        for j in 0..SPOKES {
            faces.push([0, at(1, j), at(1, j + 1)]);
            for i in 1..RINGS {
                faces.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
                faces.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
            }
        }
        (TriMesh::new(points, faces).unwrap(), uv)
    }

    fn on_sphere(theta: f64, phi: f64) -> Point3 {
        Point3::new(
            theta.sin() * phi.cos(),
            theta.sin() * phi.sin(),
            theta.cos(),
        ) * RADIUS
    }

    fn tape(points: impl Iterator<Item = Point3>) -> TapeLine {
        TapeLine::open(points.collect())
    }

    #[test]
    fn meridians_keep_their_length_and_parallels_gain_as_the_map_says() {
        let (mesh, uv) = cap();
        let meridian = tape((-100..=100).map(|i| on_sphere(f64::from(i) / 100.0, 0.013)));
        let parallel =
            |theta: f64| tape((0..=400).map(move |j| on_sphere(theta, f64::from(j) / 100.0)));
        let (near, far) = (parallel(0.4), parallel(1.0));
        let sums = finished(&[(&mesh, &uv)], &[&meridian, &near, &far], false);
        assert!(sums[0].error().abs() < 5e-4, "{:?}", sums[0]);
        for (sum, theta) in sums[1..].iter().zip([0.4_f64, 1.0]) {
            let truth = theta / theta.sin() - 1.0;
            assert!((sum.error() - truth).abs() < 5e-4, "{sum:?} {truth}");
            assert!(sum.off_mm < 1e-9, "{sum:?}");
        }
        let set_off = finished(&[(&mesh, &uv)], &[&meridian], true)[0];
        assert!(set_off.error().abs() < 2e-3, "{set_off:?}");
    }

    #[test]
    fn what_lies_beyond_the_edge_is_said_and_not_measured() {
        let (mesh, uv) = cap();
        let over = tape((0..=140).map(|i| on_sphere(f64::from(i) / 100.0, 0.5)));
        let sum = finished(&[(&mesh, &uv)], &[&over], false)[0];
        assert!((sum.head_mm - RADIUS * REACH).abs() < 1.6, "{sum:?}");
        assert!((sum.off_mm - RADIUS * 0.2).abs() < 1.6, "{sum:?}");
        // Along the edge, 5 mm beyond it: the edge's cloth counts. Across it: off at once.
        let beside = tape((0..=400).map(|j| on_sphere(REACH + 5.0 / RADIUS, f64::from(j) / 100.0)));
        let sum = finished(&[(&mesh, &uv)], &[&beside], false)[0];
        assert!(
            (sum.error() - (REACH / REACH.sin() - 1.0)).abs() < 1e-3,
            "{sum:?}"
        );
        assert!(sum.off_mm < 1e-9, "{sum:?}");
        let missed = tape((0..=10).map(|i| Point3::new(f64::from(i), 0.0, -300.0)));
        let none = finished(&[(&mesh, &uv)], &[&missed], false)[0];
        assert_eq!((none.length_mm, none.off_mm.round()), (0.0, 10.0));
    }
}
