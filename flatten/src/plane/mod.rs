//! Plane geometry that stages share: polylines, smooth curves through flattened edges, margins.
//!
//! Everything is `f64` millimetres. Angles turn counter-clockwise.

mod curve;

mod margin;

mod near;

mod polyline;

mod spline;

pub mod pair;

pub use curve::Curve;
pub use margin::{Narrows, RimPoint, clear_of, union, widen};
pub use near::NearLine;
pub use polyline::{
    Foot, along, contains, crossings, cumulative, distinct, end_direction, length, nearest,
    ring_area, signed_turn, simplify,
};
pub use spline::{Fit, fit, tangent_at};

use crate::{Point2, Vector2};

/// The vector turned a quarter counter-clockwise.
#[must_use]
pub fn left_of(v: Vector2) -> Vector2 {
    Vector2::new(-v.y, v.x)
}

/// Cross product: positive when `b` turns left from `a`.
#[must_use]
pub fn cross(a: Vector2, b: Vector2) -> f64 {
    a.x * b.y - a.y * b.x
}

/// A vector of length one, or zero when there is no direction.
#[must_use]
pub fn unit(v: Vector2) -> Vector2 {
    let length = v.norm();
    if length > 0.0 {
        v / length
    } else {
        Vector2::zeros()
    }
}

/// The vector turned by an angle, radians.
#[must_use]
pub fn turned(v: Vector2, angle: f64) -> Vector2 {
    let (sin, cos) = angle.sin_cos();
    Vector2::new(cos * v.x - sin * v.y, sin * v.x + cos * v.y)
}

/// Where two lines meet, each given by a point and a direction; `None` when parallel.
#[must_use]
pub fn meet(p: Point2, along_p: Vector2, q: Point2, along_q: Vector2) -> Option<Point2> {
    let det = cross(along_p, along_q);
    if det.abs() < 1e-9 * along_p.norm() * along_q.norm() {
        return None;
    }
    Some(p + along_p * (cross(q - p, along_q) / det))
}

/// Coordinates to the nearest 0.0001 mm, so that decimal text carries them without loss.
#[must_use]
pub fn settle(value: f64) -> f64 {
    let settled = (value * 1e4).round() / 1e4;
    if settled == 0.0 { 0.0 } else { settled }
}

/// [`settle`] on both coordinates.
#[must_use]
pub fn settle_point(p: Point2) -> Point2 {
    Point2::new(settle(p.x), settle(p.y))
}
