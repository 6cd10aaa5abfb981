//! An invented base: a spherical cap parted into sectors that open at darts, and what a seam makes
//! of it.
//!
//! A place has a level t (0 at the crown, 1 at the perimeter) and an angle φ (0 at the front, growing
//! towards the client's left). On the head it lies at t·S(φ) from the crown along a meridian; in the
//! plane it lies as far from the origin, and each sector between darts is squeezed to leave room for
//! their gaps. Meridians keep their length, parallels do not: a crude flattening, on purpose.

use std::collections::BTreeMap;

use flatten::{
    Point2, Point3, Vector3,
    dart::{CutLine, CutPatch, EdgeKind, EdgeLoop, Panel, Side},
    flat::{FlatMap, FlatReport},
    mesh::TriMesh,
    patch::{Head, Zone},
};

/// Radius of the head, mm.
pub(crate) const RADIUS: f64 = 90.0;

/// A dart of the invented base.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Gore {
    /// Column it runs down.
    pub(crate) column: usize,
    /// Row of its point.
    pub(crate) row: usize,
    /// Angle of its gap at the perimeter, radians.
    pub(crate) gap: f64,
}

/// What to build.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    /// Rows from crown to perimeter.
    pub(crate) rows: usize,
    /// Columns round.
    pub(crate) columns: usize,
    /// Length of a meridian at the front, mm.
    pub(crate) reach: f64,
    /// How much longer it is at the nape, as a part.
    pub(crate) nape: f64,
    /// Darts, by column.
    pub(crate) gores: Vec<Gore>,
    /// Cells left out: rows and columns from, to.
    pub(crate) opening: Option<[usize; 4]>,
    /// Whether a seam runs from front to nape over the crown.
    pub(crate) seam: bool,
    /// Jitter of the flat positions, mm: what a scan does to an edge.
    pub(crate) jitter: f64,
}

impl Default for Plan {
    fn default() -> Self {
        let gore = |column, row, gap| Gore { column, row, gap };
        Self {
            rows: 30,
            columns: 120,
            reach: 135.0,
            nape: 0.12,
            gores: vec![
                gore(22, 14, 0.10),
                gore(52, 12, 0.11),
                gore(68, 12, 0.11),
                gore(98, 14, 0.10),
            ],
            opening: None,
            seam: false,
            jitter: 0.0,
        }
    }
}

/// A cut patch, its maps and its head.
pub(crate) struct Base {
    pub(crate) cut: CutPatch,
    pub(crate) maps: Vec<FlatMap>,
    pub(crate) head: Head,
}

impl Plan {
    fn angle(&self, column: usize) -> f64 {
        std::f64::consts::TAU * column as f64 / self.columns as f64
    }

    fn meridian(&self, angle: f64) -> f64 {
        let back = (1.0 - angle.cos()) / 2.0;
        self.reach * (1.0 + self.nape * back - 0.14 * angle.sin().powi(2))
    }

    fn vertex(&self, row: usize, column: usize) -> u32 {
        if row == 0 {
            0
        } else {
            u32::try_from(1 + (row - 1) * self.columns + column % self.columns).unwrap()
        }
    }

    pub(crate) fn on_head(&self, row: usize, column: usize) -> Point3 {
        let angle = self.angle(column);
        let turn = row as f64 / self.rows as f64 * self.meridian(angle) / RADIUS;
        Point3::new(
            -RADIUS * turn.sin() * angle.sin(),
            RADIUS * turn.sin() * angle.cos(),
            RADIUS * turn.cos(),
        )
    }

    /// Place in the plane, seen from the sector that column `of` starts.
    fn in_plane(&self, row: usize, column: usize, of: usize) -> Point2 {
        let level = row as f64 / self.rows as f64;
        let gap = |g: &Gore| {
            let from = g.row as f64 / self.rows as f64;
            // Opens slowly at first: legs bow a little, as they do on a real head.
            g.gap / 2.0 * ((level - from).max(0.0) / (1.0 - from)).powf(1.3)
        };
        let mut edges: Vec<(f64, f64)> = self
            .gores
            .iter()
            .map(|g| (self.angle(g.column), gap(g)))
            .collect();
        let turn = std::f64::consts::TAU;
        if let (Some(&first), Some(&last)) = (edges.first(), edges.last()) {
            edges.insert(0, (last.0 - turn, last.1));
            edges.push((first.0 + turn, first.1));
        }
        let middle = turn * (of as f64 + 0.5) / self.columns as f64;
        let mut angle = turn * column as f64 / self.columns as f64;
        if let Some(w) = edges
            .windows(2)
            .find(|w| w[0].0 < middle && middle < w[1].0)
        {
            let part = (angle - w[0].0) / (w[1].0 - w[0].0);
            angle = w[0].0 + w[0].1 + part * (w[1].0 - w[1].1 - w[0].0 - w[0].1);
        }
        let far = level * self.meridian(self.angle(column));
        let mut seed = (row * 7919 + column % self.columns * 104_729 + 17) as u64;
        let mut noise = || {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((seed >> 33) as f64 / f64::from(u32::MAX >> 1) - 0.5) * 2.0 * self.jitter
        };
        Point2::new(-far * angle.sin() + noise(), far * angle.cos() + noise())
    }

    fn zone(&self, column: usize) -> Zone {
        match 360.0 * (column as f64 + 0.5) / self.columns as f64 {
            a if !(50.0..310.0).contains(&a) => Zone::Front,
            a if a < 150.0 => Zone::Left,
            a if a < 210.0 => Zone::Nape,
            _ => Zone::Right,
        }
    }

    /// Cuts, each as a path of vertices, darts then seams.
    fn cuts(&self) -> (Vec<Vec<u32>>, Vec<Vec<u32>>) {
        let darts = self
            .gores
            .iter()
            .map(|g| {
                (g.row..=self.rows)
                    .rev()
                    .map(|row| self.vertex(row, g.column))
                    .collect()
            })
            .collect();
        let mut seams = Vec::new();
        if self.seam {
            let mut path: Vec<u32> = (0..=self.rows)
                .rev()
                .map(|row| self.vertex(row, 0))
                .collect();
            path.extend((1..=self.rows).map(|row| self.vertex(row, self.columns / 2)));
            seams.push(path);
        }
        (darts, seams)
    }

    pub(crate) fn build(&self) -> Base {
        let mut positions = vec![self.on_head(0, 0)];
        for row in 1..=self.rows {
            positions.extend((0..self.columns).map(|column| self.on_head(row, column)));
        }
        // Faces with the column of their cell.
        let mut faces: Vec<Triangle> = Vec::new();
        for row in 0..self.rows {
            for column in 0..self.columns {
                let out = self
                    .opening
                    .is_some_and(|[r, s, c, d]| (r..s).contains(&row) && (c..d).contains(&column));
                if out {
                    continue;
                }
                let corner = |row: usize, column: usize| (self.vertex(row, column), (row, column));
                let (a, b) = (corner(row, column), corner(row, column + 1));
                let (c, d) = (corner(row + 1, column), corner(row + 1, column + 1));
                let mut add = |t: [(u32, (usize, usize)); 3]| {
                    faces.push((t.map(|v| v.0), t.map(|v| v.1), column))
                };
                if row > 0 {
                    add([a, c, d]);
                    add([a, d, b]);
                } else {
                    add([a, c, d]);
                }
            }
        }
        let (darts, seams) = self.cuts();
        let mut cut_edges: BTreeMap<(u32, u32), EdgeKind> = BTreeMap::new();
        let mut note = |path: &[u32], left: EdgeKind, right: EdgeKind| {
            for w in path.windows(2) {
                cut_edges.insert((w[0], w[1]), left);
                cut_edges.insert((w[1], w[0]), right);
            }
        };
        for (i, path) in darts.iter().enumerate() {
            note(
                path,
                EdgeKind::Dart(i, Side::Left),
                EdgeKind::Dart(i, Side::Right),
            );
        }
        for (i, path) in seams.iter().enumerate() {
            note(
                path,
                EdgeKind::Seam(i, Side::Left),
                EdgeKind::Seam(i, Side::Right),
            );
        }
        let (panels, maps) = self.panels(&positions, &faces, &cut_edges);
        let length = |path: &Vec<u32>| {
            path.windows(2)
                .map(|w| (positions[w[1] as usize] - positions[w[0] as usize]).norm())
                .sum()
        };
        let lines = |paths: &[Vec<u32>]| -> Vec<CutLine> {
            paths
                .iter()
                .map(|path| CutLine {
                    path: path.clone(),
                    length_mm: length(path),
                })
                .collect()
        };
        let (darts, seams) = (lines(&darts), lines(&seams));
        let mesh = compact(&positions, &faces);
        let quarter = self.columns / 4;
        let head = Head {
            front: self.on_head(self.rows, 0),
            nape: self.on_head(self.rows, self.columns / 2),
            left_ear: self.on_head(self.rows, quarter),
            right_ear: self.on_head(self.rows, 3 * quarter),
            crown: positions[0],
            right: Vector3::x(),
            forward: Vector3::y(),
            up: Vector3::z(),
        };
        Base {
            cut: CutPatch {
                mesh,
                darts,
                seams,
                panels,
            },
            maps,
            head,
        }
    }

    fn panels(
        &self,
        positions: &[Point3],
        faces: &[Triangle],
        cut_edges: &BTreeMap<(u32, u32), EdgeKind>,
    ) -> (Vec<Panel>, Vec<FlatMap>) {
        let mut corner = Sets::new(3 * faces.len());
        let mut part = Sets::new(faces.len());
        let mut halves: BTreeMap<(u32, u32), (usize, usize)> = BTreeMap::new();
        for (f, (v, _, _)) in faces.iter().enumerate() {
            for i in 0..3 {
                halves.insert((v[i], v[(i + 1) % 3]), (f, i));
            }
        }
        for (&(a, b), &(f, i)) in &halves {
            let Some(&(g, j)) = halves.get(&(b, a)) else {
                continue;
            };
            if !cut_edges.contains_key(&(a, b)) {
                corner.join(3 * f + i, 3 * g + (j + 1) % 3);
                corner.join(3 * f + (i + 1) % 3, 3 * g + j);
                part.join(f, g);
            }
        }
        let mut by_part: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for f in 0..faces.len() {
            by_part.entry(part.root(f)).or_default().push(f);
        }
        let mut made: Vec<(Panel, FlatMap)> = by_part
            .values()
            .map(|own| self.panel(positions, faces, own, &mut corner, cut_edges))
            .collect();
        made.sort_by(|a, b| b.0.mesh.area().total_cmp(&a.0.mesh.area()));
        made.into_iter().unzip()
    }

    fn panel(
        &self,
        positions: &[Point3],
        faces: &[Triangle],
        own: &[usize],
        corner: &mut Sets,
        cut_edges: &BTreeMap<(u32, u32), EdgeKind>,
    ) -> (Panel, FlatMap) {
        let mut ids: BTreeMap<usize, u32> = BTreeMap::new();
        let (mut place, mut uv, mut origin, mut triangles) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut cells: Vec<(usize, usize)> = Vec::new();
        for &f in own {
            let (v, at, column) = &faces[f];
            let mut triangle = [0; 3];
            for i in 0..3 {
                let root = corner.root(3 * f + i);
                triangle[i] = *ids.entry(root).or_insert_with(|| {
                    place.push(positions[v[i] as usize]);
                    uv.push(self.in_plane(at[i].0, at[i].1, *column));
                    origin.push(v[i]);
                    cells.push(at[i]);
                    u32::try_from(place.len() - 1).unwrap()
                });
            }
            triangles.push(triangle);
        }
        let mesh = TriMesh::new(place, triangles).unwrap();
        let mut loops: Vec<EdgeLoop> = mesh
            .boundary_loops()
            .into_iter()
            .map(|vertices| {
                let kinds = (0..vertices.len())
                    .map(|i| {
                        let (a, b) = (
                            vertices[i] as usize,
                            vertices[(i + 1) % vertices.len()] as usize,
                        );
                        let kind = cut_edges.get(&(origin[a], origin[b])).copied();
                        let rim = cells[a].0 == self.rows && cells[b].0 == self.rows;
                        kind.unwrap_or_else(|| {
                            if rim {
                                EdgeKind::Perimeter(self.zone(cells[a].1 % self.columns))
                            } else {
                                EdgeKind::Opening(0)
                            }
                        })
                    })
                    .collect();
                EdgeLoop { vertices, kinds }
            })
            .collect();
        let area = |ring: &EdgeLoop| {
            let points: Vec<Point2> = ring.vertices.iter().map(|&v| uv[v as usize]).collect();
            flatten::plane::ring_area(&points)
        };
        loops.sort_by(|a, b| area(b).total_cmp(&area(a)));
        (
            Panel {
                mesh,
                origin,
                loops,
            },
            FlatMap {
                uv,
                report: FlatReport::default(),
            },
        )
    }
}

fn compact(positions: &[Point3], faces: &[Triangle]) -> TriMesh {
    TriMesh::new(positions.to_vec(), faces.iter().map(|f| f.0).collect()).unwrap()
}

/// Vertices, places in the grid, and the column of the cell.
type Triangle = ([u32; 3], [(usize, usize); 3], usize);

/// Disjoint sets.
struct Sets(Vec<usize>);

impl Sets {
    fn new(count: usize) -> Self {
        Self((0..count).collect())
    }

    fn root(&mut self, mut i: usize) -> usize {
        while self.0[i] != i {
            self.0[i] = self.0[self.0[i]];
            i = self.0[i];
        }
        i
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b)] = a.min(b);
    }
}
