//! Where the hair ends on the form: a plausible invented hairline as a closed smooth curve.
//!
//! In: control directions seen from the form's centre. Out: the curve's directions and the named
//! points on it. The heights are common practice: front hairline about 70 mm above the nasion (72 mm
//! men, 67 mm women in one study, doi 10.1186/s40902-019-0191-7), nape hairline about 45 mm below the
//! inion (from memory, no source).

use crate::Vector3;

/// A closed hairline, the same left and right.
#[derive(Debug, Clone, PartialEq)]
pub struct Hairline {
    /// Control points of the right half from the front centre to the nape centre: azimuth from the
    /// front towards the client's right and elevation, degrees.
    controls: Vec<(f64, f64)>,
    /// How far it is moved, degrees, by [`Shift`].
    shifts: [f64; SHIFTS],
}

/// A way in which hairlines differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shift {
    /// Front hairline up.
    Front,
    /// Temples and sideburns up.
    Side,
    /// Line over the ear up, and the ear with it.
    Ear,
    /// Nape hairline up.
    Nape,
    /// Nape corners apart.
    NapeWidth,
}

/// Number of ways in which a full hairline can be moved.
pub(crate) const SHIFTS: usize = 5;

/// How much people differ in each, degrees. At the ear (5 mm a side) so much that the coronal arc of a
/// known girth spreads by the published 12.6 mm (NIOSH 2003); about 5 mm at the front, 7 mm at nape and
/// sideburn from memory, no source.
pub(super) const SHIFT_SPREAD: [f64; SHIFTS] = [3.0, 4.0, 3.5, 4.0, 5.0];

/// How much of each shift a control of [`FULL`] takes.
const SHARES: [(Shift, &[(usize, f64)]); SHIFTS] = [
    (
        Shift::Front,
        &[(0, 1.0), (1, 1.0), (2, 1.0), (3, 0.8), (4, 0.5)],
    ),
    (
        Shift::Side,
        &[(5, 0.5), (6, 0.8), (7, 1.0), (8, 1.0), (9, 0.6)],
    ),
    (Shift::Ear, &[(9, 0.3), (10, 1.0), (11, 1.0), (12, 0.5)]),
    (Shift::Nape, &[(13, 0.3), (14, 0.8), (15, 1.0), (16, 1.0)]),
    (Shift::NapeWidth, &[(13, 0.5), (14, 1.0), (15, 0.4)]),
];

/// Where the scalp meets the top of the right ear, azimuth and elevation in degrees (from memory:
/// about 28 mm above the ear point of the average scalp and a little behind it).
const EAR_TOP: (f64, f64) = (100.0, -1.0);

/// Samples a control point on the sampled curve.
const SAMPLES: usize = 3;

/// Control points, degrees: front centre, recession of the temple, sideburn, over the ear, behind the
/// ear, nape corner, nape centre. Invented.
const FULL: [(f64, f64); 17] = [
    (0.0, 24.0),
    (14.0, 24.5),
    (26.0, 26.5),
    (37.0, 29.5),
    (43.0, 23.0),
    (47.0, 11.0),
    (57.0, -2.0),
    (70.0, -12.0),
    (81.0, -24.0),
    (92.0, -15.0),
    (99.0, 1.0),
    (109.0, -2.0),
    (117.0, -18.0),
    (122.0, -32.0),
    (133.0, -41.0),
    (155.0, -38.0),
    (180.0, -36.0),
];

/// A piece for front and crown only.
const TOP: [(f64, f64); 9] = [
    (0.0, 24.5),
    (14.0, 25.0),
    (28.0, 30.0),
    (42.0, 37.0),
    (70.0, 36.0),
    (100.0, 32.0),
    (130.0, 28.0),
    (155.0, 25.0),
    (180.0, 24.0),
];

/// The right ear point, azimuth and elevation in degrees: LPA and RPA of the average scalp.
const TRAGION: (f64, f64) = (97.6, -21.3);

impl Hairline {
    /// Round the whole head, above the ears and down to the nape.
    #[must_use]
    pub fn full() -> Self {
        Self {
            controls: FULL.to_vec(),
            shifts: [0.0; SHIFTS],
        }
    }

    /// Round front and crown only.
    #[must_use]
    pub fn top_piece() -> Self {
        Self {
            controls: TOP.to_vec(),
            shifts: [0.0; SHIFTS],
        }
    }

    /// The full hairline moved by this many degrees in each way.
    #[must_use]
    pub(super) fn moved(shifts: [f64; SHIFTS]) -> Self {
        let mut controls = FULL.to_vec();
        for ((shift, shares), by) in SHARES.iter().zip(shifts) {
            for &(control, share) in *shares {
                if *shift == Shift::NapeWidth {
                    // wider is nearer the front
                    controls[control].0 -= share * by;
                } else {
                    controls[control].1 += share * by;
                }
            }
        }
        Self { controls, shifts }
    }

    /// Where the scalp meets the top of an ear; `side` +1 for the client's right, −1 for the left.
    pub(super) fn ear_top(&self, side: f64) -> Vector3 {
        towards(side * EAR_TOP.0, EAR_TOP.1 + self.shifts[2])
    }

    /// The ear point of anthropometry (tragion); it moves with the ear.
    pub(super) fn tragion(&self, side: f64) -> Vector3 {
        towards(side * TRAGION.0, TRAGION.1 + self.shifts[2])
    }

    /// Directions along the curve: front, right side, nape, left side.
    ///
    /// # Method
    /// Uniform cubic B-spline through control points on the unit sphere, pushed back to it: twice
    /// continuously differentiable, and it never swings beyond its controls.
    #[must_use]
    pub fn directions(&self) -> Vec<Vector3> {
        let ring = self.ring();
        let count = ring.len();
        (0..count * SAMPLES)
            .map(|i| {
                let (k, t) = (i / SAMPLES, (i % SAMPLES) as f64 / SAMPLES as f64);
                let at = |j: usize| ring[(k + count + j - 1) % count];
                let weights = [
                    (1.0 - t).powi(3),
                    3.0 * t.powi(3) - 6.0 * t * t + 4.0,
                    -3.0 * t.powi(3) + 3.0 * t * t + 3.0 * t + 1.0,
                    t.powi(3),
                ];
                let sum: Vector3 = (0..4).map(|j| at(j) * weights[j]).sum();
                sum.normalize()
            })
            .collect()
    }

    /// All controls as directions: the right half, then the left half from the nape back to the front.
    fn ring(&self) -> Vec<Vector3> {
        let last = self.controls.len() - 1;
        let right = self.controls.iter().map(|&(a, e)| towards(a, e));
        let left = self.controls[1..last]
            .iter()
            .rev()
            .map(|&(a, e)| towards(-a, e));
        right.chain(left).collect()
    }
}

/// Unit vector from azimuth (front to right) and elevation, degrees.
pub(super) fn towards(azimuth_deg: f64, elevation_deg: f64) -> Vector3 {
    let (sa, ca) = azimuth_deg.to_radians().sin_cos();
    let (se, ce) = elevation_deg.to_radians().sin_cos();
    Vector3::new(ce * sa, ce * ca, se)
}
