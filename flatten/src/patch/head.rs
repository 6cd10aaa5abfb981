//! Where the head is: landmarks laid on the mold, and the axes they fix.

use std::f64::consts::TAU;

use crate::{
    Point3, Vector3,
    mesh::{TriMesh, index},
};

use super::{Head, PatchError, REACH_MM};

/// Part of a half-space looked at when telling top from bottom: directions within 75° of the axis.
/// Lower ones meet the brow and the ears, which say little.
const CONE_COS: f64 = 0.258_819_045_102_520_76;

/// By how much the far side must look more like a scalp than the near side before the landmarks are
/// refused for that alone. A sphere scores equally both ways and passes.
const CLEARLY_WORSE: f64 = 0.1;

/// By how much it must when the ears say the same. The average adult scalp of PyPI `mne` with a full
/// hairline differs by 0.076.
const WORSE: f64 = 0.03;

/// Ears lie above the line from nape to front by as much as that line rises: this many radians for
/// each part of the line's length that they do. On the average head ([`crate::form::average_head`]) the
/// line rises by 31.1° and the ears lie 0.0862 of it above; where both are level, as the rim of a cap may
/// be, nothing is turned. Checked on two heads with hairlines of another rule: off by 2° on the average
/// scalp of PyPI `mne`, by 5° on its `colin27`; without it by 34° and 16°.
const RISE_PER_PART: f64 = 6.30;

/// No hairline rises by more, radians (40°).
const RISE_AT_MOST_RAD: f64 = 0.7;

/// How far the ears' tops lie above the line from front to nape hairline at least, mm, to have a say:
/// on heads it is about 20 mm, and swapped ears turn that about.
const EARS_SAY_MM: f64 = 5.0;

impl Head {
    /// Lays the landmarks on the mold and finds the head's axes.
    ///
    /// Right is left ear → right ear; forward is nape → front made square to it and levelled, since
    /// a hairline is some 80 mm higher in front than at the nape; up is square to both. A landmark a
    /// little off the surface is moved onto it. Without a `crown` it is the point of the mold farthest
    /// up on the mid-plane (through the middle of the landmarks, square to right).
    ///
    /// # Errors
    /// - [`PatchError::LandmarkOff`] for a landmark over 10 mm off the mold.
    /// - [`PatchError::LandmarksTogether`] when they fix no axes.
    /// - [`PatchError::Mirrored`] when the scalp lies below the axes: then the ears are swapped or
    ///   the scan is a mirror image. Told by the crown where one is given; otherwise by the
    ///   distances from the middle of the landmarks to the mold, which are alike over a scalp and
    ///   unlike (or endless, in an open mold) on the side of face and neck, and by the ears, which
    ///   lie above the line from front to nape. A mold that is alike on
    ///   both sides, such as a closed sphere, can't be told and passes.
    pub fn from_landmarks(
        front: Point3,
        nape: Point3,
        left_ear: Point3,
        right_ear: Point3,
        crown: Option<Point3>,
        mold: &TriMesh,
    ) -> Result<Self, PatchError> {
        let on_mold = |name: &'static str, point: Point3| {
            if !point.coords.iter().all(|c| c.is_finite()) {
                return Err(PatchError::LandmarkOff {
                    name,
                    distance_mm: f64::NAN,
                });
            }
            let (_, at, distance_mm) = mold.project(point);
            if distance_mm > REACH_MM {
                return Err(PatchError::LandmarkOff { name, distance_mm });
            }
            Ok(at)
        };
        let front = on_mold("front", front)?;
        let nape = on_mold("nape", nape)?;
        let left_ear = on_mold("left_ear", left_ear)?;
        let right_ear = on_mold("right_ear", right_ear)?;
        let given = crown.map(|c| on_mold("crown", c)).transpose()?;

        let across = right_ear - left_ear;
        let along = front - nape;
        let right = across
            .try_normalize(1e-9)
            .ok_or(PatchError::LandmarksTogether)?;
        let square = along - right * along.dot(&right);
        // Within a few degrees of the ear line, the front is not in front of anything.
        if square.norm() < 0.1 * along.norm() || along.norm() < 1e-9 {
            return Err(PatchError::LandmarksTogether);
        }
        let rising = square.normalize();
        let off_line = right.cross(&rising);
        let middle =
            Point3::from((front.coords + nape.coords + left_ear.coords + right_ear.coords) / 4.0);
        let ears_above = (nalgebra::center(&left_ear, &right_ear) - front).dot(&off_line);
        let rise = (RISE_PER_PART * ears_above / along.norm()).clamp(0.0, RISE_AT_MOST_RAD);
        let forward = rising * rise.cos() - off_line * rise.sin();
        let up = right.cross(&forward);
        let crown = if let Some(crown) = given {
            if (crown - middle).dot(&off_line) < 0.0 {
                return Err(PatchError::Mirrored);
            }
            crown
        } else {
            let unlike = |side| unlikeness(mold, middle, side);
            let (own, other) = rayon::join(|| unlike(off_line), || unlike(-off_line));
            let worse = own - other;
            let ears_low = ears_above < -EARS_SAY_MM;
            if worse > CLEARLY_WORSE || (worse > WORSE && ears_low) {
                return Err(PatchError::Mirrored);
            }
            top(mold, middle, right, up)
        };
        Ok(Self {
            front,
            nape,
            left_ear,
            right_ear,
            crown,
            right,
            forward,
            up,
        })
    }

    /// A point in head axes: to the right, to the front, up, mm, from the middle of the ears.
    #[must_use]
    pub fn in_axes(&self, point: Point3) -> [f64; 3] {
        let d = point - nalgebra::center(&self.left_ear, &self.right_ear);
        [d.dot(&self.right), d.dot(&self.forward), d.dot(&self.up)]
    }

    /// A point in parts of the head, the same place on a head of another size: to the right in halves of
    /// the distance of the ears, to the front in halves of that from front to nape (from their middle), up
    /// in crown heights above the ears.
    #[must_use]
    pub fn in_parts(&self, point: Point3) -> [f64; 3] {
        let (middle, part) = self.measures();
        let [x, y, z] = self.in_axes(point);
        [x / part[0], (y - middle) / part[1], z / part[2]]
    }

    /// The point that [`Self::in_parts`] gives these parts.
    #[must_use]
    pub fn at_parts(&self, [x, y, z]: [f64; 3]) -> Point3 {
        let (middle, part) = self.measures();
        nalgebra::center(&self.left_ear, &self.right_ear)
            + self.right * (x * part[0])
            + self.forward * (middle + y * part[1])
            + self.up * (z * part[2])
    }

    /// Where the middle of front and nape lies to the front of the ears, and the lengths of the parts.
    fn measures(&self) -> (f64, [f64; 3]) {
        let [_, front, _] = self.in_axes(self.front);
        let [_, nape, _] = self.in_axes(self.nape);
        let [_, _, crown] = self.in_axes(self.crown);
        let ears = nalgebra::distance(&self.left_ear, &self.right_ear);
        (
            0.5 * (front + nape),
            [0.5 * ears, 0.5 * (front - nape), crown].map(|part| part.max(1.0)),
        )
    }
}

/// How unlike a scalp the mold is on one side: relative spread of its distance from the middle, and
/// the part of the view that meets no mold at all. Weighted by solid angle.
fn unlikeness(mold: &TriMesh, middle: Point3, side: Vector3) -> f64 {
    let (mut weight, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for face in 0..index(mold.face_count()) {
        let [a, b, c] = mold.corners(face);
        let ray = (a.coords + b.coords + c.coords) / 3.0 - middle.coords;
        let distance = ray.norm();
        if distance <= 0.0 || ray.dot(&side) < CONE_COS * distance {
            continue;
        }
        let solid = 0.5 * mold.area_vector(face).dot(&ray).max(0.0) / distance.powi(3);
        weight += solid;
        sum += solid * distance;
        squares += solid * distance * distance;
    }
    let view = TAU * (1.0 - CONE_COS);
    if weight <= 1e-3 * view {
        return 2.0;
    }
    let mean = sum / weight;
    let spread = (squares / weight - mean * mean).max(0.0).sqrt() / mean;
    spread + (1.0 - weight / view).max(0.0)
}

/// The highest point of the mold's section by the mid-plane, or its highest vertex without one.
pub(crate) fn top(mold: &TriMesh, middle: Point3, right: Vector3, up: Vector3) -> Point3 {
    let mut best: Option<(f64, Point3)> = None;
    let mut offer = |p: Point3| {
        let height = (p - middle).dot(&up);
        if best.is_none_or(|b| height > b.0) {
            best = Some((height, p));
        }
    };
    for face in mold.along_plane(middle, right) {
        let p = mold.corners(face);
        let side = p.map(|q| (q - middle).dot(&right));
        for k in 0..3 {
            let j = (k + 1) % 3;
            if (side[k] <= 0.0) != (side[j] <= 0.0) {
                offer(p[k] + (p[j] - p[k]) * (side[k] / (side[k] - side[j])));
            }
        }
    }
    best.map_or_else(
        || {
            mold.positions()
                .iter()
                .copied()
                .max_by(|p, q| (p - middle).dot(&up).total_cmp(&(q - middle).dot(&up)))
                .unwrap_or(middle)
        },
        |b| b.1,
    )
}
