//! The faces of a mesh by where they are.
//!
//! A grid of cubes over the mesh; each holds the faces whose middle lies in it, and the box round them. What is
//! asked of a mesh (the nearest points of a line, where a plane cuts it) concerns a few of the cubes, so
//! only the trees of those are built, each when it is first needed. Sorting the faces costs O(n); a nearest point
//! one look at each box, of which there are some hundreds, and a search in one or two trees.

use std::sync::OnceLock;

use bvh::aabb::Aabb;

use crate::{Point3, Vector3};

use super::{index, nearest::Tree};

/// Faces in a cube, about: trees built for a handful of points stay cheap, and boxes few enough to look at all.
const FACES: f64 = 300.0;

/// Cubes of n × n × n that a head's surface passes, as a multiple of n²: π for a sphere, and half as much again
/// for what is cut.
const PASSED: f64 = 4.7;

/// Most cubes along an edge, whatever the number of faces: all boxes are looked at for each point.
const MOST_ALONG: usize = 16;

/// Faces by the cube they lie in.
#[derive(Debug)]
pub(super) struct FaceCells {
    /// Only cubes with faces, in the order of the grid.
    cells: Vec<Cell>,
}

#[derive(Debug)]
struct Cell {
    bounds: Aabb<f64, 3>,
    faces: Vec<u32>,
    tree: OnceLock<Tree>,
}

impl FaceCells {
    /// Sorts the faces. Serial, as all that is built on demand here: a thread that waited for others amid it could be
    /// handed a task that asks for the same.
    pub(super) fn new(positions: &[Point3], faces: &[[u32; 3]]) -> Self {
        let grid = Grid::over(positions, faces.len());
        let mut cells: Vec<Cell> = (0..grid.count()).map(|_| Cell::empty()).collect();
        for (number, face) in faces.iter().enumerate() {
            let corners = face.map(|v| positions[v as usize]);
            let cell = &mut cells[grid.cell(&corners)];
            cell.faces.push(index(number));
            for corner in &corners {
                cell.bounds.grow_mut(corner);
            }
        }
        cells.retain(|cell| !cell.faces.is_empty());
        Self { cells }
    }

    /// The face closest to a point; `corners` are those of a face.
    pub(super) fn closest(&self, point: Point3, corners: impl Fn(u32) -> [Point3; 3]) -> u32 {
        let gaps: Vec<f64> = self.cells.iter().map(|cell| cell.gap(point)).collect();
        let first = (0..gaps.len())
            .min_by(|&a, &b| gaps[a].total_cmp(&gaps[b]))
            .unwrap_or(0);
        let mut best = self.cells[first].tree(&corners).closest(point);
        for (k, gap) in gaps.into_iter().enumerate() {
            if k != first && gap < best.1 {
                let found = self.cells[k].tree(&corners).closest(point);
                if found.1 < best.1 {
                    best = found;
                }
            }
        }
        best.0
    }

    /// Faces of the cubes that a plane passes, all those that it cuts among them.
    pub(super) fn along_plane(&self, point: Point3, normal: Vector3) -> impl Iterator<Item = u32> {
        let passed = move |cell: &&Cell| {
            let (middle, half) = (cell.bounds.center(), cell.bounds.half_size());
            let reach = half.dot(&normal.abs());
            // Rounding must leave out no face that is cut.
            (middle - point).dot(&normal).abs() <= reach * (1.0 + 1e-9) + 1e-9
        };
        let cells = self.cells.iter().filter(passed);
        cells.flat_map(|cell| cell.faces.iter().copied())
    }
}

impl Cell {
    fn empty() -> Self {
        Self {
            bounds: Aabb::empty(),
            faces: Vec::new(),
            tree: OnceLock::new(),
        }
    }

    /// Squared distance to the box, mm².
    fn gap(&self, point: Point3) -> f64 {
        self.bounds.min_distance_squared(point)
    }

    fn tree(&self, corners: impl Fn(u32) -> [Point3; 3]) -> &Tree {
        self.tree.get_or_init(|| Tree::new(&self.faces, corners))
    }
}

/// Cubes over a box.
struct Grid {
    low: Point3,
    /// Cubes to a millimetre.
    per_mm: f64,
    counts: [usize; 3],
}

impl Grid {
    fn over(positions: &[Point3], faces: usize) -> Self {
        let mut bounds = Aabb::empty();
        for p in positions {
            bounds.grow_mut(p);
        }
        let size = bounds.size();
        let along = (faces as f64 / (FACES * PASSED)).sqrt();
        let along = along.clamp(1.0, MOST_ALONG as f64);
        // Nothing is parted where all lies in one point.
        let per_mm = along.ceil() / size.max().max(f64::MIN_POSITIVE);
        let per_mm = if per_mm.is_finite() { per_mm } else { 0.0 };
        let counts = [0, 1, 2].map(|k| step(size[k] * per_mm, MOST_ALONG) + 1);
        Self {
            low: bounds.min,
            per_mm,
            counts,
        }
    }

    fn count(&self) -> usize {
        self.counts.iter().product()
    }

    fn cell(&self, corners: &[Point3; 3]) -> usize {
        let middle = (corners[0].coords + corners[1].coords + corners[2].coords) / 3.0;
        let from_low = (middle - self.low.coords) * self.per_mm;
        let [x, y, z] = [0, 1, 2].map(|k| step(from_low[k], self.counts[k] - 1));
        (x * self.counts[1] + y) * self.counts[2] + z
    }
}

/// Whole steps, none below zero and none beyond the last.
fn step(x: f64, last: usize) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a cast saturates"
    )]
    let whole = x as usize;
    whole.min(last)
}
