//! How far a step may go before a triangle turns over.
//!
//! Method: the signed area of a triangle whose corners move along straight lines is a quadratic in
//! the step; its smallest positive root bounds the step (Smith & Schaefer 2015, "Bijective
//! parameterization with free boundaries", section 3.3, 10.1145/2766947). Because the whole path
//! stays free of flips, no vertex can become wound round twice either.

use rayon::prelude::*;

use super::vectors::CHUNK;

/// The greatest step along `move_by`, of no more than `most`, up to which no triangle has lost its area.
pub(crate) fn step_bound(
    faces: &[[u32; 3]],
    uv: &[[f64; 2]],
    move_by: &[[f64; 2]],
    most: f64,
) -> f64 {
    let part = |faces: &[[u32; 3]]| {
        faces.iter().fold(most, |most, corners| {
            let moving = corners.map(|v| (uv[v as usize], move_by[v as usize]));
            first_collapse(moving, most)
        })
    };
    if faces.len() <= CHUNK {
        return part(faces);
    }
    faces.par_chunks(CHUNK).map(part).reduce(|| most, f64::min)
}

/// When a triangle loses its area, if that is before `most`.
#[inline]
fn first_collapse([(p0, d0), (p1, d1), (p2, d2)]: [([f64; 2], [f64; 2]); 3], most: f64) -> f64 {
    let side = |a: [f64; 2], b: [f64; 2]| [b[0] - a[0], b[1] - a[1]];
    let perp = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    let (e1, e2) = (side(p0, p1), side(p0, p2));
    let (m1, m2) = (side(d0, d1), side(d0, d2));
    let constant = perp(e1, e2);
    let linear = perp(e1, m2) + perp(m1, e2);
    let square = perp(m1, m2);
    // All that could be lost until then is less than there is: nearly every triangle.
    if constant > most * (linear.abs() + most * square.abs()) {
        return most;
    }
    let discriminant = linear * linear - 4.0 * square * constant;
    if discriminant < 0.0 {
        return most;
    }
    // The forms without cancellation.
    let first = if linear < 0.0 {
        2.0 * constant / (discriminant.sqrt() - linear)
    } else if square < 0.0 {
        (linear + discriminant.sqrt()) / (-2.0 * square)
    } else {
        most
    };
    first.min(most)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_corner_that_walks_through_the_opposite_side_stops_there() {
        let uv = [[0.0, 0.0], [2.0, 0.0], [1.0, 3.0]];
        let within = |d: [[f64; 2]; 3], most| step_bound(&[[0, 1, 2]], &uv, &d, most);
        let bound = |d| within(d, f64::INFINITY);
        assert!((bound([[0.0; 2], [0.0; 2], [0.0, -1.0]]) - 3.0).abs() < 1e-15);
        assert!(bound([[0.0; 2], [0.0; 2], [0.0, 1.0]]).is_infinite());
        assert!(bound([[1.0, 2.0]; 3]).is_infinite());
        assert!((within([[0.0; 2], [0.0; 2], [0.0, -1.0]], 3.1) - 3.0).abs() < 1e-15);
        assert!((within([[0.0; 2], [0.0; 2], [0.0, -1.0]], 2.9) - 2.9).abs() < 1e-15);
        // All sides shrink towards the first corner: the area has a double root at 1.
        assert!((bound([[0.0; 2], [-2.0, 0.0], [-1.0, -3.0]]) - 1.0).abs() < 1e-7);
    }
}
