//! The points a tape is held to, found from the landmarks and the perimeter.
//!
//! In: a [`Head`] and its perimeter. Out: [`Stations`]. What a full hairline has and a partial base
//! has not (sideburns, temples, nape corners) is left out for a partial one.

use crate::{Point3, Vector3, patch::Head};

/// Points on the head to which tapes are held.
#[derive(Debug, Clone, PartialEq)]
pub struct Stations {
    /// Landmarks and axes.
    pub head: Head,
    /// Points of a full hairline.
    pub hairline: Option<HairlineStations>,
    /// The ear points of anthropometry (tragion), client's right first, where they are known.
    pub tragions: Option<[Point3; 2]>,
}

/// Points of a full hairline, client's right first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HairlineStations {
    /// Front edge of the temple hairline: half way in height from the front centre to the ear's top.
    pub temples: [Point3; 2],
    /// Lowest point in front of the ear.
    pub sideburns: [Point3; 2],
    /// Nape corner: where the line behind the ear turns to the nape.
    pub nape_corners: [Point3; 2],
}

/// A perimeter farther from an ear's top than this does not run round the ears, mm.
const EAR_REACH_MM: f64 = 30.0;

/// Step at which the perimeter is searched, mm: well under what a tape shows.
const STEP_MM: f64 = 0.5;

impl Stations {
    /// Finds the stations on a perimeter given in order, either way round.
    #[must_use]
    pub fn of(head: &Head, perimeter: &[Point3]) -> Self {
        Self {
            head: *head,
            hairline: hairline(head, perimeter),
            tragions: None,
        }
    }

    /// A point well inside the head: outward is away from it.
    #[must_use]
    pub(super) fn inside(&self) -> Point3 {
        let h = &self.head;
        let sum = h.front.coords + h.nape.coords + h.left_ear.coords + h.right_ear.coords;
        Point3::from(sum / 4.0)
    }
}

fn hairline(head: &Head, perimeter: &[Point3]) -> Option<HairlineStations> {
    let ring = divided(perimeter);
    let front = nearest(&ring, &head.front)?;
    let nape = nearest(&ring, &head.nape)?;
    let side = |ear: &Point3| {
        let at = nearest(&ring, ear)?;
        if (ring[at] - ear).norm() > EAR_REACH_MM {
            return None;
        }
        let before = stretch(&ring, front, at, nape);
        let behind = stretch(&ring, at, nape, front);
        let height = |p: &Point3| p.coords.dot(&head.up);
        let half_way = f64::midpoint(height(&head.front), height(ear));
        // the front edge, should the hairline pass that height more than once
        let temple = before
            .windows(2)
            .filter(|w| (height(&w[0]) - half_way) * (height(&w[1]) - half_way) <= 0.0)
            .map(|w| between_heights(&w[0], &w[1], half_way, &head.up))
            .max_by(|a, b| {
                let forward = |p: &Point3| p.coords.dot(&head.forward);
                forward(a).total_cmp(&forward(b))
            })?;
        let sideburn = *before
            .iter()
            .min_by(|a, b| height(a).total_cmp(&height(b)))?;
        let chord = (ring[nape] - ring[at]).normalize();
        let off = |p: &Point3| {
            let d: Vector3 = p - ring[at];
            (d - chord * chord.dot(&d)).norm()
        };
        let corner = *behind.iter().max_by(|a, b| off(a).total_cmp(&off(b)))?;
        Some((temple, sideburn, corner))
    };
    let right = side(&head.right_ear)?;
    let left = side(&head.left_ear)?;
    Some(HairlineStations {
        temples: [right.0, left.0],
        sideburns: [right.1, left.1],
        nape_corners: [right.2, left.2],
    })
}

/// The point between two at a given height.
fn between_heights(a: &Point3, b: &Point3, height: f64, up: &Vector3) -> Point3 {
    let (ha, hb) = (a.coords.dot(up), b.coords.dot(up));
    let t = if (hb - ha).abs() < f64::EPSILON {
        0.0
    } else {
        (height - ha) / (hb - ha)
    };
    a + (b - a) * t.clamp(0.0, 1.0)
}

/// The closed line with points no more than [`STEP_MM`] apart.
fn divided(perimeter: &[Point3]) -> Vec<Point3> {
    let mut out = Vec::new();
    for (i, a) in perimeter.iter().enumerate() {
        let b = &perimeter[(i + 1) % perimeter.len()];
        let parts = ((b - a).norm() / STEP_MM).ceil().clamp(1.0, 1000.0) as usize;
        out.extend((0..parts).map(|k| a + (b - a) * (k as f64 / parts as f64)));
    }
    out
}

fn nearest(ring: &[Point3], to: &Point3) -> Option<usize> {
    (0..ring.len()).min_by(|&a, &b| {
        let gap = |i: usize| (ring[i] - to).norm_squared();
        gap(a).total_cmp(&gap(b))
    })
}

/// The ring's stretch from one index to another that does not pass a third.
fn stretch(ring: &[Point3], from: usize, to: usize, avoiding: usize) -> Vec<Point3> {
    let n = ring.len();
    let forth = (to + n - from) % n;
    let third = (avoiding + n - from) % n;
    let take = |i: usize| {
        if forth <= third {
            ring[(from + i) % n]
        } else {
            ring[(from + n - i % n) % n]
        }
    };
    let count = if forth <= third { forth } else { n - forth };
    (0..=count).map(take).collect()
}
