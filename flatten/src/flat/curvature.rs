//! The curvature of the energy at one map, as a sparse matrix to precondition further steps with.
//!
//! In: a density, head triangles, plane positions. Out: the factor of a symmetric positive definite
//! matrix in which u and v are coupled, a block of 2×2 for each pair of vertices.
//!
//! Method: each triangle's second derivative by J splits into four modes, two that scale along the
//! principal directions, one that turns and one that shears, with closed-form weights (Smith, de Goes
//! & Kim 2019, "Analytic eigensystems for isotropic distortion energies", 10.1145/3241041). A
//! negative weight counts by its size far from the goal and as nothing near it, and none less than a small
//! floor: as nothing everywhere, as is usual, it let steps run wild (measured in benches/candidate). As it is, it
//! was hardly ever positive definite on a fine mesh, and no faster where it was. The Laplacian that a descent begins with has the
//! same weight on all four; this matrix knows in which direction each triangle has become stiff.
//!
//! Cost: four times the entries of the Laplacian and four to eight times its factorisation; analysed
//! once, filled and factored as often as it pays. Filled column by column from the faces round each
//! vertex, so the bits do not depend on the number of threads. Of a large mesh the factor, four fifths of a step, is made
//! in single precision and each solution mended once against the matrix itself: a step's direction is then the same to
//! a hundredth, which is all that it is good for, at two thirds of the cost.

use nalgebra_sparse::CscMatrix;
use rayon::prelude::*;

use crate::{
    Point3,
    mesh::{TriMesh, index},
    solve::{Laplacian, Multifrontal},
};

use super::{
    stretch::{Rest, Stretch},
    vectors::{Field, add_scaled, dot},
};

/// Vertices whose columns one thread fills at a time.
const STRETCH: usize = 2048;

/// Vertices from which the factor is in single precision. A smaller one costs less than the second solution does.
const LARGE: usize = 20_000;

/// Least size of a mode's weight, relative to the density's stiffness at rest.
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

/// How a mode counts whose weight is negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Negative {
    /// By its size: steps stay tame far from the goal.
    BySize,
    /// Not at all: what is under tension then turns as easily as it does, and the last steps are fewer.
    AsNothing,
}

/// The matrix: its pattern, its values and its factor.
#[derive(Debug)]
pub(crate) struct Curvature {
    /// Vertices joined to each vertex and itself, rising, by columns.
    pattern: CscMatrix<f64>,
    /// A block by columns for each entry of the pattern.
    blocks: Vec<[f64; 4]>,
    /// Second derivative of each face by its J, weighted.
    forms: Vec<Form>,
    factor: Factor,
}

/// Upper triangle by rows of a symmetric 4×4 matrix.
type Form = [f64; 10];

/// Place of entry (i, j) in a [`Form`].
const PLACE: [[usize; 4]; 4] = [[0, 1, 2, 3], [1, 4, 5, 6], [2, 5, 7, 8], [3, 6, 8, 9]];

/// Faces and their corners by vertex, as the descent keeps them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Corners<'a> {
    pub(crate) faces: &'a [[u32; 3]],
    pub(crate) rest: &'a [Rest],
    pub(crate) first: &'a [u32],
    pub(crate) of_vertices: &'a [u32],
}

impl Curvature {
    /// Analyses the pattern of a mesh and of further pairs of vertices.
    pub(crate) fn new(mesh: &TriMesh, further: &[(u32, u32)]) -> Self {
        let plain = Laplacian::weighted(mesh, &vec![0.0; 3 * mesh.face_count()]);
        let pattern = joined(plain, further);
        Self {
            blocks: vec![[0.0; 4]; pattern.nnz()],
            forms: vec![[0.0; 10]; mesh.face_count()],
            factor: Factor::new(&pattern, mesh.positions()),
            pattern,
        }
    }

    /// Sets the faces' share; `modes` gives a face's modes and its weight.
    pub(crate) fn fill(
        &mut self,
        corners: Corners<'_>,
        stiffness: f64,
        negative: Negative,
        modes: impl Fn(usize) -> ([Mode; 4], f64) + Sync,
    ) {
        let floor = FLOOR * stiffness;
        let form = |(face, form): (usize, &mut Form)| {
            let (modes, weight) = modes(face);
            *form = [0.0; 10];
            for mode in modes {
                let counted = match negative {
                    Negative::BySize => mode.weight.abs(),
                    Negative::AsNothing => mode.weight,
                };
                let weight = weight * counted.max(floor);
                for i in 0..4 {
                    for j in i..4 {
                        form[PLACE[i][j]] += weight * mode.along[i] * mode.along[j];
                    }
                }
            }
        };
        let forms = self.forms.par_iter_mut().with_min_len(STRETCH);
        forms.enumerate().for_each(form);
        let mut rest = &mut self.blocks[..];
        let mut stretches = Vec::new();
        let count = self.pattern.ncols();
        let offsets = self.pattern.col_offsets();
        for start in (0..count).step_by(STRETCH) {
            let end = count.min(start + STRETCH);
            let (own, others) = rest.split_at_mut(offsets[end] - offsets[start]);
            stretches.push((start, end, own));
            rest = others;
        }
        let (pattern, forms) = (&self.pattern, &self.forms);
        stretches.into_par_iter().for_each(|(start, end, mut own)| {
            for vertex in start..end {
                let column = pattern.col(vertex);
                let (blocks, others) = own.split_at_mut(column.nnz());
                own = others;
                blocks.fill([0.0; 4]);
                let range = corners.first[vertex] as usize..corners.first[vertex + 1] as usize;
                for &corner in &corners.of_vertices[range] {
                    add_corner(corners, forms, corner, column.row_indices(), blocks);
                }
            }
        });
    }

    /// Adds `weight · w wᵀ`, where `w` moves each vertex of `parts` along its own vector. A vertex may
    /// come twice; vertices that are not joined in the pattern are left uncoupled.
    pub(crate) fn add_stiff(&mut self, parts: &[(u32, [f64; 2])], weight: f64) {
        for &(column, c) in parts {
            let range = {
                let offsets = self.pattern.col_offsets();
                offsets[column as usize]..offsets[column as usize + 1]
            };
            let rows = &self.pattern.row_indices()[range.clone()];
            let blocks = &mut self.blocks[range];
            for &(row, r) in parts {
                if let Ok(at) = rows.binary_search(&(row as usize)) {
                    let block = &mut blocks[at];
                    block[0] += weight * r[0] * c[0];
                    block[1] += weight * r[1] * c[0];
                    block[2] += weight * r[0] * c[1];
                    block[3] += weight * r[1] * c[1];
                }
            }
        }
    }

    /// Holds some vertices and factors; false when a pivot is not positive.
    pub(crate) fn factor(&mut self, held: &[u32]) -> bool {
        for held in held.iter().map(|&v| v as usize) {
            let column = self.pattern.col(held);
            if let Ok(at) = column.row_indices().binary_search(&held) {
                let block = &mut self.blocks[self.pattern.col_offsets()[held] + at];
                block[0] *= 2.0;
                block[3] *= 2.0;
            }
        }
        self.factor.refactor(self.blocks.as_flattened())
    }

    /// Solves for one field; the answer replaces it.
    pub(crate) fn solve(&self, field: &mut [[f64; 2]]) {
        match &self.factor {
            Factor::Double(factor) => factor.solve(numbers(field)),
            Factor::Single(factor) => self.solve_by_single(factor, field),
        }
    }

    /// What a factor in single precision leaves is solved for once more, and as much of that added as brings the answer
    /// nearest in the matrix's own norm: a step of steepest descent, which never leads away from it.
    fn solve_by_single(&self, factor: &Multifrontal<f32>, field: &mut [[f64; 2]]) {
        let mut left = field.to_vec();
        factor.solve(numbers(field));
        add_scaled(&mut left, -1.0, &self.times(field));
        let mut further = left.clone();
        factor.solve(numbers(&mut further));
        let bend = dot(&further, &self.times(&further));
        if bend > 0.0 {
            add_scaled(field, dot(&further, &left) / bend, &further);
        }
    }

    /// The matrix times a field.
    fn times(&self, field: &[[f64; 2]]) -> Field {
        // Symmetric: what stands in a column stands in the row too.
        let row = |vertex: usize| {
            let range = self.pattern.col_offsets()[vertex]..self.pattern.col_offsets()[vertex + 1];
            let joined = &self.pattern.row_indices()[range.clone()];
            let mut sum = [0.0; 2];
            for (&other, block) in joined.iter().zip(&self.blocks[range]) {
                let [x, y] = field[other];
                sum[0] += block[0] * x + block[1] * y;
                sum[1] += block[2] * x + block[3] * y;
            }
            sum
        };
        let vertices = (0..field.len()).into_par_iter().with_min_len(STRETCH);
        vertices.map(row).collect()
    }
}

/// A large matrix's factor is in single precision, as long as that has one.
#[derive(Debug)]
enum Factor {
    Single(Multifrontal<f32>),
    Double(Multifrontal),
}

impl Factor {
    fn new(pattern: &CscMatrix<f64>, positions: &[Point3]) -> Self {
        if positions.len() < LARGE {
            Self::Double(Multifrontal::of_blocks(pattern, positions))
        } else {
            Self::Single(Multifrontal::of_blocks(pattern, positions))
        }
    }

    /// Factors new values; false when a pivot is not positive.
    fn refactor(&mut self, values: &[f64]) -> bool {
        match self {
            Self::Double(factor) => factor.refactor_values(values).is_ok(),
            Self::Single(factor) => {
                factor.refactor_values(values).is_ok() || {
                    *self = Self::Double(factor.in_precision());
                    self.refactor(values)
                }
            }
        }
    }
}

/// A field as single numbers.
fn numbers(field: &mut [[f64; 2]]) -> &mut [[f64; 1]] {
    field.as_flattened_mut().as_chunks_mut::<1>().0
}

/// Adds one corner's share to the column of its vertex.
#[inline]
fn add_corner(
    corners: Corners<'_>,
    forms: &[Form],
    corner: u32,
    rows: &[usize],
    blocks: &mut [[f64; 4]],
) {
    let (face, k) = ((corner / 3) as usize, (corner % 3) as usize);
    let (rest, form) = (&corners.rest[face], &forms[face]);
    let slopes = [
        [-rest.i11, -rest.i12 - rest.i22],
        [rest.i11, rest.i12],
        [0.0, rest.i22],
    ];
    // The form times this corner's two motions.
    let mut moved = [[0.0; 2]; 4];
    for (row, moved) in moved.iter_mut().enumerate() {
        for s in 0..2 {
            moved[s] =
                form[PLACE[row][2 * s]] * slopes[k][0] + form[PLACE[row][2 * s + 1]] * slopes[k][1];
        }
    }
    for (vertex, slope) in corners.faces[face].iter().zip(slopes) {
        let Some(at) = rows.iter().position(|&row| row == *vertex as usize) else {
            continue;
        };
        for s in 0..2 {
            for t in 0..2 {
                blocks[at][2 * s + t] +=
                    slope[0] * moved[2 * t][s] + slope[1] * moved[2 * t + 1][s];
            }
        }
    }
}

/// A pattern with further pairs of vertices joined.
fn joined(pattern: CscMatrix<f64>, further: &[(u32, u32)]) -> CscMatrix<f64> {
    if further.is_empty() {
        return pattern;
    }
    let mut pairs: Vec<(u32, u32)> = further
        .iter()
        .flat_map(|&(a, b)| [(a, b), (b, a)])
        .filter(|(a, b)| a != b)
        .collect();
    pairs.sort_unstable();
    pairs.dedup();
    let mut pairs = pairs.into_iter().peekable();
    let count = pattern.ncols();
    let mut offsets = Vec::with_capacity(count + 1);
    let mut rows: Vec<usize> = Vec::with_capacity(pattern.nnz() + 2 * further.len());
    offsets.push(0);
    for column in 0..count {
        let start = rows.len();
        rows.extend_from_slice(pattern.col(column).row_indices());
        let own = rows.len();
        while let Some((_, row)) = pairs.next_if(|&(c, _)| c == index(column)) {
            if rows[start..own].binary_search(&(row as usize)).is_err() {
                rows.push(row as usize);
            }
        }
        if rows.len() > own {
            rows[start..].sort_unstable();
        }
        offsets.push(rows.len());
    }
    let values = vec![0.0; rows.len()];
    CscMatrix::try_from_csc_data(count, count, offsets, rows, values)
        .expect("columns are sorted and free of doubles")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::TriMesh;

    /// A square of 155 by 155 vertices in single precision, a corner held, with a spring along its diagonal.
    fn square(spring: f64) -> (TriMesh, Curvature) {
        const SIDE: u32 = 155;
        let position = |v: u32| Point3::new(f64::from(v % SIDE), f64::from(v / SIDE), 0.0);
        let cell = |v: u32| [[v, v + 1, v + SIDE + 1], [v, v + SIDE + 1, v + SIDE]];
        let cells = (0..SIDE * (SIDE - 1)).filter(|v| v % SIDE < SIDE - 1);
        let mesh = TriMesh::new(
            (0..SIDE * SIDE).map(position).collect(),
            cells.flat_map(cell).collect(),
        )
        .unwrap();
        let ends = (0, SIDE * SIDE - 1);
        let mut curvature = Curvature::new(&mesh, &[ends]);
        let rest = Rest::of_mesh(&mesh);
        let (first, of_vertices) = crate::flat::descent::corners_of_vertices(&mesh);
        let corners = Corners {
            faces: mesh.faces(),
            rest: &rest,
            first: &first,
            of_vertices: &of_vertices,
        };
        let modes = std::array::from_fn(|k| Mode {
            along: std::array::from_fn(|i| f64::from(u8::from(i == k))),
            weight: 1.0,
        });
        curvature.fill(corners, 1.0, Negative::AsNothing, |_| (modes, 1.0));
        curvature.add_stiff(&[(ends.0, [-0.6, -0.8]), (ends.1, [0.6, 0.8])], spring);
        (mesh, curvature)
    }

    /// A load that adds up to nothing.
    fn load(count: usize) -> Field {
        let wave = |v: usize| [0.37, 0.59].map(|k| (k * v as f64).sin());
        let mut field: Field = (0..count).map(wave).collect();
        let sum = field
            .iter()
            .fold([0.0; 2], |s, p| [s[0] + p[0], s[1] + p[1]]);
        field[count / 2] = [0, 1].map(|k| field[count / 2][k] - sum[k]);
        field
    }

    fn part_left(curvature: &Curvature, load: &[[f64; 2]], answer: &[[f64; 2]]) -> f64 {
        let mut left = load.to_vec();
        add_scaled(&mut left, -1.0, &curvature.times(answer));
        (dot(&left, &left) / dot(load, load)).sqrt()
    }

    #[test]
    fn a_large_mesh_is_solved_in_single_precision_nearly_as_in_double() {
        let (mesh, mut curvature) = square(0.0);
        assert!(curvature.factor(&[0]));
        let Factor::Single(factor) = &curvature.factor else {
            panic!("{} vertices are a large mesh", mesh.vertex_count());
        };
        let load = load(mesh.vertex_count());
        let mut once = load.clone();
        factor.solve(numbers(&mut once));
        let mut answer = load.clone();
        curvature.solve(&mut answer);
        let (once, mended) = (
            part_left(&curvature, &load, &once),
            part_left(&curvature, &load, &answer),
        );
        assert!(mended < 0.01 * once && mended < 1e-6, "{once:e} {mended:e}");
    }

    #[test]
    fn what_single_precision_cannot_factor_double_does() {
        let (mesh, mut curvature) = square(1e10);
        assert!(curvature.factor(&[0]));
        assert!(matches!(curvature.factor, Factor::Double(_)));
        let load = load(mesh.vertex_count());
        let mut answer = load.clone();
        curvature.solve(&mut answer);
        let left = part_left(&curvature, &load, &answer);
        assert!(left < 1e-4, "{left:e}");
    }
}
