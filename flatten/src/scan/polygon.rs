//! Splitting polygons into triangles.
//!
//! Ears are clipped in the polygon's mean plane (Newell's normal; ear clipping after Meisters 1975),
//! so concave outlines stay right. O(n²); above [`MAX_EARS`] corners a plain fan is used, which is
//! right for convex outlines only.

use crate::{Point3, Vector3};

/// Longest outline that ears are clipped from: beyond it the square cost would let a small file hang.
const MAX_EARS: usize = 128;

/// Triangles of an outline as corner numbers, in the outline's own turn.
///
/// Outlines of fewer than three corners give none.
pub(super) fn triangulate(outline: &[Point3], out: &mut Vec<[usize; 3]>) {
    let n = outline.len();
    if n < 3 {
        return;
    }
    let normal = newell(outline);
    let flat_enough = normal.norm() > 0.0 && normal.norm().is_finite();
    if n == 3 || n > MAX_EARS || !flat_enough {
        out.extend((1..n - 1).map(|k| [0, k, k + 1]));
        return;
    }
    let mut left: Vec<usize> = (0..n).collect();
    while left.len() > 3 {
        let ear = best_ear(outline, &left, &normal);
        let m = left.len();
        out.push([left[(ear + m - 1) % m], left[ear], left[(ear + 1) % m]]);
        left.remove(ear);
    }
    out.push([left[0], left[1], left[2]]);
}

/// The ear with the best shape; where rounding leaves none, the corner that is least bad.
fn best_ear(outline: &[Point3], left: &[usize], normal: &Vector3) -> usize {
    let m = left.len();
    let corner = |k: usize| outline[left[k % m]];
    let doubled = |a: Point3, b: Point3, c: Point3| (b - a).cross(&(c - a)).dot(normal);
    let mut best = (f64::NEG_INFINITY, 0);
    for k in 0..m {
        let (a, b, c) = (corner(k + m - 1), corner(k), corner(k + 1));
        let area = doubled(a, b, c);
        let sides = (b - a).norm_squared() + (c - b).norm_squared() + (a - c).norm_squared();
        let shape = area / (normal.norm() * sides).max(f64::MIN_POSITIVE);
        let blocked = area <= 0.0
            || (k + 2..k + m - 1).map(corner).any(|p| {
                doubled(a, b, p) >= 0.0 && doubled(b, c, p) >= 0.0 && doubled(c, a, p) >= 0.0
            });
        // Every shape lies in -1..1, so a blocked corner never beats a free one.
        let score = if blocked { shape.min(0.0) - 2.0 } else { shape };
        if score > best.0 {
            best = (score, k);
        }
    }
    best.1
}

fn newell(outline: &[Point3]) -> Vector3 {
    let from = outline[0];
    (1..outline.len() - 1)
        .map(|k| (outline[k] - from).cross(&(outline[k + 1] - from)))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area_of(outline: &[Point3]) -> (f64, usize) {
        let mut triangles = Vec::new();
        triangulate(outline, &mut triangles);
        let area = triangles
            .iter()
            .map(|&[a, b, c]| {
                let doubled = (outline[b] - outline[a])
                    .cross(&(outline[c] - outline[a]))
                    .z;
                assert!(doubled > 0.0, "{a} {b} {c} is turned over");
                0.5 * doubled
            })
            .sum();
        (area, triangles.len())
    }

    #[test]
    fn a_concave_arrow_head_keeps_its_area_whatever_corner_comes_first() {
        let arrow = [(0.0, 0.0), (2.0, 0.0), (0.5, 0.5), (0.0, 2.0)];
        for first in 0..4 {
            let outline: Vec<Point3> = (0..4)
                .map(|k| arrow[(first + k) % 4])
                .map(|(x, y)| Point3::new(x, y, 0.0))
                .collect();
            let (area, count) = area_of(&outline);
            assert_eq!(count, 2);
            assert!((area - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_comb_of_many_teeth_keeps_its_area() {
        let mut outline = vec![Point3::new(0.0, -1.0, 0.0), Point3::new(20.0, -1.0, 0.0)];
        for tooth in (0..20).rev() {
            let x = f64::from(tooth);
            outline.push(Point3::new(x + 1.0, 0.0, 0.0));
            outline.push(Point3::new(x + 0.5, 3.0, 0.0));
        }
        outline.push(Point3::new(0.0, 0.0, 0.0));
        let (area, _) = area_of(&outline);
        assert!((area - (20.0 + 20.0 * 1.5)).abs() < 1e-9, "{area}");
    }
}
