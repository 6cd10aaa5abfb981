//! A perimeter from twelve tape lengths.
//!
//! In: a surface, its landmarks and the lengths from the crown to the hairline in twelve directions,
//! 12 at the front, 3 at the client's right, seen from above. Out: a smooth closed perimeter on the
//! surface.
//!
//! Method: between the twelve directions the length follows a periodic cubic spline; every point of
//! the perimeter is reached along a straightest line from the crown, as a taut tape runs.

use std::f64::consts::TAU;

use nalgebra::{SMatrix, SVector};

use crate::{
    Point3,
    mesh::{GeodesicError, TriMesh, straightest},
    patch::{Head, Outline},
};

/// Directions of the clock.
const HOURS: usize = 12;

/// Points of the perimeter for each hour.
const PER_HOUR: usize = 8;

/// Why clock readings give no perimeter.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ClockError {
    /// A length is not a length.
    #[error("the reading at {hour} o'clock is {length_mm} mm; it must be more than nothing")]
    NotALength {
        /// The hour, 1 to 12.
        hour: usize,
        /// The reading, mm.
        length_mm: f64,
    },
    /// The tape runs off the surface.
    #[error(
        "the tape towards {hour:.1} o'clock leaves the surface before {length_mm:.0} mm: {cause}"
    )]
    OffTheSurface {
        /// Direction on the clock, between hours where the perimeter is filled in.
        hour: f64,
        /// Length asked for, mm.
        length_mm: f64,
        /// What the geodesic says.
        cause: GeodesicError,
    },
}

/// The perimeter through the ends of twelve tapes from the crown; `lengths_mm[0]` is 12 o'clock (the
/// front), `lengths_mm[3]` 3 o'clock (the client's right).
///
/// 96 points, every eighth the end of a tape, starting at the front.
///
/// # Errors
/// [`ClockError`] for a length that is none, or a tape that runs off the surface.
pub fn clock_perimeter(
    mesh: &TriMesh,
    head: &Head,
    lengths_mm: &[f64; HOURS],
) -> Result<Outline, ClockError> {
    for (hour, &length_mm) in lengths_mm.iter().enumerate() {
        if !(length_mm.is_finite() && length_mm > 0.0) {
            let hour = if hour == 0 { HOURS } else { hour };
            return Err(ClockError::NotALength { hour, length_mm });
        }
    }
    let (crown, _, _) = mesh.project(head.crown);
    let slopes = spline_slopes(lengths_mm);
    let point = |i: usize| -> Result<Point3, ClockError> {
        let hour = i as f64 / PER_HOUR as f64;
        let length_mm = spline(lengths_mm, &slopes, hour);
        let angle = TAU * hour / HOURS as f64;
        let heading = head.forward * angle.cos() + head.right * angle.sin();
        let path = straightest(mesh, crown, heading, length_mm).map_err(|cause| {
            ClockError::OffTheSurface {
                hour,
                length_mm,
                cause,
            }
        })?;
        let last = path.points.last().copied().unwrap_or(crown);
        Ok(last.position(mesh))
    };
    Ok(Outline {
        perimeter: (0..HOURS * PER_HOUR).map(point).collect::<Result<_, _>>()?,
        openings: Vec::new(),
    })
}

/// Slopes per hour of the periodic cubic spline: s(i−1) + 4 s(i) + s(i+1) = 3 (y(i+1) − y(i−1)).
fn spline_slopes(y: &[f64; HOURS]) -> SVector<f64, HOURS> {
    let matrix = SMatrix::<f64, HOURS, HOURS>::from_fn(|i, j| match (i + HOURS - j) % HOURS {
        0 => 4.0,
        1 | 11 => 1.0,
        _ => 0.0,
    });
    let right = SVector::from_fn(|i, _| 3.0 * (y[(i + 1) % HOURS] - y[(i + HOURS - 1) % HOURS]));
    matrix
        .lu()
        .solve(&right)
        .expect("the matrix is diagonally dominant")
}

/// Value of the spline at an hour, 0 up to 12.
fn spline(y: &[f64; HOURS], slopes: &SVector<f64, HOURS>, hour: f64) -> f64 {
    let (i, t) = (hour.floor() as usize % HOURS, hour.fract());
    let j = (i + 1) % HOURS;
    let (a, b) = (t * t * (3.0 - 2.0 * t), t * (1.0 - t));
    y[i] * (1.0 - a) + y[j] * a + slopes[i] * b * (1.0 - t) - slopes[j] * b * t
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Vector3, form::ellipsoid_mesh};

    fn ball() -> (TriMesh, Head) {
        let p = Point3::new;
        let head = Head {
            front: p(0.0, 90.0, 0.0),
            nape: p(0.0, -90.0, 0.0),
            left_ear: p(-90.0, 0.0, 0.0),
            right_ear: p(90.0, 0.0, 0.0),
            crown: p(0.0, 0.0, 90.0),
            right: Vector3::x(),
            forward: Vector3::y(),
            up: Vector3::z(),
        };
        (ellipsoid_mesh(90.0, 90.0, 90.0, 20_000), head)
    }

    #[test]
    fn equal_lengths_on_a_ball_give_a_circle_of_known_length() {
        let (mesh, head) = ball();
        let outline = clock_perimeter(&mesh, &head, &[120.0; 12]).unwrap();
        let ring = &outline.perimeter;
        let length: f64 = (0..ring.len())
            .map(|i| (ring[(i + 1) % ring.len()] - ring[i]).norm())
            .sum();
        // circle at 120 / 90 rad from the top, less the chords' shortfall of 0.02 %
        let circle = TAU * 90.0 * (120.0_f64 / 90.0).sin();
        assert!((length / circle - 1.0).abs() < 1e-3, "{length} {circle}");
        for p in ring {
            let angle = (p.z / p.coords.norm()).acos();
            assert!((angle * 90.0 - 120.0).abs() < 0.1, "{p}");
        }
    }

    #[test]
    fn three_o_clock_is_the_clients_right_and_twelve_the_front() {
        let (mesh, head) = ball();
        let lengths = std::array::from_fn(|hour| if hour == 3 { 140.0 } else { 110.0 });
        let ring = clock_perimeter(&mesh, &head, &lengths).unwrap().perimeter;
        assert!(ring[0].y > 70.0 && ring[0].x.abs() < 1.0);
        let lowest = ring.iter().min_by(|a, b| a.z.total_cmp(&b.z)).unwrap();
        assert!(lowest.x > 80.0, "{lowest}");
        assert!((ring[24] - lowest).norm() < 10.0);
    }

    #[test]
    fn a_tape_of_nothing_is_refused_by_its_hour() {
        let (mesh, head) = ball();
        let mut lengths = [110.0; 12];
        lengths[0] = 0.0;
        let error = clock_perimeter(&mesh, &head, &lengths).unwrap_err();
        assert!(error.to_string().contains("12 o'clock"), "{error}");
    }
}
