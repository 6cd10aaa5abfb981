//! An earlier pattern's layout on a new mold, and what has changed since.
//!
//! In: the earlier record and the new head. Out: the layout as it was stored, and a [`Change`]. Heads are
//! aligned on the ears' tops, the front and the nape; never on the outline, which is what may have
//! moved.

use std::f64::consts::PI;

use flatten::{
    Point3,
    dart::{Anchor, DartSpec, Layout, SeamSpec, Towards},
    patch::{Head, align},
    units::format_mm_and_inch,
};
use nalgebra::Isometry3;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Course, HeadUsed, Record, round};

/// What is different from the earlier pattern whose layout was kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Client number of the earlier pattern.
    pub client: String,
    /// Its layout.
    pub layout: String,
    /// Its date, if it had one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Distance between both perimeters, the heads aligned on landmarks; none when the earlier file
    /// does not hold its perimeter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub perimeter: Option<Shift>,
    /// Lengths and areas that can be compared.
    pub figures: Vec<Pair>,
}

/// How far a perimeter has moved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shift {
    /// Largest distance from a point of either perimeter to the other, mm.
    pub largest_mm: f64,
    /// Mean of that distance, mm.
    pub mean_mm: f64,
    /// Landmark nearest to the largest one: `front`, `nape`, `left_ear` or `right_ear`.
    pub near: String,
    /// Whether the new base reaches farther down there than the earlier one.
    pub larger: bool,
    /// Greatest distance between aligned landmarks: how far both heads differ, or how loosely they
    /// were marked, mm.
    pub landmarks_mm: f64,
}

/// One figure, then and now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pair {
    /// What it is: the name of a tape, `area`, `perimeter`, `D1 take-up`, …
    pub name: String,
    /// `mm` or `mm2`.
    pub unit: String,
    /// On the earlier pattern.
    pub earlier: f64,
    /// On this one.
    pub now: f64,
}

/// Why an earlier layout can't be taken over.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LikeError {
    /// Something is placed by coordinates and the file lacks the landmarks.
    #[error(
        "{id} of the earlier pattern is placed by points, and its pattern.json holds no landmarks to bring them over by; draft the earlier fitting again with this version"
    )]
    NoLandmarks {
        /// Dart or seam.
        id: String,
    },
    /// No landmark of that name.
    #[error("{id} of the earlier pattern counts from {from:?}, which is no landmark")]
    UnknownAnchor {
        /// The dart.
        id: String,
        /// What it says.
        from: String,
    },
}

/// The layout of an earlier pattern, for another head: darts by landmark, length along the edge, depth
/// and direction exactly as stored; points brought over with the landmarks.
///
/// # Errors
/// [`LikeError`] when the file does not say where something lies.
pub fn layout_like(earlier: &Record, head: &Head) -> Result<Layout, LikeError> {
    let moved = earlier
        .head
        .as_ref()
        .map(|old| align(&old.marks(), &marks(head)));
    let brought = |id: &str, p: &[f64; 3]| {
        moved
            .map(|moved: Isometry3<f64>| moved * Point3::from(*p))
            .ok_or_else(|| LikeError::NoLandmarks { id: id.to_owned() })
    };
    let darts = earlier.layout.darts.iter().map(|dart| {
        Ok(DartSpec {
            from: anchor(&dart.from).ok_or_else(|| LikeError::UnknownAnchor {
                id: dart.id.clone(),
                from: dart.from.clone(),
            })?,
            along_mm: dart.along_mm,
            depth_mm: dart.depth_mm,
            towards: match &dart.towards {
                Course::Inward => Towards::Inward,
                Course::Crown => Towards::Crown,
                Course::TurnedDeg(angle) => Towards::Turned(angle * PI / 180.0),
                Course::PointMm(p) => Towards::Point(brought(&dart.id, p)?),
            },
        })
    });
    let seams = earlier.layout.seams.iter().map(|seam| {
        let through = seam.through_mm.iter().map(|p| brought(&seam.id, p));
        Ok(SeamSpec {
            through: through.collect::<Result<_, _>>()?,
        })
    });
    Ok(Layout {
        name: earlier.layout.name.clone(),
        darts: darts.collect::<Result<_, _>>()?,
        seams: seams.collect::<Result<_, _>>()?,
    })
}

fn marks(head: &Head) -> [Point3; 4] {
    [head.left_ear, head.right_ear, head.front, head.nape]
}

fn anchor(name: &str) -> Option<Anchor> {
    Some(match name {
        "front" => Anchor::Front,
        "nape" => Anchor::Nape,
        "left_ear" => Anchor::LeftEar,
        "right_ear" => Anchor::RightEar,
        _ => {
            let number: usize = name.strip_prefix("opening:")?.parse().ok()?;
            Anchor::Opening(number.checked_sub(1)?)
        }
    })
}

impl HeadUsed {
    fn marks(&self) -> [Point3; 4] {
        [
            self.left_ear_mm,
            self.right_ear_mm,
            self.front_mm,
            self.nape_mm,
        ]
        .map(Point3::from)
    }
}

impl Change {
    /// What is different between two patterns.
    pub fn between(earlier: &Record, now: &Record) -> Self {
        let mut figures = Vec::new();
        let mut pair = |name: &str, unit: &str, earlier: f64, now: f64| {
            figures.push(Pair {
                name: name.to_owned(),
                unit: unit.to_owned(),
                earlier,
                now,
            });
        };
        pair(
            "area",
            "mm2",
            earlier.surface.area_mm2,
            now.surface.area_mm2,
        );
        let perimeters = [earlier, now].map(|record| record.surface.perimeter_mm);
        pair("perimeter", "mm", perimeters[0], perimeters[1]);
        for tape in &now.tapes {
            if let Some(old) = earlier.tapes.iter().find(|old| old.name == tape.name) {
                pair(&tape.name, "mm", old.mold_mm, tape.mold_mm);
            }
        }
        for dart in &now.layout.darts {
            if let Some(old) = earlier.layout.darts.iter().find(|old| old.id == dart.id) {
                let name = format!("{} take-up", dart.id);
                pair(&name, "mm", old.take_up_mm, dart.take_up_mm);
            }
        }
        Self {
            client: earlier.client.clone(),
            layout: earlier.layout.name.clone(),
            date: earlier.date.clone(),
            perimeter: match (&earlier.head, &now.head) {
                (Some(old), Some(new)) => shift(old, new),
                _ => None,
            },
            figures,
        }
    }

    /// The shift of the perimeter in a sentence.
    pub fn moved(&self) -> String {
        let Some(shift) = &self.perimeter else {
            return "The earlier pattern.json does not hold its perimeter, so the shift can't be told."
                .into();
        };
        if shift.largest_mm < 0.05 {
            return "The perimeter lies where it did.".into();
        }
        let way = if shift.larger { "larger" } else { "smaller" };
        format!(
            "The perimeter has moved by {} on average and by {} at most, near the {}: the base is {way} \
             there. (Heads laid on one another by front, nape and ears; these differ by {}.)",
            format_mm_and_inch(shift.mean_mm),
            format_mm_and_inch(shift.largest_mm),
            super::in_words(&shift.near),
            format_mm_and_inch(shift.landmarks_mm),
        )
    }
}

impl Pair {
    /// Name, then, now and difference, for people.
    pub fn cells(&self) -> Vec<String> {
        let value = |x: f64| match self.unit.as_str() {
            "mm2" => format!("{:.1} cm²", x / 100.0),
            _ => format_mm_and_inch(x),
        };
        let by = self.now - self.earlier;
        let change = match self.unit.as_str() {
            "mm2" => format!("{:+.1} cm²", no_minus_nought(by / 100.0)),
            _ => format!("{:+.1} mm", no_minus_nought(by)),
        };
        vec![
            super::in_words(&self.name),
            value(self.earlier),
            value(self.now),
            change,
        ]
    }
}

fn no_minus_nought(x: f64) -> f64 {
    // Adding zero takes the minus from a nought.
    (x * 10.0).round() / 10.0 + 0.0
}

/// How far apart two perimeters are, the heads laid on one another.
fn shift(old: &HeadUsed, new: &HeadUsed) -> Option<Shift> {
    let moved = align(&old.marks(), &new.marks());
    let ring = |list: &[[f64; 3]]| list.iter().map(|p| Point3::from(*p)).collect::<Vec<_>>();
    let before: Vec<Point3> = ring(&old.perimeter_mm).iter().map(|p| moved * p).collect();
    let after = ring(&new.perimeter_mm);
    let crown = Point3::from(new.crown_mm);
    let mut all = Vec::new();
    for (points, line, is_new) in [(&before, &after, false), (&after, &before, true)] {
        for p in points {
            let (gap, at) = nearest(*p, line)?;
            let (then, now) = if is_new { (at, *p) } else { (*p, at) };
            let larger = (now - crown).norm() > (then - crown).norm();
            all.push((gap, now, larger));
        }
    }
    let worst = all.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let names = ["left_ear", "right_ear", "front", "nape"];
    let near = new
        .marks()
        .into_iter()
        .zip(names)
        .min_by(|a, b| (a.0 - worst.1).norm().total_cmp(&(b.0 - worst.1).norm()))?
        .1;
    let apart = old.marks().into_iter().zip(new.marks());
    Some(Shift {
        largest_mm: round(worst.0),
        mean_mm: round(all.iter().map(|x| x.0).sum::<f64>() / all.len() as f64),
        near: near.into(),
        larger: worst.2,
        landmarks_mm: round(
            apart
                .map(|(a, b)| (moved * a - b).norm())
                .fold(0.0, f64::max),
        ),
    })
}

/// The closest place of a closed line.
fn nearest(p: Point3, ring: &[Point3]) -> Option<(f64, Point3)> {
    let next = ring.iter().cycle().skip(1);
    ring.iter()
        .zip(next)
        .map(|(a, b)| {
            let d = b - a;
            let long = d.norm_squared();
            let t = if long > 0.0 {
                ((p - a).dot(&d) / long).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let at = a + d * t;
            ((p - at).norm(), at)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(radius: f64, turn: &Isometry3<f64>) -> HeadUsed {
        let at = |x: f64, y: f64, z: f64| {
            let p = turn * Point3::new(x, y, z);
            [p.x, p.y, p.z]
        };
        HeadUsed {
            front_mm: at(0.0, 96.0, 31.0),
            nape_mm: at(0.0, -88.0, -52.0),
            left_ear_mm: at(-76.0, 4.0, -8.0),
            right_ear_mm: at(76.0, 4.0, -8.0),
            crown_mm: at(0.0, 0.0, 120.0),
            perimeter_mm: (0..360)
                .map(|i| {
                    let angle = f64::from(i).to_radians();
                    at(radius * angle.cos(), radius * angle.sin(), 0.0)
                })
                .collect(),
        }
    }

    #[test]
    fn a_wider_circle_has_moved_by_the_difference_of_radii_however_the_scan_lies() {
        let turn = Isometry3::new(
            flatten::Vector3::new(40.0, 500.0, -3.0),
            flatten::Vector3::new(0.2, -1.0, 2.0),
        );
        let moved = shift(&head(90.0, &Isometry3::identity()), &head(95.0, &turn)).unwrap();
        assert!((moved.mean_mm - 5.0).abs() < 0.02, "{moved:?}");
        assert!((moved.largest_mm - 5.0).abs() < 0.02, "{moved:?}");
        assert!(moved.larger && moved.landmarks_mm < 1e-6, "{moved:?}");
        let back = shift(&head(95.0, &turn), &head(90.0, &Isometry3::identity())).unwrap();
        assert!(!back.larger);
        let same = shift(&head(90.0, &turn), &head(90.0, &turn)).unwrap();
        assert!(same.largest_mm < 1e-6);
    }
}
