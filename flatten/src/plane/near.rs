//! Nearest places on one line, many times.
//!
//! A tree of bounding boxes over the segments: the same answers as [`nearest`](super::nearest), in O(log n).

use bvh::{
    aabb::{Aabb, Bounded},
    bounding_hierarchy::BHShape,
    bvh::Bvh,
    point_query::PointDistance,
};

use super::Foot;
use crate::Point2;

/// A search tree over the segments of a polyline.
pub struct NearLine {
    tree: Bvh<f64, 2>,
    segments: Vec<Segment>,
}

impl std::fmt::Debug for NearLine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("NearLine")
            .field("segments", &self.segments.len())
            .finish_non_exhaustive()
    }
}

impl NearLine {
    /// Builds the tree.
    #[must_use]
    pub fn new(line: &[Point2]) -> Self {
        let ends = line.windows(2).enumerate();
        let mut segments: Vec<Segment> = ends
            .map(|(number, ends)| Segment {
                ends: [ends[0], ends[1]],
                number,
                node: 0,
            })
            .collect();
        let tree = Bvh::build(&mut segments);
        Self { tree, segments }
    }

    /// Nearest place on the line; `None` when it has fewer than two points.
    #[must_use]
    pub fn to(&self, p: Point2) -> Option<Foot> {
        let (segment, _) = self.tree.nearest_to(p, &self.segments)?;
        Some(segment.foot(p))
    }
}

struct Segment {
    ends: [Point2; 2],
    number: usize,
    node: usize,
}

impl Segment {
    fn foot(&self, p: Point2) -> Foot {
        Foot::on(self.number, self.ends, p)
    }
}

impl Bounded<f64, 2> for Segment {
    fn aabb(&self) -> Aabb<f64, 2> {
        let [a, b] = self.ends;
        Aabb::empty().grow(&a).grow(&b)
    }
}

impl BHShape<f64, 2> for Segment {
    fn set_bh_node_index(&mut self, node: usize) {
        self.node = node;
    }
    fn bh_node_index(&self) -> usize {
        self.node
    }
}

impl PointDistance<f64, 2> for Segment {
    fn distance_squared(&self, query: Point2) -> f64 {
        (query - self.foot(query).at).norm_squared()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::nearest;

    #[test]
    fn the_tree_finds_what_a_walk_along_the_line_finds() {
        // A spiral that comes near itself, with a point twice.
        let mut line: Vec<Point2> = (0..200)
            .map(|k| 0.1 * f64::from(k))
            .map(|turn| Point2::new(turn * turn.cos(), turn * turn.sin()))
            .collect();
        line.insert(50, line[50]);
        let tree = NearLine::new(&line);
        let mut random = fastrand::Rng::with_seed(1);
        for _ in 0..500 {
            let [x, y] = [(); 2].map(|()| 50.0 * random.f64() - 25.0);
            let p = Point2::new(x, y);
            let (found, walked) = (tree.to(p).unwrap(), nearest(&line, p).unwrap());
            assert!((found.distance - walked.distance).abs() < 1e-12);
            assert!((found.at - walked.at).norm() < 1e-9);
        }
    }

    #[test]
    fn a_point_is_no_line() {
        assert_eq!(
            NearLine::new(&[Point2::origin()]).to(Point2::origin()),
            None
        );
        assert_eq!(NearLine::new(&[]).to(Point2::origin()), None);
    }
}
