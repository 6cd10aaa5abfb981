//! Lengths that the energy keeps: of finished edges, and of edges that are sewn to one another.
//!
//! In: edges of a mesh and what they are to be as long as. Out: their share of the energy, of its slope
//! and of its curvature.
//!
//! A line that is cut through triangles has edges of any length, down to hundredths of a millimetre, and beside
//! the short ones lie triangles too thin to hold them. Held each by itself, they are nearly rigid and turn with
//! every step, and steps are cut short for it. So what is kept is the whole length of a run of edges, about as
//! long as a triangle's side, and the curvature counts what a stretched edge has against turning, which grows as
//! the edge is shorter: a scan of a million triangles with four darts took 55 steps before, and takes 13.

use std::ops::Range;

use crate::mesh::TriMesh;

use super::{
    KeptEdges, KeptLine, LeastStrainOptions, MatchedEdges, OnFace, curvature::Curvature,
    energy::squared_beyond,
};

/// Error of a kept edge, in units of that at which its resistance has doubled, up to which resistance grows. Beyond,
/// what turned by a few degrees in a step would cost more than all triangles together.
const STIFFEST_EDGE: f64 = 4.0;

/// Difference of two distances along a line that is rounding, as a part of the line.
const SAME_PLACE: f64 = 1e-9;

/// An edge as its two vertices, in the order in which the line runs.
type Edge = (u32, u32);

/// All lengths that are kept on a mesh.
#[derive(Debug)]
pub(super) struct Lengths {
    springs: Vec<Spring>,
    links: Vec<Link>,
    lines: Vec<KeptLine>,
    edges: Vec<(Edge, f64)>,
}

impl Lengths {
    /// Of a mesh whose energy has this stiffness at rest.
    pub(super) fn new(mesh: &TriMesh, options: &LeastStrainOptions, stiffness: f64) -> Self {
        let mut lengths = Self {
            springs: Vec::new(),
            links: Vec::new(),
            lines: options.lines.clone(),
            edges: Vec::new(),
        };
        let line = Line::new(mesh);
        for kept in &options.kept {
            lengths.keep(&line, kept, stiffness);
        }
        for matched in &options.matched {
            lengths.link(&line, matched, stiffness);
        }
        for line in &mut lengths.lines {
            line.weight *= stiffness;
        }
        lengths
    }

    fn keep(&mut self, line: &Line, kept: &KeptEdges, stiffness: f64) {
        let heads: Vec<f64> = kept.edges.iter().map(|&e| line.length(e)).collect();
        let total: f64 = heads.iter().sum();
        let follows = |k: usize| kept.edges[k].1 == kept.edges[k + 1].0;
        for run in line.runs(kept.edges.len(), |k| kept.edges[k], follows) {
            let head: f64 = heads[run.clone()].iter().sum();
            let weight = stiffness * kept.weight * head / total;
            if !(weight > 0.0 && head > 0.0) {
                continue;
            }
            let spring = Spring {
                path: path(&kept.edges[run.clone()]),
                inverse: 1.0 / head,
                weight,
                stiffening: kept.within.map_or(0.0, |within| 1.0 / (within * within)),
            };
            // In a row, each stiffer than the whole as it is shorter.
            let whole = 2.0 * spring.weight * spring.inverse * spring.inverse;
            let apart = run.filter(|&k| heads[k] > 0.0);
            self.edges
                .extend(apart.map(|k| (kept.edges[k], whole * head / heads[k])));
            self.springs.push(spring);
        }
    }

    fn link(&mut self, line: &Line, matched: &MatchedEdges, stiffness: f64) {
        let pairs = &matched.pairs;
        let total: f64 = pairs.iter().map(|pair| line.length(pair[0])).sum();
        // The two sides of a cut run against one another.
        let follows = |k: usize| {
            let ([a, b], [c, d]) = (pairs[k], pairs[k + 1]);
            a.1 == c.0 && b.0 == d.1
        };
        for run in line.runs(pairs.len(), |k| pairs[k][0], follows) {
            let side = |k: usize| pairs[run.clone()].iter().map(move |pair| pair[k]);
            let head: f64 = side(0).map(|edge| line.length(edge)).sum();
            let weight = stiffness * matched.weight * head / total;
            if weight > 0.0 && head > 0.0 {
                let ahead: Vec<Edge> = side(0).collect();
                let back: Vec<Edge> = side(1).rev().collect();
                self.links.push(Link {
                    paths: [path(&ahead), path(&back)],
                    inverse: 1.0 / head,
                    weight,
                });
            }
        }
    }

    /// Edges of the mesh that are kept, and how stiff each is at rest.
    pub(super) fn edges(&self) -> &[(Edge, f64)] {
        &self.edges
    }

    /// Pairs of vertices that the curvature joins; many are edges of the mesh.
    pub(super) fn pairs(&self) -> Vec<Edge> {
        let springs = self.springs.iter().map(|s| s.path.to_vec());
        let links = self.links.iter().map(|l| l.paths.concat());
        let lines = self.lines.iter().map(KeptLine::vertices);
        let joined = |path: Vec<u32>| {
            let to = path.clone();
            let from = path.into_iter().enumerate();
            from.flat_map(move |(k, a)| to[k + 1..].iter().map(|&b| (a, b)).collect::<Vec<_>>())
        };
        springs.chain(links).chain(lines).flat_map(joined).collect()
    }

    /// Their energy at `uv`; adds its slope to `gradient`.
    pub(super) fn add(&self, uv: &[[f64; 2]], gradient: &mut [[f64; 2]]) -> f64 {
        let springs: f64 = self.springs.iter().map(|s| s.add(uv, gradient)).sum();
        let links: f64 = self.links.iter().map(|l| l.add(uv, gradient)).sum();
        let lines: f64 = self.lines.iter().map(|l| l.add(uv, gradient)).sum();
        springs + links + lines
    }

    /// Adds their curvature at `uv`.
    pub(super) fn stiffen(&self, uv: &[[f64; 2]], curvature: &mut Curvature) {
        for spring in &self.springs {
            let grows: Vec<_> = lengthening(&spring.path, uv, 1.0).collect();
            let [_, slope, bend] = spring.cost(length(&spring.path, uv));
            curvature.add_stiff(&grows, bend);
            straighten(&spring.path, uv, slope, curvature);
        }
        for link in &self.links {
            let [one, two] = &link.paths;
            let apart = lengthening(one, uv, 1.0).chain(lengthening(two, uv, -1.0));
            let weight = 2.0 * link.weight * link.inverse * link.inverse;
            curvature.add_stiff(&apart.collect::<Vec<_>>(), weight);
            let slope = link.slope(uv);
            straighten(one, uv, slope, curvature);
            straighten(two, uv, -slope, curvature);
        }
        for line in &self.lines {
            line.stiffen(uv, curvature);
        }
    }
}

/// Lines on a mesh, and how long a run of their edges is.
struct Line<'a> {
    mesh: &'a TriMesh,
    /// How long a run is: a side of an equilateral triangle of mean area, mm.
    run_mm: f64,
}

impl<'a> Line<'a> {
    fn new(mesh: &'a TriMesh) -> Self {
        let mean_mm2 = mesh.area() / mesh.face_count() as f64;
        Self {
            mesh,
            run_mm: (mean_mm2 / (0.25 * 3_f64.sqrt())).sqrt(),
        }
    }

    fn length(&self, (a, b): Edge) -> f64 {
        (self.mesh.position(b) - self.mesh.position(a)).norm()
    }

    /// Runs of edges in a row, as even as the edges allow; shorter only where a whole line is. The same whichever way
    /// the line is walked, so that a mirrored surface is laid as the mirror image.
    /// `follows` tells whether the edge after one goes on from it.
    fn runs(
        &self,
        count: usize,
        edge: impl Fn(usize) -> Edge,
        follows: impl Fn(usize) -> bool,
    ) -> Vec<Range<usize>> {
        let mut runs = Vec::new();
        let mut first = 0;
        while first < count {
            let end = (first + 1..count)
                .find(|&k| !follows(k - 1))
                .unwrap_or(count);
            let mut start = 0;
            for cut in self.cuts(&places((first..end).map(|k| self.length(edge(k))))) {
                runs.push(first + start..first + cut);
                start = cut;
            }
            runs.push(first + start..end);
            first = end;
        }
        runs
    }

    /// Where a line is cut into runs, of all the places where its edges begin or end: those nearest to equal parts of
    /// it, and of two as near the one nearer to its middle.
    fn cuts(&self, ends: &[f64]) -> Vec<usize> {
        let last = ends.len() - 1;
        let whole = ends[last];
        let pieces = (whole / self.run_mm).floor().max(1.0);
        let middle = 0.5 * whole;
        let mut cuts = Vec::new();
        let mut part = 1.0;
        while part < pieces {
            let wanted = whole * part / pieces;
            let after = ends.partition_point(|&end| end < wanted).clamp(1, last);
            let (short, over) = (wanted - ends[after - 1], ends[after] - wanted);
            let inward = if wanted < middle { after } else { after - 1 };
            let nearest = if (short - over).abs() <= SAME_PLACE * whole {
                inward
            } else if short < over {
                after - 1
            } else {
                after
            };
            if nearest > cuts.last().copied().unwrap_or(0) && nearest < last {
                cuts.push(nearest);
            }
            part += 1.0;
        }
        cuts
    }
}

/// Where each of some edges in a row begins, and the last one ends.
fn places(lengths: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut places = vec![0.0];
    for (k, length) in lengths.enumerate() {
        places.push(places[k] + length);
    }
    places
}

/// Length of a run that is to be kept.
#[derive(Debug, Clone)]
struct Spring {
    path: Box<[u32]>,
    /// 1 / length to keep.
    inverse: f64,
    weight: f64,
    /// 1 / (error at which the resistance has doubled)², 0 if it never does.
    stiffening: f64,
}

/// Two runs to be kept as long as one another.
#[derive(Debug, Clone)]
struct Link {
    paths: [Box<[u32]>; 2],
    /// 1 / head length.
    inverse: f64,
    weight: f64,
}

/// The vertices of edges in a row.
fn path(edges: &[Edge]) -> Box<[u32]> {
    let tail = edges.first().map(|edge| edge.0);
    tail.into_iter().chain(edges.iter().map(|e| e.1)).collect()
}

fn side_of(a: [f64; 2], b: [f64; 2]) -> ([f64; 2], f64) {
    let side = [b[0] - a[0], b[1] - a[1]];
    (side, side[0].hypot(side[1]).max(f64::MIN_POSITIVE))
}

fn length(path: &[u32], uv: &[[f64; 2]]) -> f64 {
    let sides = path.windows(2);
    sides
        .map(|w| side_of(uv[w[0] as usize], uv[w[1] as usize]).1)
        .sum()
}

/// How a path's length grows when its vertices move, times `sign`; a vertex between two edges comes twice.
fn lengthening<'a>(
    path: &'a [u32],
    uv: &'a [[f64; 2]],
    sign: f64,
) -> impl Iterator<Item = (u32, [f64; 2])> + 'a {
    path.windows(2).flat_map(move |w| {
        let (side, length) = side_of(uv[w[0] as usize], uv[w[1] as usize]);
        let along = side.map(|s| sign * s / length);
        [(w[0], along.map(|x| -x)), (w[1], along)]
    })
}

/// Adds the slope of a function of a path's length.
fn add_slope(path: &[u32], uv: &[[f64; 2]], by_length: f64, gradient: &mut [[f64; 2]]) {
    for (vertex, along) in lengthening(path, uv, by_length) {
        let slope = &mut gradient[vertex as usize];
        *slope = [slope[0] + along[0], slope[1] + along[1]];
    }
}

/// Adds what a path under tension, whose energy has this slope by its length, has against its edges turning: the
/// shorter the edge the more. What pushes them aside counts as nothing.
fn straighten(path: &[u32], uv: &[[f64; 2]], slope: f64, curvature: &mut Curvature) {
    if slope <= 0.0 {
        return;
    }
    for w in path.windows(2) {
        let (side, length) = side_of(uv[w[0] as usize], uv[w[1] as usize]);
        let across = [-side[1] / length, side[0] / length];
        curvature.add_stiff(
            &[(w[0], across.map(|x| -x)), (w[1], across)],
            slope / length,
        );
    }
}

impl Link {
    fn error(&self, uv: &[[f64; 2]]) -> f64 {
        let [one, two] = &self.paths;
        (length(one, uv) - length(two, uv)) * self.inverse
    }

    /// Slope by the first path's length.
    fn slope(&self, uv: &[[f64; 2]]) -> f64 {
        2.0 * self.weight * self.error(uv) * self.inverse
    }

    fn add(&self, uv: &[[f64; 2]], gradient: &mut [[f64; 2]]) -> f64 {
        let [one, two] = &self.paths;
        let (error, slope) = (self.error(uv), self.slope(uv));
        add_slope(one, uv, slope, gradient);
        add_slope(two, uv, -slope, gradient);
        self.weight * error * error
    }
}

impl Spring {
    fn add(&self, uv: &[[f64; 2]], gradient: &mut [[f64; 2]]) -> f64 {
        let [value, slope, _] = self.cost(length(&self.path, uv));
        add_slope(&self.path, uv, slope, gradient);
        value
    }

    /// Cost of a length, its slope and its curvature: error² (1 + (error / within)²), a square beyond
    /// [`STIFFEST_EDGE`].
    fn cost(&self, length: f64) -> [f64; 3] {
        let error = length * self.inverse - 1.0;
        let knee = STIFFEST_EDGE / self.stiffening.sqrt();
        let at = error.clamp(-knee, knee);
        let stiff = at * at * self.stiffening;
        let there = [
            at * at * (1.0 + stiff),
            at * (2.0 + 4.0 * stiff),
            2.0 + 12.0 * stiff,
        ];
        let [value, slope, bend] = squared_beyond(error - at, there);
        let by = self.inverse;
        [
            self.weight * value,
            self.weight * slope * by,
            self.weight * bend * by * by,
        ]
    }
}

impl KeptLine {
    fn vertices(&self) -> Vec<u32> {
        let mut vertices: Vec<u32> = self.points.iter().flatten().map(|part| part.0).collect();
        vertices.sort_unstable();
        vertices.dedup();
        vertices
    }

    /// Its straight pieces in the plane: the points at the two ends, the side and its length.
    fn pieces<'a>(
        &'a self,
        uv: &'a [[f64; 2]],
    ) -> impl Iterator<Item = (&'a [OnFace], [f64; 2], f64)> + 'a {
        let at = |point: &OnFace| {
            let part = |k: usize| point.iter().map(|&(v, w)| w * uv[v as usize][k]).sum();
            [part(0), part(1)]
        };
        self.points.windows(2).map(move |ends| {
            let (side, length) = side_of(at(&ends[0]), at(&ends[1]));
            (ends, side, length)
        })
    }

    /// How the line's length grows when vertices move, times `by`.
    fn grows<'a>(
        &'a self,
        uv: &'a [[f64; 2]],
        by: f64,
    ) -> impl Iterator<Item = (u32, [f64; 2])> + 'a {
        let pieces = self.pieces(uv).zip(&self.shares);
        pieces.flat_map(move |((ends, side, length), share)| {
            Self::apart(ends, side.map(|x| by * share * x / length))
        })
    }

    /// Motions of vertices that move a piece's ends apart in a direction.
    fn apart(ends: &[OnFace], along: [f64; 2]) -> impl Iterator<Item = (u32, [f64; 2])> + '_ {
        let signed = ends.iter().zip([-1.0, 1.0]);
        signed.flat_map(move |(point, sign)| {
            point
                .iter()
                .map(move |&(v, w)| (v, along.map(|x| sign * w * x)))
        })
    }

    fn error(&self, uv: &[[f64; 2]]) -> f64 {
        let counted = |(piece, share): (_, &f64)| -> f64 {
            let (_, _, length): (&[OnFace], [f64; 2], f64) = piece;
            share * length
        };
        let pieces = self.pieces(uv).zip(&self.shares);
        pieces.map(counted).sum::<f64>() / self.length_mm - 1.0
    }

    fn add(&self, uv: &[[f64; 2]], gradient: &mut [[f64; 2]]) -> f64 {
        let error = self.error(uv);
        let slope = 2.0 * self.weight * error / self.length_mm;
        for (vertex, by) in self.grows(uv, slope) {
            let sum = &mut gradient[vertex as usize];
            *sum = [sum[0] + by[0], sum[1] + by[1]];
        }
        self.weight * error * error
    }

    /// A smooth line across triangles: what it has against turning is next to nothing.
    fn stiffen(&self, uv: &[[f64; 2]], curvature: &mut Curvature) {
        let grows: Vec<_> = self.grows(uv, 1.0).collect();
        let weight = 2.0 * self.weight / (self.length_mm * self.length_mm);
        curvature.add_stiff(&grows, weight);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Point3;

    /// A strip of squares of 10 mm whose lower edge has a vertex beside each corner, 0.01 mm on.
    fn strip() -> (TriMesh, Vec<Edge>) {
        let (mut positions, mut faces) = (Vec::new(), Vec::new());
        for k in 0..=6 {
            let x = 10.0 * f64::from(k);
            let at = |x, y| Point3::new(x, y, 0.0);
            positions.extend([at(x, 0.0), at(x + 0.01, 0.0), at(x, 10.0)]);
        }
        for k in 0..6 {
            let [corner, beside, above] = [3 * k, 3 * k + 1, 3 * k + 2];
            let (next, next_above) = (corner + 3, above + 3);
            faces.extend([
                [corner, beside, above],
                [beside, next, above],
                [next, next_above, above],
            ]);
        }
        let lower = (0..6).flat_map(|k| [(3 * k, 3 * k + 1), (3 * k + 1, 3 * k + 3)]);
        // The last vertex beside a corner belongs to no square.
        positions.swap_remove(19);
        faces.iter_mut().flatten().for_each(|v| {
            if *v == 20 {
                *v = 19;
            }
        });
        (TriMesh::new(positions, faces).unwrap(), lower.collect())
    }

    #[test]
    fn short_edges_are_held_with_their_neighbours() {
        let (mesh, edges) = strip();
        let line = Line::new(&mesh);
        let runs = line.runs(edges.len(), |k| edges[k], |k| edges[k].1 == edges[k + 1].0);
        assert!(runs.len() <= 6 && runs.len() > 2, "{runs:?}");
        assert_eq!((runs[0].start, runs[runs.len() - 1].end), (0, edges.len()));
        for pair in runs.windows(2) {
            assert_eq!(pair[0].end, pair[1].start);
        }
        for run in &runs {
            let length: f64 = run.clone().map(|k| line.length(edges[k])).sum();
            assert!(length > 5.0, "{run:?} is {length} mm");
        }
    }

    #[test]
    fn runs_are_the_same_from_either_end() {
        let (mesh, _) = strip();
        let line = Line::new(&mesh);
        let cuts = |edges: &[f64]| -> Vec<f64> {
            let ends = places(edges.iter().copied());
            line.cuts(&ends).into_iter().map(|cut| ends[cut]).collect()
        };
        // Uneven edges, and even ones that are cut half way between two parts.
        let uneven: Vec<f64> = (0..40).map(|k| 1.0 + 3.0 * f64::from(k * k % 7)).collect();
        let even = vec![0.75 * line.run_mm; 10];
        for edges in [uneven, even] {
            let whole: f64 = edges.iter().sum();
            let there = cuts(&edges);
            let back: Vec<f64> = edges.iter().rev().copied().collect();
            let back: Vec<f64> = cuts(&back).iter().rev().map(|at| whole - at).collect();
            assert!(there.len() > 3);
            assert_eq!(there.len(), back.len());
            for (a, b) in there.iter().zip(&back) {
                assert!((a - b).abs() < 1e-9, "{there:?} {back:?}");
            }
        }
    }

    #[test]
    fn a_run_ends_where_the_line_does() {
        let (mesh, edges) = strip();
        let line = [&edges[..4], &edges[8..]].concat();
        let runs = Line::new(&mesh).runs(line.len(), |k| line[k], |k| line[k].1 == line[k + 1].0);
        assert!(runs.iter().any(|run| run.start == 4), "{runs:?}");
    }

    #[test]
    fn the_whole_length_is_kept() {
        let (mesh, edges) = strip();
        let options = LeastStrainOptions {
            kept: vec![KeptEdges {
                edges,
                weight: 1.0,
                within: None,
            }],
            ..LeastStrainOptions::default()
        };
        let energy = |size: f64| {
            let at = |p: &Point3| [size * p.x, size * p.y];
            let uv: Vec<[f64; 2]> = mesh.positions().iter().map(at).collect();
            Lengths::new(&mesh, &options, 1.0).add(&uv, &mut vec![[0.0; 2]; uv.len()])
        };
        assert!(energy(1.0) < 1e-20);
        let found = energy(1.1);
        assert!((found - 0.01).abs() < 1e-12, "{found}");
    }
}
