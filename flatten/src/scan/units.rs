//! What a scan's numbers stand for: mesh files carry no unit, a head's girth does.
//!
//! In: triangles in the file's unit. Out: millimetres a unit, and the girth they give.
//!
//! # Method
//! Girth is what a taut tape reads: the perimeter of the convex hull of a plane section. Sections
//! are taken from the top down along the head's axis; the girth is the first greatest one, so that
//! a neck and shoulders below do not count. The axis is the caller's (from landmarks) when there
//! is one; else that of the open rim or flat underside; else the principal axis that gives the
//! smallest girth, for sections along a head are longer than sections across it.
//!
//! Adults' head girth lies within 450 to 700 mm with room to spare (ANSUR II 2012: 1st percentile of
//! women 521 mm, 99th of men 620 mm); the units millimetre, centimetre, inch and metre differ by more than that range's
//! ratio, so at most one of them fits.
//!
//! Cost: linear in the triangles, some 100 sections.

use nalgebra::{Matrix3, SymmetricEigen};

use crate::{Point2, Point3, Vector3};

/// Girths that a head can have, mm.
pub const HEAD_GIRTH_MM: std::ops::RangeInclusive<f64> = 450.0..=700.0;

/// What the person says the scan's unit is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ScanUnits {
    /// Settle it from the girth.
    #[default]
    Auto,
    /// It is this one; the girth must agree.
    Given(Unit),
}

/// A unit of length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Millimetre.
    Millimetre,
    /// Centimetre.
    Centimetre,
    /// Metre.
    Metre,
    /// Inch.
    Inch,
}

impl Unit {
    /// All units a scan may be in.
    pub const ALL: [Self; 4] = [Self::Millimetre, Self::Centimetre, Self::Metre, Self::Inch];

    /// Millimetres in one.
    #[must_use]
    pub fn mm(self) -> f64 {
        match self {
            Self::Millimetre => 1.0,
            Self::Centimetre => 10.0,
            Self::Metre => 1000.0,
            Self::Inch => 25.4,
        }
    }
}

impl std::fmt::Display for Unit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Millimetre => "millimetres",
            Self::Centimetre => "centimetres",
            Self::Metre => "metres",
            Self::Inch => "inches",
        })
    }
}

/// A scan's unit, and the girth that proves it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// The unit.
    pub unit: Unit,
    /// Millimetres a unit of the file.
    pub mm_per_unit: f64,
    /// Girth of the scan in that unit, mm.
    pub girth_mm: f64,
    /// Whether the girth decided, as opposed to the person.
    pub guessed: bool,
}

impl std::fmt::Display for Settled {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Rounded, for it is no tape reading: its section need not be level.
        let (unit, about) = (self.unit, 10.0 * (self.girth_mm / 10.0).round());
        if self.guessed {
            write!(
                f,
                "the scan is taken to be in {unit}: it is about {about:.0} mm round then"
            )
        } else {
            write!(f, "the scan is in {unit}; it is about {about:.0} mm round")
        }
    }
}

/// Why a scan's size is not a head's.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// In the unit given, the girth is not a head's.
    #[error(
        "in {unit} the girth of the scan is {girth_mm:.0} mm and a head has 450 to 700 mm; scale it by {factor:.4} or set scan_units{}",
        .fits.map_or(String::new(), |fits| format!(" to {fits}, which would give {:.0} mm", girth_mm / unit.mm() * fits.mm()))
    )]
    NotAHead {
        /// The unit that was given.
        unit: Unit,
        /// The girth in it, mm.
        girth_mm: f64,
        /// What would make it an average head, 570 mm.
        factor: f64,
        /// The unit in which it would be a head.
        fits: Option<Unit>,
    },
    /// In no unit is it a head.
    #[error(
        "the girth of the scan is {girth} in its own unit, which is no head in millimetres, centimetres, metres or inches; scale it by {factor:.4} to get an average head in millimetres"
    )]
    NoUnitFits {
        /// Girth in the file's unit.
        girth: f64,
        /// What would make it an average head in millimetres.
        factor: f64,
    },
    /// There is no section to measure.
    #[error("the scan has no girth: it is flat or has no extent")]
    NoGirth,
}

/// Girth of an average adult head, mm (ANSUR II 2012: men 574, women 561).
const AVERAGE_GIRTH_MM: f64 = 570.0;

/// Finds the unit of a scan, or checks the one given.
///
/// Faces look outward. `up` points along the head's axis to its top, when landmarks tell it; any length
/// will do.
///
/// # Errors
/// [`UnitError`] when the girth is not a head's, with the factor that would make it one.
pub fn settle_units(
    positions: &[Point3],
    faces: &[[u32; 3]],
    units: ScanUnits,
    up: Option<Vector3>,
) -> Result<Settled, UnitError> {
    let girth = girth(positions, faces, up).ok_or(UnitError::NoGirth)?;
    let fits = Unit::ALL
        .into_iter()
        .find(|unit| HEAD_GIRTH_MM.contains(&(girth * unit.mm())));
    let (unit, guessed) = match units {
        ScanUnits::Given(unit) => (unit, false),
        ScanUnits::Auto => (
            fits.ok_or(UnitError::NoUnitFits {
                girth,
                factor: AVERAGE_GIRTH_MM / girth,
            })?,
            true,
        ),
    };
    let girth_mm = girth * unit.mm();
    if !HEAD_GIRTH_MM.contains(&girth_mm) {
        return Err(UnitError::NotAHead {
            unit,
            girth_mm,
            factor: AVERAGE_GIRTH_MM / girth_mm,
            fits,
        });
    }
    Ok(Settled {
        unit,
        mm_per_unit: unit.mm(),
        girth_mm,
        guessed,
    })
}

/// Girth in the file's unit.
fn girth(positions: &[Point3], faces: &[[u32; 3]], up: Option<Vector3>) -> Option<f64> {
    let along = |axis: Vector3| {
        let profile = hull_profile(positions, faces, &axis)?;
        first_greatest(&profile)
    };
    if let Some(axis) = up.and_then(|up| up.try_normalize(0.0)) {
        return along(axis).filter(|g| *g > 0.0);
    }
    let mut best: Option<f64> = None;
    if let Some(axis) = underside(positions, faces) {
        best = along(axis);
    }
    if best.is_none() {
        for axis in principal_axes(positions, faces)? {
            let both = [axis, -axis].into_iter().filter_map(along).reduce(f64::max);
            best = match (best, both) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
        }
    }
    best.filter(|g| *g > 0.0 && g.is_finite())
}

/// Sections a profile has.
const LEVELS: usize = 48;

/// Hull perimeters of sections from the top down along an axis of length one.
fn hull_profile(positions: &[Point3], faces: &[[u32; 3]], axis: &Vector3) -> Option<Vec<f64>> {
    let height = |v: u32| positions[v as usize].coords.dot(axis);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for &v in faces.iter().flatten() {
        low = low.min(height(v));
        high = high.max(height(v));
    }
    let step = (high - low) / LEVELS as f64;
    if !(step > 0.0 && step.is_finite()) {
        return None;
    }
    let across = any_perpendicular(axis);
    let beside = axis.cross(&across);
    let mut cuts: Vec<Vec<Point2>> = vec![Vec::new(); LEVELS];
    for face in faces {
        let h = face.map(height);
        let top = h.into_iter().fold(f64::NEG_INFINITY, f64::max);
        let bottom = h.into_iter().fold(f64::INFINITY, f64::min);
        // Level k lies at high − (k + ½) step.
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to 0..LEVELS"
        )]
        let level = |height: f64| {
            ((high - height) / step - 0.5)
                .ceil()
                .clamp(0.0, LEVELS as f64) as usize
        };
        for (k, cut) in cuts
            .iter_mut()
            .enumerate()
            .take(level(bottom))
            .skip(level(top))
        {
            let at = high - (k as f64 + 0.5) * step;
            for (i, j) in [(0, 1), (1, 2), (2, 0)] {
                if (h[i] < at) != (h[j] < at) {
                    let t = (at - h[i]) / (h[j] - h[i]);
                    let p = positions[face[i] as usize];
                    let p = p + (positions[face[j] as usize] - p) * t;
                    cut.push(Point2::new(p.coords.dot(&across), p.coords.dot(&beside)));
                }
            }
        }
    }
    Some(cuts.into_iter().map(hull_perimeter).collect())
}

/// The greatest of a profile before it falls by a tenth: the head above the neck.
fn first_greatest(profile: &[f64]) -> Option<f64> {
    /// A fall by more than this share of the greatest is the neck.
    const NECK: f64 = 0.10;
    let mut greatest = 0.0_f64;
    for &girth in profile {
        if girth < (1.0 - NECK) * greatest {
            break;
        }
        greatest = greatest.max(girth);
    }
    (greatest > 0.0).then_some(greatest)
}

/// Perimeter of the convex hull of points (monotone chain, Andrew 1979).
fn hull_perimeter(mut points: Vec<Point2>) -> f64 {
    points.sort_unstable_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    points.dedup();
    if points.len() < 2 {
        return 0.0;
    }
    let mut hull: Vec<Point2> = Vec::new();
    for pass in 0..2 {
        let start = hull.len();
        for k in 0..points.len() {
            let p = points[if pass == 0 { k } else { points.len() - 1 - k }];
            while hull.len() >= start + 2 {
                let (a, b) = (hull[hull.len() - 2], hull[hull.len() - 1]);
                if (b - a).perp(&(p - b)) > 0.0 {
                    break;
                }
                hull.pop();
            }
            hull.push(p);
        }
        hull.pop();
    }
    let n = hull.len();
    (0..n).map(|k| (hull[(k + 1) % n] - hull[k]).norm()).sum()
}

fn any_perpendicular(axis: &Vector3) -> Vector3 {
    let other = if axis.x.abs() < 0.6 {
        Vector3::x()
    } else {
        Vector3::y()
    };
    axis.cross(&other).normalize()
}

/// The direction away from an open rim or flat underside, if one stands out.
///
/// The area vectors of a closed surface add up to nothing; those of an open one, faces outward, look
/// away from the rim. A flat underside shows as the direction in which most area looks, if that is much.
fn underside(positions: &[Point3], faces: &[[u32; 3]]) -> Option<Vector3> {
    /// Share of the surface that the rim's area must have. A hemisphere's rim has a half, a neck
    /// on a whole head a twelfth.
    const RIM: f64 = 0.05;
    /// Share of the surface that must look one way to be a flat underside; a sphere has 0.0004 within
    /// the angle below.
    const FLAT: f64 = 0.06;
    /// Normals within this angle look the same way: cos 2.5°.
    const SAME_WAY: f64 = 0.999;
    let vector = |face: &[u32; 3]| {
        let [a, b, c] = face.map(|v| positions[v as usize]);
        0.5 * (b - a).cross(&(c - a))
    };
    let (mut sum, mut area) = (Vector3::zeros(), 0.0);
    for face in faces {
        let v = vector(face);
        sum += v;
        area += v.norm();
    }
    if sum.norm() > RIM * area {
        return sum.try_normalize(0.0);
    }
    // Directions of large flat parts: area gathered in a coarse map of directions.
    const CELLS: usize = 16;
    let cell = |c: f64| {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to 0..CELLS"
        )]
        let cell = ((c + 1.0) * 0.5 * CELLS as f64).clamp(0.0, CELLS as f64 - 1.0) as usize;
        cell
    };
    let mut map = vec![Vector3::zeros(); CELLS * CELLS * CELLS];
    for face in faces {
        let v = vector(face);
        let n = v.norm();
        if n > 0.0 {
            let key = (cell(v.x / n) * CELLS + cell(v.y / n)) * CELLS + cell(v.z / n);
            map[key] += v;
        }
    }
    let widest = map
        .into_iter()
        .max_by(|a, b| a.norm_squared().total_cmp(&b.norm_squared()))?;
    let down = widest.try_normalize(0.0)?;
    let flat: f64 = faces
        .iter()
        .map(vector)
        .filter(|v| v.dot(&down) > SAME_WAY * v.norm())
        .map(|v| v.norm())
        .sum();
    (flat > FLAT * area).then_some(-down)
}

/// Principal axes of the surface, area-weighted.
fn principal_axes(positions: &[Point3], faces: &[[u32; 3]]) -> Option<[Vector3; 3]> {
    let (mut area, mut centre, mut second) = (0.0, Vector3::zeros(), Matrix3::zeros());
    for face in faces {
        let [a, b, c] = face.map(|v| positions[v as usize]);
        let w = 0.5 * (b - a).cross(&(c - a)).norm();
        let middle = (a.coords + b.coords + c.coords) / 3.0;
        area += w;
        centre += w * middle;
        second += w * middle * middle.transpose();
    }
    if !(area > 0.0 && area.is_finite()) {
        return None;
    }
    let centre = centre / area;
    let spread = second / area - centre * centre.transpose();
    if !spread.iter().all(|c| c.is_finite()) {
        return None;
    }
    let axes = SymmetricEigen::new(spread).eigenvectors;
    Some([0, 1, 2].map(|k| axes.column(k).into_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An ellipsoid of half axes 76, 96, 115 mm: its greatest section across z has the perimeter of an
    /// ellipse 76 × 96, 542.8 mm by Ramanujan's second formula.
    fn head(scale: f64, lowest: f64) -> (Vec<Point3>, Vec<[u32; 3]>) {
        let (rings, round) = (60_u32, 120_u32);
        let mut positions = Vec::new();
        for ring in 0..=rings {
            let z = 1.0 - (1.0 - lowest) * f64::from(ring) / f64::from(rings);
            let r = (1.0 - z * z).max(0.0).sqrt();
            for k in 0..round {
                let a = std::f64::consts::TAU * f64::from(k) / f64::from(round);
                let p = Point3::new(76.0 * r * a.cos(), 96.0 * r * a.sin(), 115.0 * z);
                positions.push(p * scale);
            }
        }
        let mut faces = Vec::new();
        for ring in 0..rings {
            for k in 0..round {
                let next = (k + 1) % round;
                let (a, b) = (ring * round + k, ring * round + next);
                faces.push([a, a + round, b]);
                faces.push([b, a + round, b + round]);
            }
        }
        (positions, faces)
    }

    #[test]
    fn each_unit_is_found_and_a_wrong_one_refused() {
        for (unit, lowest) in Unit::ALL.into_iter().flat_map(|u| [(u, -1.0), (u, -0.1)]) {
            let (positions, faces) = head(1.0 / unit.mm(), lowest);
            for up in [None, Some(Vector3::z())] {
                let settled = settle_units(&positions, &faces, ScanUnits::Auto, up).unwrap();
                assert_eq!(settled.unit, unit);
                assert!(
                    (settled.girth_mm - 542.8).abs() < 2.0,
                    "{}",
                    settled.girth_mm
                );
            }
        }
        let (positions, faces) = head(0.1, -1.0);
        let wrong = settle_units(&positions, &faces, ScanUnits::Given(Unit::Inch), None);
        let message = wrong.unwrap_err().to_string();
        assert!(
            message.contains("to centimetres, which would give 54"),
            "{message}"
        );
        let (positions, faces) = head(3.0, -1.0);
        let none = settle_units(&positions, &faces, ScanUnits::Auto, None);
        assert!(matches!(none, Err(UnitError::NoUnitFits { .. })));
    }

    #[test]
    fn the_axis_found_does_not_depend_on_how_the_scan_lies() {
        let (positions, faces) = head(1.0, -0.2);
        let turn = nalgebra::Rotation3::from_euler_angles(0.3, 1.1, -2.0);
        let turned: Vec<Point3> = positions.iter().map(|p| turn * p).collect();
        let a = settle_units(&positions, &faces, ScanUnits::Auto, None).unwrap();
        let b = settle_units(&turned, &faces, ScanUnits::Auto, None).unwrap();
        assert!((a.girth_mm - b.girth_mm).abs() < 0.5);
    }
}
