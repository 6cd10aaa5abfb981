//! One head laid on another by its landmarks.
//!
//! Used to compare an old mold with a new one of the same person: the ears' tops, the front and the
//! nape are aligned, never the outline, because the outline is what may have changed.

use nalgebra::{Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion};

use crate::{Point3, Vector3};

/// The rigid motion that brings four landmarks nearest to four others, in the mean of squares.
///
/// # Method
/// Kabsch 1976, Acta Crystallographica A32:922: the rotation from the singular value decomposition of
/// the covariance, kept from mirroring.
#[must_use]
pub fn align(from: &[Point3; 4], to: &[Point3; 4]) -> Isometry3<f64> {
    let middle = |points: &[Point3; 4]| points.iter().map(|p| p.coords).sum::<Vector3>() / 4.0;
    let (a, b) = (middle(from), middle(to));
    let covariance: Matrix3<f64> = from
        .iter()
        .zip(to)
        .map(|(p, q)| (q.coords - b) * (p.coords - a).transpose())
        .sum();
    let svd = covariance.svd(true, true);
    let turn = match (svd.u, svd.v_t) {
        (Some(u), Some(v_t)) => {
            // The smallest singular value comes last: its direction gives way.
            let keep = Vector3::new(1.0, 1.0, (u * v_t).determinant().signum());
            Rotation3::from_matrix_unchecked(u * Matrix3::from_diagonal(&keep) * v_t)
        }
        _ => Rotation3::identity(),
    };
    let shift = Translation3::from(b - turn * a);
    Isometry3::from_parts(shift, UnitQuaternion::from_rotation_matrix(&turn))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moved_head_comes_back() {
        let marks = [
            Point3::new(-76.0, 4.0, -8.0),
            Point3::new(76.0, 4.0, -8.0),
            Point3::new(0.0, 96.0, 31.0),
            Point3::new(0.0, -88.0, -52.0),
        ];
        let moved = Isometry3::new(
            Vector3::new(300.0, -20.0, 5.0),
            Vector3::new(0.4, 2.0, -1.0),
        );
        let there = marks.map(|p| moved * p);
        let found = align(&marks, &there);
        let probe = Point3::new(10.0, 20.0, 120.0);
        assert!((found * probe - moved * probe).norm() < 1e-9);
        // Four points in one plane fix the motion too, and never by a mirror.
        let plane = marks.map(|p| Point3::new(p.x, p.y, 0.0));
        let found = align(&plane, &plane.map(|p| moved * p));
        assert!((found * probe - moved * probe).norm() < 1e-9);
    }
}
