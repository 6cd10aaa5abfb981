//! How far a step may go before a triangle turns over.
//!
//! Method: the signed area of a triangle whose corners move along straight lines is a quadratic in
//! the step; its smallest positive root bounds the step (Smith & Schaefer 2015, "Bijective
//! parameterization with free boundaries", section 3.3, 10.1145/2766947). Because the whole path
//! stays free of flips, no vertex can become wound round twice either.

use rayon::prelude::*;

use super::vectors::CHUNK;

/// The greatest step along `move_by` at which no triangle has lost its area; infinite if none does.
pub(crate) fn step_bound(faces: &[[u32; 3]], uv: &[[f64; 2]], move_by: &[[f64; 2]]) -> f64 {
    let part = |faces: &[[u32; 3]]| {
        faces
            .iter()
            .map(|corners| first_collapse(corners.map(|v| (uv[v as usize], move_by[v as usize]))))
            .fold(f64::INFINITY, f64::min)
    };
    if faces.len() <= CHUNK {
        return part(faces);
    }
    faces
        .par_chunks(CHUNK)
        .map(part)
        .reduce(|| f64::INFINITY, f64::min)
}

#[inline]
fn first_collapse([(p0, d0), (p1, d1), (p2, d2)]: [([f64; 2], [f64; 2]); 3]) -> f64 {
    let side = |a: [f64; 2], b: [f64; 2]| [b[0] - a[0], b[1] - a[1]];
    let perp = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    let (e1, e2) = (side(p0, p1), side(p0, p2));
    let (m1, m2) = (side(d0, d1), side(d0, d2));
    let constant = perp(e1, e2);
    let linear = perp(e1, m2) + perp(m1, e2);
    let square = perp(m1, m2);
    let discriminant = linear * linear - 4.0 * square * constant;
    if discriminant < 0.0 {
        return f64::INFINITY;
    }
    // The forms without cancellation.
    if linear < 0.0 {
        2.0 * constant / (discriminant.sqrt() - linear)
    } else if square < 0.0 {
        (linear + discriminant.sqrt()) / (-2.0 * square)
    } else {
        f64::INFINITY
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_corner_that_walks_through_the_opposite_side_stops_there() {
        let uv = [[0.0, 0.0], [2.0, 0.0], [1.0, 3.0]];
        let bound = |d: [[f64; 2]; 3]| step_bound(&[[0, 1, 2]], &uv, &d);
        assert!((bound([[0.0; 2], [0.0; 2], [0.0, -1.0]]) - 3.0).abs() < 1e-15);
        assert!(bound([[0.0; 2], [0.0; 2], [0.0, 1.0]]).is_infinite());
        assert!(bound([[1.0, 2.0]; 3]).is_infinite());
        // All sides shrink towards the first corner: the area has a double root at 1.
        assert!((bound([[0.0; 2], [-2.0, 0.0], [-1.0, -3.0]]) - 1.0).abs() < 1e-7);
    }
}
