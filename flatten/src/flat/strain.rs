//! Strain: how much flat material must give to lie on the head. The one definition of it.
//!
//! In: a mesh and the plane positions of its vertices. Out: for each triangle λ1 ≥ λ2, the singular
//! values of the map from flat to head (head length over flat length along the two principal
//! directions), and **strain = max(|λ1 − 1|, |1 − λ2|)**. λ > 1: the material is stretched there;
//! λ < 1: it is crowded. Means and percentiles are weighted by area on the head.
//!
//! Along edges: error = flat length over head length − 1, so + means the pattern's edge is too long.
//!
//! A triangle that is turned over has no strain that a cloth could take: its λ are those of the
//! unsigned stretches and it is counted in [`StrainSummary::flipped`]. A triangle flattened to a line
//! has λ1 = ∞. Cost: linear, and a sort for the percentiles.

use rayon::prelude::*;
use serde::Serialize;

use crate::{
    Point2, Vector2,
    mesh::{TriMesh, index},
};

use super::stretch::{Jacobian, Rest};

/// Shortest run of edges on which a local length error is judged, mm: shorter than a stitch line's
/// own tolerance, long enough that the tiny edges left by cutting a mesh do not decide.
pub const RUN_MM: f64 = 20.0;

/// Strain of one triangle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FaceStrain {
    /// Greater principal stretch, head length over flat length.
    pub l1: f64,
    /// Lesser principal stretch.
    pub l2: f64,
    /// Unit direction of `l1` in the plane (sign without meaning); written as `[x, y]`.
    #[serde(serialize_with = "as_pair")]
    pub direction: Vector2,
    /// max(|l1 − 1|, |1 − l2|).
    pub strain: f64,
}

fn as_pair<S: serde::Serializer>(v: &Vector2, serializer: S) -> Result<S::Ok, S::Error> {
    [v.x, v.y].serialize(serializer)
}

/// Strain of every triangle of a map.
#[derive(Debug, Clone, PartialEq)]
pub struct StrainField {
    /// Parallel to the mesh's faces.
    pub per_face: Vec<FaceStrain>,
    /// Head area of each face, mm².
    areas: Vec<f64>,
    /// Flat area of all faces, signed, mm².
    flat_area: f64,
    flipped: usize,
}

/// The figures that a maker compares.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct StrainSummary {
    /// Area-weighted mean strain.
    pub mean: f64,
    /// Half of the area has less.
    pub p50: f64,
    /// 95 % of the area has less.
    pub p95: f64,
    /// 99 % of the area has less.
    pub p99: f64,
    /// Greatest of any triangle.
    pub max: f64,
    /// The material's limit that [`Self::over_limit_mm2`] is counted against.
    pub limit: f64,
    /// Head area with more strain than the limit, mm².
    pub over_limit_mm2: f64,
    /// Greatest stretch λ1 − 1, never below 0.
    pub stretch_max: f64,
    /// Greatest crowding 1 − λ2, never below 0.
    pub crowding_max: f64,
    /// Head area, mm².
    pub area_mm2: f64,
    /// Flat area over head area.
    pub area_ratio: f64,
    /// Triangles turned over in the plane.
    pub flipped: usize,
}

/// How true the length of a line of edges stays.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct LengthSummary {
    /// Length on the head, mm.
    pub head_mm: f64,
    /// Length in the plane, mm.
    pub flat_mm: f64,
    /// Flat over head − 1: + is a pattern edge that is too long.
    pub error: f64,
    /// Length-weighted mean of the edges' |error|.
    pub mean: f64,
    /// 95 % of the length has a smaller |error|.
    pub p95: f64,
    /// The run of edges of at least [`RUN_MM`] with the greatest |error|, signed; of the whole line
    /// where it is shorter.
    pub worst_local: f64,
}

impl FaceStrain {
    fn new(jacobian: &Jacobian) -> Self {
        let stretch = jacobian.stretch();
        let (l1, l2) = (1.0 / stretch.s2().abs(), 1.0 / stretch.s1());
        Self {
            l1,
            l2,
            direction: jacobian.tightest_direction(),
            strain: (l1 - 1.0).abs().max((1.0 - l2).abs()),
        }
    }
}

impl StrainField {
    /// Measures a map. `uv` is parallel to the mesh's vertices, mm.
    #[must_use]
    pub fn new(mesh: &TriMesh, uv: &[Point2]) -> Self {
        Self::with_rest(mesh, &Rest::of_mesh(mesh), uv)
    }

    pub(crate) fn with_rest(mesh: &TriMesh, rest: &[Rest], uv: &[Point2]) -> Self {
        let measured: Vec<(FaceStrain, f64)> = mesh
            .faces()
            .par_iter()
            .zip(rest)
            .map(|(corners, rest)| {
                let jacobian = rest.jacobian_at(corners.map(|v| uv[v as usize]));
                (FaceStrain::new(&jacobian), jacobian.determinant())
            })
            .collect();
        Self {
            areas: rest.iter().map(|r| r.area).collect(),
            flat_area: measured.iter().zip(rest).map(|(m, r)| m.1 * r.area).sum(),
            flipped: measured.iter().filter(|m| m.1 <= 0.0).count(),
            per_face: measured.into_iter().map(|m| m.0).collect(),
        }
    }

    /// The figures, with the area above a material's limit.
    #[must_use]
    pub fn summary(&self, limit: f64) -> StrainSummary {
        let mut weighted: Vec<(f64, f64)> = self
            .per_face
            .iter()
            .zip(&self.areas)
            .map(|(face, &area)| (face.strain, area))
            .collect();
        let area_mm2: f64 = self.areas.iter().sum();
        let mean = weighted.iter().map(|w| w.0 * w.1).sum::<f64>() / area_mm2;
        let over_limit_mm2 = weighted.iter().filter(|w| w.0 > limit).map(|w| w.1).sum();
        weighted.par_sort_by(|a, b| a.0.total_cmp(&b.0));
        let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|part| percentile(&weighted, part));
        let faces = self.per_face.iter();
        StrainSummary {
            mean,
            p50,
            p95,
            p99,
            max: weighted.last().map_or(0.0, |w| w.0),
            limit,
            over_limit_mm2,
            stretch_max: faces.clone().map(|f| f.l1 - 1.0).fold(0.0, f64::max),
            crowding_max: faces.map(|f| 1.0 - f.l2).fold(0.0, f64::max),
            area_mm2,
            area_ratio: self.flat_area / area_mm2,
            flipped: self.flipped,
        }
    }

    /// The figures of several panels taken as one surface.
    #[must_use]
    pub fn joined(fields: &[Self]) -> Self {
        Self {
            per_face: fields.iter().flat_map(|f| f.per_face.clone()).collect(),
            areas: fields.iter().flat_map(|f| f.areas.clone()).collect(),
            flat_area: fields.iter().map(|f| f.flat_area).sum(),
            flipped: fields.iter().map(|f| f.flipped).sum(),
        }
    }
}

/// The value that `part` of the weight stays below or at, of values in rising order.
fn percentile(sorted: &[(f64, f64)], part: f64) -> f64 {
    let total: f64 = sorted.iter().map(|w| w.1).sum();
    let mut sum = 0.0;
    for &(value, weight) in sorted {
        sum += weight;
        if sum >= part * total {
            return value;
        }
    }
    sorted.last().map_or(0.0, |w| w.0)
}

impl LengthSummary {
    /// Measures a line of edges, given in order; it may have gaps, and local runs do not bridge them.
    #[must_use]
    pub fn new(mesh: &TriMesh, uv: &[Point2], edges: &[(u32, u32)]) -> Self {
        Self::joined([(mesh, uv, edges)])
    }

    /// Measures lines on several panels as one.
    pub fn joined<'a, I>(lines: I) -> Self
    where
        I: IntoIterator<Item = (&'a TriMesh, &'a [Point2], &'a [(u32, u32)])>,
    {
        let mut edges: Vec<(u32, u32)> = Vec::new();
        let mut lengths: Vec<[f64; 2]> = Vec::new();
        // Vertices of one panel are told from the next one's, so that no run bridges panels.
        let mut first = 0;
        for (mesh, uv, line) in lines {
            for &(a, b) in line {
                let head = (mesh.position(b) - mesh.position(a)).norm();
                let flat = (uv[b as usize] - uv[a as usize]).norm();
                lengths.push([head, flat]);
                edges.push((first + a, first + b));
            }
            first += index(mesh.vertex_count());
        }
        let [head_mm, flat_mm] = [0, 1].map(|k| lengths.iter().map(|l| l[k]).sum::<f64>());
        if head_mm <= 0.0 {
            return Self::default();
        }
        let mut errors: Vec<(f64, f64)> = lengths
            .iter()
            .filter(|l| l[0] > 0.0)
            .map(|l| ((l[1] / l[0] - 1.0).abs(), l[0]))
            .collect();
        errors.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self {
            head_mm,
            flat_mm,
            error: flat_mm / head_mm - 1.0,
            mean: errors.iter().map(|e| e.0 * e.1).sum::<f64>() / head_mm,
            p95: percentile(&errors, 0.95),
            worst_local: worst_local(&edges, &lengths),
        }
    }
}

/// Signed error of the worst run of at least [`RUN_MM`], by a sliding window over each unbroken line.
fn worst_local(edges: &[(u32, u32)], lengths: &[[f64; 2]]) -> f64 {
    let mut worst = 0.0_f64;
    let mut start = 0;
    for end in 1..=edges.len() {
        if end < edges.len() && edges[end].0 == edges[end - 1].1 {
            continue;
        }
        let line = &lengths[start..end];
        let (mut first, mut sum) = (0, [0.0; 2]);
        let mut found = false;
        for (last, length) in line.iter().enumerate() {
            sum = [sum[0] + length[0], sum[1] + length[1]];
            while first < last && sum[0] - line[first][0] >= RUN_MM {
                sum = [sum[0] - line[first][0], sum[1] - line[first][1]];
                first += 1;
            }
            if sum[0] >= RUN_MM || (!found && last + 1 == line.len() && sum[0] > 0.0) {
                found = true;
                let error = sum[1] / sum[0] - 1.0;
                if error.abs() > worst.abs() {
                    worst = error;
                }
            }
        }
        start = end;
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Point3;

    fn strip(count: u32) -> (TriMesh, Vec<(u32, u32)>) {
        let positions = (0..=count)
            .flat_map(|i| [0.0, 1.0].map(|y| Point3::new(f64::from(i), y, 0.0)))
            .collect();
        let faces = (0..count)
            .flat_map(|i| [[2 * i, 2 * i + 2, 2 * i + 3], [2 * i, 2 * i + 3, 2 * i + 1]])
            .collect();
        let edges = (0..count).map(|i| (2 * i, 2 * i + 2)).collect();
        (TriMesh::new(positions, faces).unwrap(), edges)
    }

    fn laid(mesh: &TriMesh, map: impl Fn(f64, f64) -> Point2) -> Vec<Point2> {
        mesh.positions().iter().map(|p| map(p.x, p.y)).collect()
    }

    #[test]
    fn laying_a_plane_as_it_is_strains_nothing() {
        let (mesh, edges) = strip(40);
        let uv = laid(&mesh, Point2::new);
        let summary = StrainField::new(&mesh, &uv).summary(0.0);
        assert!(summary.max < 1e-14 && (summary.area_ratio - 1.0).abs() < 1e-14);
        assert_eq!(summary.flipped, 0);
        assert!(LengthSummary::new(&mesh, &uv, &edges).error.abs() < 1e-15);
    }

    #[test]
    fn a_flat_that_is_too_short_one_way_and_too_long_the_other_reads_as_both() {
        let (mesh, edges) = strip(40);
        let uv = laid(&mesh, |x, y| Point2::new(0.8 * x, 1.25 * y));
        let field = StrainField::new(&mesh, &uv);
        for face in &field.per_face {
            assert!((face.l1 - 1.25).abs() < 1e-14 && (face.l2 - 0.8).abs() < 1e-14);
            assert!(face.direction.x.abs() > 1.0 - 1e-14);
        }
        let summary = field.summary(0.1);
        assert!((summary.p50 - 0.25).abs() < 1e-14);
        assert!((summary.stretch_max - 0.25).abs() < 1e-14);
        assert!((summary.crowding_max - 0.2).abs() < 1e-14);
        assert!((summary.over_limit_mm2 - 40.0).abs() < 1e-12);
        let along = LengthSummary::new(&mesh, &uv, &edges);
        assert!((along.error + 0.2).abs() < 1e-14 && (along.worst_local + 0.2).abs() < 1e-14);
    }

    #[test]
    fn mirrored_triangles_are_counted() {
        let (mesh, _) = strip(5);
        let uv = laid(&mesh, |x, y| Point2::new(-x, y));
        let summary = StrainField::new(&mesh, &uv).summary(0.1);
        assert!(summary.flipped == 10 && summary.max < 1e-14);
        assert!((summary.area_ratio + 1.0).abs() < 1e-14);
    }

    #[test]
    fn a_local_length_error_is_found_though_the_whole_is_true() {
        let (mesh, edges) = strip(100);
        let bent = |x: f64| x + (std::f64::consts::TAU * x / 100.0).sin();
        let uv = laid(&mesh, |x, y| Point2::new(bent(x), y));
        let along = LengthSummary::new(&mesh, &uv, &edges);
        assert!(along.error.abs() < 1e-12);
        // The steepest 20 mm are the first and last ten: 2 sin(2π·10/100) over 20 mm, and their
        // opposite in the middle.
        let steepest = 2.0 * (std::f64::consts::TAU * 0.1).sin() / 20.0;
        assert!((along.worst_local + steepest).abs() < 1e-12);
    }

    #[test]
    fn the_figures_can_be_written_as_json() {
        let (mesh, _) = strip(2);
        let uv = laid(&mesh, |x, y| Point2::new(x, 1.5 * y));
        let field = StrainField::new(&mesh, &uv);
        let json = serde_json::to_value(field.summary(0.1)).unwrap();
        assert!((json["area_ratio"].as_f64().unwrap() - 1.5).abs() < 1e-14);
        let face = serde_json::to_value(field.per_face[0]).unwrap();
        assert!(face["direction"].is_array());
    }
}
