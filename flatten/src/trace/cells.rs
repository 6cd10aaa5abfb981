//! Points sorted into cubes, to find what is near without a tree.
//!
//! Cubes are kept in the order of their corners, x before y before z, with a table of where each column
//! of equal x and y begins: a surface crosses a column a few times only, so what is near a place is a
//! few short runs of a list.

use crate::{Point3, Vector3, mesh::index};

/// Most columns in the table; what is larger than any head gets larger cubes.
const MOST_COLUMNS: f64 = 4e6;

/// Points by the cube they lie in; cubes in the order of their corners.
#[derive(Debug, Clone)]
pub(super) struct Cells {
    size: f64,
    /// Least corner in x and y, and number of columns each way.
    low: [i32; 2],
    columns: [usize; 2],
    /// First cell of each column, and the end.
    column_starts: Vec<u32>,
    /// Height of each cell, in cubes.
    heights: Vec<i32>,
    /// First place of each cell in `sorted`, and the end.
    starts: Vec<u32>,
    sorted: Vec<u32>,
    /// Where the sorted points are.
    places: Vec<Point3>,
    of_vertex: Vec<u32>,
    middles: Vec<Point3>,
}

impl Cells {
    pub(super) fn new(points: &[Point3], size: f64) -> Self {
        let (mut least, mut most) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in points {
            for k in 0..2 {
                least[k] = least[k].min(p[k]);
                most[k] = most[k].max(p[k]);
            }
        }
        let [across, along] = [0, 1].map(|k| (most[k] - least[k]).max(0.0));
        let size = size
            .max((across * along / MOST_COLUMNS).sqrt())
            .max(across.max(along) / MOST_COLUMNS);
        let mut order: Vec<([i32; 3], u32)> = points
            .iter()
            .enumerate()
            .map(|(v, p)| (key(p, size), index(v)))
            .collect();
        order.sort_unstable();
        let mut cells = Self {
            size,
            low: [0; 2],
            columns: [0; 2],
            column_starts: Vec::new(),
            heights: Vec::new(),
            starts: vec![0],
            sorted: order.iter().map(|o| o.1).collect(),
            places: order.iter().map(|o| points[o.1 as usize]).collect(),
            of_vertex: vec![0; points.len()],
            middles: Vec::new(),
        };
        let mut keys: Vec<[i32; 3]> = Vec::new();
        let mut end = 0;
        for run in order.chunk_by(|a, b| a.0 == b.0) {
            end += run.len();
            let mut sum = Vector3::zeros();
            for &(_, v) in run {
                cells.of_vertex[v as usize] = index(keys.len());
                sum += points[v as usize].coords;
            }
            keys.push(run[0].0);
            cells.heights.push(run[0].0[2]);
            cells.starts.push(index(end));
            cells.middles.push(Point3::from(sum / run.len() as f64));
        }
        cells.tabulate(&keys);
        cells
    }

    fn tabulate(&mut self, keys: &[[i32; 3]]) {
        for k in 0..2 {
            let of = || keys.iter().map(|key| key[k]);
            self.low[k] = of().min().unwrap_or(0);
            let span = i64::from(of().max().unwrap_or(-1)) - i64::from(self.low[k]) + 1;
            self.columns[k] = usize::try_from(span).unwrap_or(0);
        }
        let count = self.columns[0] * self.columns[1];
        self.column_starts = vec![0; count + 1];
        for key in keys {
            if let Some(column) = self.column(key[0], key[1]) {
                self.column_starts[column + 1] += 1;
            }
        }
        for column in 0..count {
            self.column_starts[column + 1] += self.column_starts[column];
        }
    }

    fn column(&self, x: i32, y: i32) -> Option<usize> {
        let x = usize::try_from(i64::from(x) - i64::from(self.low[0])).ok()?;
        let y = usize::try_from(i64::from(y) - i64::from(self.low[1])).ok()?;
        (x < self.columns[0] && y < self.columns[1]).then(|| x * self.columns[1] + y)
    }

    pub(super) fn count(&self) -> usize {
        self.middles.len()
    }

    /// The points of a cell.
    pub(super) fn of(&self, cell: usize) -> &[u32] {
        &self.sorted[self.starts[cell] as usize..self.starts[cell + 1] as usize]
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
        self.runs(key(place, self.size), rings, |cells| {
            for cell in cells {
                each(cell, self.middles[cell]);
            }
        });
    }

    /// Every point within `radius` of a place, in order of cells: its number and its way from the place.
    pub(super) fn each_point(
        &self,
        place: &Point3,
        radius: f64,
        mut each: impl FnMut(u32, Vector3),
    ) {
        let rings = (radius / self.size).ceil() as i32;
        self.runs(key(place, self.size), rings, |cells| {
            let points = self.starts[cells.start] as usize..self.starts[cells.end] as usize;
            for k in points {
                let way = self.places[k] - place;
                if way.norm_squared() <= radius * radius {
                    each(self.sorted[k], way);
                }
            }
        });
    }

    /// Runs of cells up to `rings` cubes away each way.
    fn runs(&self, [x, y, z]: [i32; 3], rings: i32, mut each: impl FnMut(std::ops::Range<usize>)) {
        for x in x.saturating_sub(rings)..=x.saturating_add(rings) {
            for y in y.saturating_sub(rings)..=y.saturating_add(rings) {
                let Some(column) = self.column(x, y) else {
                    continue;
                };
                let first = self.column_starts[column] as usize;
                let last = self.column_starts[column + 1] as usize;
                let heights = &self.heights[first..last];
                let from = heights.partition_point(|h| *h < z.saturating_sub(rings));
                let to = heights.partition_point(|h| *h <= z.saturating_add(rings));
                if from < to {
                    each(first + from..first + to);
                }
            }
        }
    }
}

fn key(p: &Point3, size: f64) -> [i32; 3] {
    // Saturates on coordinates no head has.
    #[allow(clippy::cast_possible_truncation, reason = "saturates")]
    [p.x, p.y, p.z].map(|c| (c / size).floor() as i32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_near_is_found_and_nothing_else() {
        let mut rng = fastrand::Rng::with_seed(7);
        let points: Vec<Point3> = (0..3000)
            .map(|_| Point3::from([0; 3].map(|_| 40.0 * rng.f64() - 25.0)))
            .collect();
        let cells = Cells::new(&points, 2.0);
        let places = (0..60).map(|_| Point3::from([0; 3].map(|_| 60.0 * rng.f64() - 35.0)));
        for (place, radius) in places.zip([0.5, 1.9, 3.1, 6.8].into_iter().cycle()) {
            let mut found = Vec::new();
            cells.each_point(&place, radius, |v, way| {
                assert_eq!(points[v as usize] - place, way);
                found.push(v as usize);
            });
            found.sort_unstable();
            let near = |v: &usize| (points[*v] - place).norm_squared() <= radius * radius;
            assert_eq!(found, (0..points.len()).filter(near).collect::<Vec<_>>());
        }
        let members: usize = cells.members().map(<[u32]>::len).sum();
        assert_eq!(members, points.len());
        assert!(Cells::new(&[], 1.0).near_cells_of_nothing());
    }

    impl Cells {
        fn near_cells_of_nothing(&self) -> bool {
            let mut none = true;
            self.each_point(&Point3::origin(), 5.0, |_, _| none = false);
            none && self.count() == 0
        }
    }
}
