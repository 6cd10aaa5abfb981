//! How far a head is from its mirror image.

use crate::Point3;

use super::Patch;

/// Places compared on either side.
const PLACES: usize = 64;

impl Patch {
    /// Root mean square distance between the perimeter and its mirror image in the head's mid-plane,
    /// mm, halved: how far each side is from the even head between them.
    ///
    /// Both halves are walked from the front landmark to the nape in equal parts of their own length.
    #[must_use]
    pub fn unevenness_mm(&self) -> f64 {
        let edge = self.perimeter_edge();
        let (nape, _) = edge.nearest(&self.mesh, self.head.nape);
        if nape <= 0.0 || nape >= edge.length_mm {
            return 0.0;
        }
        let place = |run: f64| {
            let (_, p) = edge.at(&self.mesh, run);
            self.head.in_axes(p)
        };
        let sum: f64 = (0..=PLACES)
            .map(|k| {
                let part = k as f64 / PLACES as f64;
                let [lx, ly, lz] = place(part * nape);
                let [rx, ry, rz] = place(edge.length_mm - part * (edge.length_mm - nape));
                nalgebra::distance_squared(&Point3::new(-lx, ly, lz), &Point3::new(rx, ry, rz))
            })
            .sum();
        0.5 * (sum / (PLACES + 1) as f64).sqrt()
    }
}
