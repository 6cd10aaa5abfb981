//! Points sorted into cubes, to find what is near without a tree.

use std::collections::HashMap;

use crate::Point3;

/// Points by the cube they lie in; cubes in the order of their corners.
#[derive(Debug, Clone)]
pub(super) struct Cells {
    size: f64,
    numbers: HashMap<[i32; 3], u32>,
    /// First place of each cell in `sorted`, and the end.
    starts: Vec<usize>,
    sorted: Vec<u32>,
    of_vertex: Vec<u32>,
    keys: Vec<[i32; 3]>,
    middles: Vec<Point3>,
}

impl Cells {
    pub(super) fn new(points: &[Point3], size: f64) -> Self {
        let mut order: Vec<([i32; 3], u32)> = points
            .iter()
            .enumerate()
            .map(|(v, p)| (key(p, size), crate::mesh::index(v)))
            .collect();
        order.sort_unstable();
        let mut cells = Self {
            size,
            numbers: HashMap::new(),
            starts: Vec::new(),
            sorted: order.iter().map(|o| o.1).collect(),
            of_vertex: vec![0; points.len()],
            keys: Vec::new(),
            middles: Vec::new(),
        };
        for run in order.chunk_by(|a, b| a.0 == b.0) {
            let number = crate::mesh::index(cells.keys.len());
            cells.numbers.insert(run[0].0, number);
            cells.keys.push(run[0].0);
            let first = cells.starts.last().copied().unwrap_or(0);
            if cells.starts.is_empty() {
                cells.starts.push(0);
            }
            cells.starts.push(first + run.len());
            let mut sum = crate::Vector3::zeros();
            for &(_, v) in run {
                cells.of_vertex[v as usize] = number;
                sum += points[v as usize].coords;
            }
            cells.middles.push(Point3::from(sum / run.len() as f64));
        }
        cells
    }

    pub(super) fn count(&self) -> usize {
        self.keys.len()
    }

    /// The points of a cell.
    pub(super) fn of(&self, cell: usize) -> &[u32] {
        &self.sorted[self.starts[cell]..self.starts[cell + 1]]
    }

    pub(super) fn members(&self) -> impl Iterator<Item = &[u32]> {
        (0..self.count()).map(|cell| self.of(cell))
    }

    pub(super) fn of_vertex(&self, v: usize) -> usize {
        self.of_vertex[v] as usize
    }

    /// Cells whose middle is within `radius` of a cell's, itself included.
    pub(super) fn near_cell(&self, cell: usize, radius: f64) -> Vec<usize> {
        let mut found = Vec::new();
        let middle = self.middles[cell];
        let rings = (radius / self.size).ceil() as i32;
        self.each_near(&middle, rings, |other, at| {
            if (at - middle).norm_squared() <= radius * radius {
                found.push(other);
            }
        });
        found
    }

    /// Every cell up to `rings` cubes away from a place, in order, with the mean of its points.
    pub(super) fn each_near(
        &self,
        place: &Point3,
        rings: i32,
        mut each: impl FnMut(usize, Point3),
    ) {
        let own = key(place, self.size);
        for x in -rings..=rings {
            for y in -rings..=rings {
                for z in -rings..=rings {
                    let key = [
                        own[0].saturating_add(x),
                        own[1].saturating_add(y),
                        own[2].saturating_add(z),
                    ];
                    if let Some(&cell) = self.numbers.get(&key) {
                        each(cell as usize, self.middles[cell as usize]);
                    }
                }
            }
        }
    }

    /// Every point within `radius` of a place, in order of cells.
    pub(super) fn each_point(&self, place: &Point3, radius: f64, mut each: impl FnMut(u32)) {
        let rings = (radius / self.size).ceil() as i32;
        self.each_near(place, rings, |cell, _| {
            for &v in self.of(cell) {
                each(v);
            }
        });
    }
}

fn key(p: &Point3, size: f64) -> [i32; 3] {
    // Saturates on coordinates no head has.
    #[allow(clippy::cast_possible_truncation, reason = "saturates")]
    [p.x, p.y, p.z].map(|c| (c / size).floor() as i32)
}
