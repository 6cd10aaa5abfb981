//! The curvature of the energy at one map, as a sparse matrix to precondition further steps with.
//!
//! In: a density, head triangles, plane positions. Out: the factor of a symmetric positive definite
//! matrix in which u and v are coupled, rows 2v and 2v + 1 for vertex v.
//!
//! Method: each triangle's second derivative by J splits into four modes, two that scale along the
//! principal directions, one that turns and one that shears, with closed-form weights (Smith, de Goes
//! & Kim 2019, "Analytic eigensystems for isotropic distortion energies", 10.1145/3241041). Weights
//! below a small positive floor are raised to it. The Laplacian that a descent begins with has the
//! same weight on all four; this matrix knows in which direction each triangle has become stiff.
//!
//! Cost: four times the entries of the Laplacian; its factorisation is that of a system twice as
//! large, so it pays only where the plain steps are slow.

use crate::{
    mesh::{TriMesh, index},
    solve::{SolveError, SparseFactor, UpperTriangle},
};

use super::stretch::{Rest, Stretch};

/// Least weight of a mode, relative to the density's stiffness at rest.
const FLOOR: f64 = 1e-3;

/// One direction in the space of 2×2 matrices and the curvature along it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mode {
    pub(crate) along: [f64; 4],
    pub(crate) weight: f64,
}

/// Modes of `g(σ1) + g(σ2)`; `g` gives slope and curvature.
pub(crate) fn isotropic_modes(s: &Stretch, g: impl Fn(f64) -> (f64, f64)) -> [Mode; 4] {
    let unit = |[x, y]: [f64; 2], length: f64| {
        if length > 0.0 {
            [x / length, y / length]
        } else {
            [1.0, 0.0]
        }
    };
    let ([c, n], [k, m]) = (unit(s.turn, s.q), unit(s.mirror, s.r));
    let ((p1, c1), (p2, c2)) = (g(s.s1()), g(s.s2()));
    let mode = |along, weight| Mode { along, weight };
    let half = std::f64::consts::FRAC_1_SQRT_2;
    // Where both stretches are equal the shear's weight is the curvature itself.
    let shear = if s.r > 1e-7 * s.q {
        (p1 - p2) / (2.0 * s.r)
    } else {
        0.5 * (c1 + c2)
    };
    [
        mode([c + k, m - n, m + n, c - k].map(|x| 0.5 * x), c1),
        mode([c - k, -m - n, n - m, c + k].map(|x| 0.5 * x), c2),
        mode([-n, -c, c, -n].map(|x| half * x), (p1 + p2) / (2.0 * s.q)),
        mode([-m, k, k, m].map(|x| half * x), shear),
    ]
}

/// The matrix under assembly.
pub(crate) struct Curvature {
    upper: UpperTriangle<f64>,
    /// Vertices joined to each vertex with a lower number, rising, and where each vertex's begin.
    below: Vec<u32>,
    first_below: Vec<usize>,
    floor: f64,
}

impl Curvature {
    /// An empty matrix with the pattern of a mesh and of further pairs of vertices.
    pub(crate) fn new(mesh: &TriMesh, stiffness: f64, further: &[(u32, u32)]) -> Self {
        let count = mesh.vertex_count();
        let mut further: Vec<(u32, u32)> =
            further.iter().map(|&(a, b)| (a.max(b), a.min(b))).collect();
        further.sort_unstable();
        let mut further = further.into_iter().peekable();
        let (mut below, mut first_below) = (Vec::with_capacity(3 * count), vec![0]);
        for vertex in 0..index(count) {
            let start = below.len();
            for h in mesh.fan(vertex) {
                below.extend([mesh.head(h), mesh.apex(h)].iter().filter(|&&v| v < vertex));
            }
            while let Some((high, low)) = further.next_if(|&(high, _)| high == vertex) {
                below.extend((low < high).then_some(low));
            }
            below[start..].sort_unstable();
            let mut kept = start;
            for at in start..below.len() {
                if at == start || below[at] != below[kept - 1] {
                    below[kept] = below[at];
                    kept += 1;
                }
            }
            below.truncate(kept);
            first_below.push(kept);
        }
        let mut rows = Vec::with_capacity(4 * below.len() + 3 * count);
        let mut offsets = vec![0];
        for vertex in 0..count {
            for half in 0..2 {
                for &other in &below[first_below[vertex]..first_below[vertex + 1]] {
                    rows.extend([2 * other, 2 * other + 1]);
                }
                rows.extend(2 * index(vertex)..=2 * index(vertex) + half);
                offsets.push(index(rows.len()));
            }
        }
        let values = vec![0.0; rows.len()];
        Self {
            upper: UpperTriangle {
                offsets,
                rows,
                values,
            },
            below,
            first_below,
            floor: FLOOR * stiffness,
        }
    }

    /// Adds a triangle's modes, its density weighted with `weight`.
    pub(crate) fn add_face(&mut self, corners: [u32; 3], rest: &Rest, modes: &[Mode], weight: f64) {
        let slopes = [
            [-rest.i11, -rest.i12 - rest.i22],
            [rest.i11, rest.i12],
            [0.0, rest.i22],
        ];
        let mut blocks = [[[[0.0; 2]; 2]; 3]; 3];
        for mode in modes {
            let [a, b, c, d] = mode.along;
            let by = slopes.map(|[p, q]| [a * p + b * q, c * p + d * q]);
            let weight = weight * mode.weight.max(self.floor);
            for i in 0..3 {
                for j in 0..3 {
                    for r in 0..2 {
                        for s in 0..2 {
                            blocks[i][j][r][s] += weight * by[i][r] * by[j][s];
                        }
                    }
                }
            }
        }
        for i in 0..3 {
            for j in 0..3 {
                self.add_block(corners[i], corners[j], &blocks[i][j]);
            }
        }
    }

    /// Adds `weight · w wᵀ`, where `w` moves each vertex of `parts` along its own vector. A vertex may
    /// come twice; vertices that are not joined in the pattern are left uncoupled.
    pub(crate) fn add_stiff(&mut self, parts: &[(u32, [f64; 2])], weight: f64) {
        for &(row, r) in parts {
            for &(column, c) in parts {
                let block = r.map(|r| c.map(|c| weight * r * c));
                self.add_block(row, column, &block);
            }
        }
    }

    /// Adds a block where it lies in the upper triangle.
    fn add_block(&mut self, row: u32, column: u32, block: &[[f64; 2]; 2]) {
        if row > column {
            return;
        }
        let vertex = column as usize;
        let below = &self.below[self.first_below[vertex]..self.first_below[vertex + 1]];
        let at = if row == column {
            below.len()
        } else {
            match below.binary_search(&row) {
                Ok(at) => at,
                Err(_) => return,
            }
        };
        let [[uu, uv], [vu, vv]] = *block;
        let starts = [0, 1].map(|half| self.upper.offsets[2 * vertex + half] as usize + 2 * at);
        let values = &mut self.upper.values;
        values[starts[0]] += uu;
        values[starts[1]] += uv;
        values[starts[1] + 1] += vv;
        if row < column {
            values[starts[0] + 1] += vu;
        }
    }

    /// Holds vertex 0 and factors.
    pub(crate) fn factor(mut self) -> Result<SparseFactor<f64>, SolveError> {
        // Column 0 is its diagonal alone; column 1 is [above, diagonal].
        self.upper.values[0] *= 2.0;
        self.upper.values[2] *= 2.0;
        SparseFactor::new(&self.upper)
    }
}
