//! Fewer points on a surface, evenly spread, and the triangles between them.
//!
//! Vertices are taken in a scattered order and kept when no kept one is nearer than the step (dart
//! throwing; Cook 1986, Stochastic sampling in computer graphics, ACM TOG 5(1), section 4), then
//! joined by the constrained Delaunay triangulation of a map to the plane: a conformal map keeps
//! circles, so a triangle that is Delaunay there is near Delaunay on the surface.

use rayon::prelude::*;
use spade::{ConstrainedDelaunayTriangulation, Point2 as Spot, Triangulation};

use crate::{
    Point2, Point3,
    mesh::{NONE, TriMesh, index},
};

/// Nearest an inner vertex may come to the boundary, in steps: nearer ones would make flat triangles.
const CLEAR_OF_EDGE: f64 = 0.55;

/// A kept point: where it is on the surface and in the plane.
pub(crate) type Sample = (Point3, Point2);

/// Vertices no nearer to one another than the step, nor to the points of the edge, taken in the order
/// given.
pub(crate) fn scatter(
    mesh: &TriMesh,
    edge: &[Sample],
    step_mm: f64,
    order: impl IntoIterator<Item = u32>,
) -> Vec<u32> {
    let mut grid = Grid::new(mesh, step_mm);
    for &(place, _) in edge {
        grid.insert(place);
    }
    let mut chosen = Vec::new();
    let boundary = edge.len();
    for vertex in order {
        let place = mesh.position(vertex);
        let free = grid.all_near(place, |k, other| {
            let clear = if k < boundary { CLEAR_OF_EDGE } else { 0.8 };
            nalgebra::distance(&place, &other) >= clear * step_mm
        });
        if free {
            grid.insert(place);
            chosen.push(vertex);
        }
    }
    chosen
}

/// Inner vertices, scattered: a stride prime to their number visits each once, and the golden ratio
/// keeps those of one neighbourhood apart.
pub(crate) fn scattered(mesh: &TriMesh) -> impl Iterator<Item = u32> + '_ {
    let count = mesh.vertex_count() as u64;
    let mut stride = ((count as f64 * 0.618_033_988_75) as u64).max(1);
    while gcd(stride, count) != 1 {
        stride += 1;
    }
    (0..count)
        .map(move |k| index(((k * stride) % count) as usize))
        .filter(|&v| !mesh.on_boundary(v) && mesh.outgoing(v) != NONE)
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Constrained Delaunay triangulation of the samples inside the first ring and outside the others.
pub(crate) fn triangulate(samples: &[Sample], rings: &[Vec<usize>]) -> Option<Vec<[u32; 3]>> {
    let spots = samples.iter().map(|(_, p)| Spot::new(p.x, p.y)).collect();
    let edges = rings
        .iter()
        .flat_map(|r| (0..r.len()).map(|i| [r[i], r[(i + 1) % r.len()]]))
        .collect();
    let mut conflict = false;
    let plane: ConstrainedDelaunayTriangulation<Spot<f64>> =
        ConstrainedDelaunayTriangulation::try_bulk_load_cdt(spots, edges, |_| conflict = true)
            .ok()?;
    if conflict || plane.num_vertices() != samples.len() {
        return None;
    }
    let inside = |corners: &[u32; 3]| {
        let [a, b, c] = corners.map(|v| samples[v as usize].1.coords);
        let middle = Point2::from((a + b + c) / 3.0);
        let within = |ring: &Vec<usize>| contains(samples, ring, middle);
        within(&rings[0]) && !rings[1..].iter().any(within)
    };
    let faces: Vec<[u32; 3]> = plane
        .inner_faces()
        .map(|face| face.vertices().map(|v| index(v.index())))
        .collect();
    Some(faces.into_par_iter().filter(inside).collect())
}

/// Even–odd test of a point against a ring of samples.
fn contains(samples: &[Sample], ring: &[usize], p: Point2) -> bool {
    let mut inside = false;
    for i in 0..ring.len() {
        let (a, b) = (samples[ring[i]].1, samples[ring[(i + 1) % ring.len()]].1);
        if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) {
            inside = !inside;
        }
    }
    inside
}

/// Points in cubes of one step, for nearness questions.
struct Grid {
    origin: Point3,
    step: f64,
    size: [usize; 3],
    cells: Vec<Vec<(usize, Point3)>>,
    count: usize,
}

impl Grid {
    fn new(mesh: &TriMesh, step: f64) -> Self {
        let (mut low, mut high) = (mesh.position(0), mesh.position(0));
        for p in mesh.positions() {
            low = low.inf(p);
            high = high.sup(p);
        }
        let size = [0, 1, 2].map(|k| ((high[k] - low[k]) / step) as usize + 1);
        let cells = vec![Vec::new(); size.iter().product()];
        Self {
            origin: low,
            step,
            size,
            cells,
            count: 0,
        }
    }

    fn cell(&self, p: Point3) -> [usize; 3] {
        let at = (p - self.origin) / self.step;
        [0, 1, 2].map(|k| (at[k] as usize).min(self.size[k] - 1))
    }

    fn insert(&mut self, p: Point3) {
        let [x, y, z] = self.cell(p);
        self.cells[(z * self.size[1] + y) * self.size[0] + x].push((self.count, p));
        self.count += 1;
    }

    /// Whether all points in the cubes round `p` pass a test.
    fn all_near(&self, p: Point3, test: impl Fn(usize, Point3) -> bool) -> bool {
        let [x, y, z] = self.cell(p);
        let passes = |x: usize, y: usize, z: usize| {
            let cell = &self.cells[(z * self.size[1] + y) * self.size[0] + x];
            cell.iter().all(|&(k, other)| test(k, other))
        };
        // What is too near lies in the same cube as a rule.
        if !passes(x, y, z) {
            return false;
        }
        let range = |c: usize, n: usize| c.saturating_sub(1)..=(c + 1).min(n - 1);
        range(z, self.size[2]).all(|k| {
            range(y, self.size[1]).all(|j| range(x, self.size[0]).all(|i| passes(i, j, k)))
        })
    }
}
