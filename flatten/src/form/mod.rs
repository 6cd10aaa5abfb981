//! A head from few numbers: the smooth average adult head, and what readings make of it.
//!
//! In: nothing, or tape readings. Out: a [`HeadForm`], a closed smooth surface with landmarks and an
//! invented plausible hairline on it.
//!
//! The radius about a centre inside the head is a sum of real spherical harmonics of degree 6, the
//! same left and right (28 coefficients, see [`harmonics`]). Every form is symmetric: a head that is
//! not needs a mold. Only the part above brow, ears and nape hairline means anything; below it the
//! surface just closes.

mod average;

mod fit;

mod globe;

mod hairline;

pub mod harmonics;

pub use fit::{Doubt, FormError, FormMeasure, FormReport, MET_MM, from_readings};
pub use hairline::Hairline;

use crate::{
    Point3, Vector3,
    mesh::TriMesh,
    patch::{Head, Outline},
    tape::Stations,
};

pub(crate) use hairline::SHIFTS;

use harmonics::TERMS;

/// Coefficients of degree 2, and where they begin.
pub(crate) const SHAPES: usize = 3;
const SHAPES_FROM: usize = 3;

/// Directions along the full hairline moved by so many of the spreads among people in each way.
pub(crate) fn hairline_moved(spreads: [f64; SHIFTS]) -> Vec<Vector3> {
    let degrees = std::array::from_fn(|k| spreads[k] * hairline::SHIFT_SPREAD[k]);
    Hairline::moved(degrees).directions()
}

/// A smooth closed head, axes RAS, origin inside the head, millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadForm {
    /// Coefficients of the radius, mm, in the order of [`harmonics::values`].
    coefficients: [f64; TERMS],
    /// Where the hair ends.
    hairline: Hairline,
}

/// The average adult head, girth 574 mm.
///
/// # Example
/// ```
/// let form = flatten::form::average_head();
/// let mesh = form.mesh(8000);
/// let head = form.head();
/// assert_eq!(mesh.euler_characteristic(), 2);
/// assert!((head.front - head.nape).dot(&head.forward) > 150.0);
/// ```
#[must_use]
pub fn average_head() -> HeadForm {
    HeadForm {
        coefficients: average::RADIUS,
        hairline: Hairline::full(),
    }
}

impl HeadForm {
    /// Distance of the surface from the origin in a direction of any length, mm.
    #[must_use]
    pub fn radius_mm(&self, direction: &Vector3) -> f64 {
        let values = harmonics::values(&direction.normalize());
        let terms = values.iter().zip(&self.coefficients);
        terms.map(|(value, c)| value * c).sum()
    }

    /// The radius in a direction of any length, mm, and how it grows with each spread of heads in length,
    /// breadth and height, which are the coefficients of degree 2.
    pub(crate) fn radius_by_shape_mm(&self, direction: &Vector3) -> (f64, [f64; SHAPES]) {
        let values = harmonics::values(&direction.normalize());
        let terms = values.iter().zip(&self.coefficients);
        let radius = terms.map(|(value, c)| value * c).sum();
        (
            radius,
            std::array::from_fn(|k| values[SHAPES_FROM + k] * fit::SPREAD[2]),
        )
    }

    /// Point of the surface in a direction of any length.
    #[must_use]
    pub fn point(&self, direction: &Vector3) -> Point3 {
        Point3::from(direction.normalize() * self.radius_mm(direction))
    }

    /// The surface as a closed mesh of about this many near-equal triangles, the same left and right.
    #[must_use]
    pub fn mesh(&self, about_triangles: usize) -> TriMesh {
        let steps = (about_triangles as f64 / 20.0).sqrt().round().max(2.0);
        let (mut directions, faces) = globe::globe(steps as usize);
        globe::even_out(&mut directions, &faces, EVEN_ROUNDS, |d| self.radius_mm(d));
        globe::mesh_of(&directions, faces, |d| self.radius_mm(d))
    }

    /// Landmarks and axes: the named points of the hairline, and the highest point as the crown.
    #[must_use]
    pub fn head(&self) -> Head {
        let curve = self.hairline.directions();
        let ear = |side: f64| self.point(&self.hairline.ear_top(side));
        Head {
            front: self.point(&curve[0]),
            nape: self.point(&curve[curve.len() / 2]),
            left_ear: ear(-1.0),
            right_ear: ear(1.0),
            crown: self.crown(),
            right: Vector3::x(),
            forward: Vector3::y(),
            up: Vector3::z(),
        }
    }

    /// Perimeter of a full base: front hairline with its temple recessions, sideburns, over and behind
    /// the ears, nape. Invented; 96 points on the surface.
    #[must_use]
    pub fn outline(&self) -> Outline {
        self.outline_of(&self.hairline)
    }

    /// Perimeter of a piece for front and crown. Invented; 48 points on the surface.
    #[must_use]
    pub fn top_piece_outline(&self) -> Outline {
        self.outline_of(&Hairline::top_piece())
    }

    /// The ear points of anthropometry, client's right first.
    pub(crate) fn tragions(&self) -> [Point3; 2] {
        [1.0, -1.0].map(|side| self.point(&self.hairline.tragion(side)))
    }

    /// The points tapes are held to, with the ear points of anthropometry.
    #[must_use]
    pub fn stations(&self) -> Stations {
        Stations {
            tragions: Some(self.tragions()),
            ..Stations::of(&self.head(), &self.outline().perimeter)
        }
    }

    fn outline_of(&self, hairline: &Hairline) -> Outline {
        Outline {
            perimeter: hairline
                .directions()
                .iter()
                .map(|d| self.point(d))
                .collect(),
            openings: Vec::new(),
        }
    }

    /// Highest point on the midline, by golden-section-like halving of a unimodal height.
    fn crown(&self) -> Point3 {
        let at = |tilt: f64| self.point(&Vector3::new(0.0, tilt.sin(), tilt.cos()));
        let (mut low, mut high) = (-0.8_f64, 0.8_f64);
        for _ in 0..60 {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if at(a).z < at(b).z {
                low = a;
            } else {
                high = b;
            }
        }
        at(f64::midpoint(low, high))
    }
}

/// Rounds of evening out the mesh: more changes nothing one could see.
const EVEN_ROUNDS: usize = 12;

/// An ellipsoid about the origin, for tests of what is measured on surfaces.
#[cfg(test)]
pub(crate) fn ellipsoid_mesh(a: f64, b: f64, c: f64, about_triangles: usize) -> TriMesh {
    let (directions, faces) = globe::globe((about_triangles as f64 / 20.0).sqrt() as usize);
    globe::mesh_of(&directions, faces, |d| {
        1.0 / ((d.x / a).powi(2) + (d.y / b).powi(2) + (d.z / c).powi(2)).sqrt()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_average_head_is_convex_where_heads_are() {
        // above the ears and the bulge of the back of the head every vertex turns outward
        let mesh = average_head().mesh(8000);
        let sums = mesh.angle_sums();
        for (v, p) in mesh.positions().iter().enumerate() {
            if p.z > 5.0 {
                assert!(sums[v] < std::f64::consts::TAU, "hollow at {p}");
            }
        }
    }

    #[test]
    fn the_mesh_is_the_same_left_and_right_and_evenly_divided() {
        let form = average_head();
        let mesh = form.mesh(5120);
        let sum: f64 = mesh.positions().iter().map(|p| p.x).sum();
        assert!(sum.abs() < 1e-6);
        let (mut low, mut high) = (f64::MAX, 0.0_f64);
        for f in 0..crate::mesh::index(mesh.face_count()) {
            if mesh.corners(f).iter().all(|p| p.z > -20.0) {
                let area = mesh.face_area(f);
                (low, high) = (low.min(area), high.max(area));
            }
        }
        // edges within a factor of two of each other
        assert!(high / low < 4.0, "{low} {high}");
    }

    #[test]
    fn the_perimeter_lies_on_the_surface_and_starts_at_the_front() {
        let form = average_head();
        let (head, outline) = (form.head(), form.outline());
        assert_eq!(outline.perimeter.len(), 96);
        for p in &outline.perimeter {
            assert!((p.coords.norm() - form.radius_mm(&p.coords)).abs() < 1e-9);
        }
        assert!((outline.perimeter[0] - head.front).norm() < 1e-9);
        // to the client's right first
        assert!(outline.perimeter[10].x > 20.0);
    }
}
