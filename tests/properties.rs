//! Laws that hold for any head and any outline, tried on awkward random ones.
//!
//! The seed is fixed, so that a run can be had again. `PROPERTY_CASES=20` runs twenty times as many
//! cases as usual; the first ones are the same.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::f64::consts::{PI, TAU};

use fixtures::Mesh;
use flatten::{
    Point2, Point3,
    dart::{Anchor, DartSpec, Layout, Towards},
    draft::{DraftError, Fault, Pattern, draft},
    flat::{
        FlatMap, LeastStrainOptions, StrainField,
        conformal::{ConformalOptions, flatten_patch},
        least_strain, overlap,
    },
    job::{Job, LayoutChoice, Material},
    mesh::{CleanMesh, MeshError, TriMesh},
    patch::{Head, Outline},
    piece::{Allowance, Grain, Style, draw},
    sheet::{Figure, Item, Segment, SheetOptions, tile},
};
use nalgebra::{Rotation3, Unit, Vector3};
use proptest::{
    prelude::*,
    test_runner::{Config, RngAlgorithm, TestCaseError, TestRng, TestRunner},
};

/// Runs a law on some cases, more when asked; tells how many held.
fn law<S: Strategy>(
    cases: u32,
    strategy: &S,
    test: impl Fn(S::Value) -> Result<(), TestCaseError>,
) {
    let times: u32 = std::env::var("PROPERTY_CASES")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(1);
    let config = Config {
        cases: cases * times,
        failure_persistence: None,
        max_shrink_iters: 40,
        ..Config::default()
    };
    let dice = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
    let mut runner = TestRunner::new_with_rng(config, dice);
    if let Err(why) = runner.run(strategy, test) {
        panic!("{why}");
    }
}

fn surface((positions, faces): Mesh) -> Result<TriMesh, MeshError> {
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces)
}

fn tri(mesh: Mesh) -> TriMesh {
    surface(mesh).unwrap()
}

/// A turn about any axis and a shift.
#[derive(Debug, Clone, Copy)]
struct Motion {
    axis: [f64; 3],
    angle: f64,
    shift: [f64; 3],
}

impl Motion {
    fn of(&self, p: Point3) -> Point3 {
        let axis = Unit::new_normalize(Vector3::from(self.axis));
        Rotation3::from_axis_angle(&axis, self.angle) * p + Vector3::from(self.shift)
    }
}

fn motion() -> impl Strategy<Value = Motion> {
    (
        [0.1..1.0_f64, -1.0..1.0, -1.0..1.0],
        -PI..PI,
        [-500.0..500.0_f64, -500.0..500.0, -500.0..500.0],
    )
        .prop_map(|(axis, angle, shift)| Motion { axis, angle, shift })
}

/// Disks from plain to nasty: caps, bumpy caps, with noise, slivers and an opening.
fn disk() -> impl Strategy<Value = Mesh> {
    let shape = (
        [60.0..90.0_f64, 80.0..110.0, 80.0..120.0],
        0.3..1.6_f64,
        prop_oneof![Just(0.0), 0.01..0.06_f64],
        150..700_usize,
    );
    let harm = (
        prop_oneof![Just(0.0), 0.01..0.6_f64],
        prop_oneof![Just(1.0), 1e-5..1e-2_f64],
        any::<bool>(),
        any::<u64>(),
    );
    (shape, harm)
        .prop_map(
            |((axes, angle, bump, about), (noise, thinnest, hole, seed))| {
                let mut mesh = fixtures::bumpy_cap(axes, angle, bump, about);
                mesh = fixtures::noisy(mesh, noise, seed);
                if hole {
                    let centre = mesh.0[mesh.0.len() / 3];
                    mesh = fixtures::pierced(mesh, centre, 14.0);
                }
                if thinnest < 1.0 {
                    mesh = fixtures::slivers(mesh, thinnest, seed);
                }
                mesh
            },
        )
        // A hole may leave two parts that touch in one point.
        .prop_filter("a surface", |mesh| surface(mesh.clone()).is_ok())
}

fn cloth() -> LeastStrainOptions {
    LeastStrainOptions {
        most_steps: 2000,
        tolerance: 1e-7,
        ..LeastStrainOptions::default()
    }
}

fn laid(mesh: &TriMesh) -> Result<FlatMap, TestCaseError> {
    let said = |why: flatten::flat::FlatError| TestCaseError::fail(why.to_string());
    let start = flatten_patch(mesh, &ConformalOptions::default()).map_err(said)?;
    least_strain(mesh, start, &cloth()).map_err(said)
}

/// Lengths of all edges in the plane, which no motion of the plane changes.
fn lengths(mesh: &TriMesh, uv: &[Point2]) -> Vec<f64> {
    let sides = |f: &[u32; 3]| [(f[0], f[1]), (f[1], f[2]), (f[2], f[0])];
    let long = |(a, b): (u32, u32)| (uv[a as usize] - uv[b as usize]).norm();
    mesh.faces().iter().flat_map(sides).map(long).collect()
}

fn greatest_difference(a: &[f64], b: &[f64]) -> f64 {
    let size = a.iter().copied().fold(0.0, f64::max);
    let pairs = a.iter().zip(b);
    pairs.map(|(x, y)| (x - y).abs()).fold(0.0, f64::max) / size
}

#[test]
fn maps_turn_nothing_over_and_cross_nothing_at_any_scale() {
    law(24, &(disk(), -3.0..3.0_f64), |(mesh, decade)| {
        let scale = 10_f64.powf(decade);
        let mut big = mesh.clone();
        big.0.iter_mut().flatten().for_each(|c| *c *= scale);
        let (mesh, big) = (tri(mesh), tri(big));
        let map = laid(&mesh)?;
        let grown = laid(&big)?;
        for (mesh, map) in [(&mesh, &map), (&big, &grown)] {
            prop_assert!(map.report.converged, "{:?}", map.report);
            prop_assert!(overlap::folds(mesh, &map.uv).is_empty(), "{:?}", map.report);
            prop_assert!(!overlap::crosses(&mesh.boundary_loops(), &map.uv));
            let area: f64 = mesh
                .faces()
                .iter()
                .map(|f| {
                    let [a, b, c] = f.map(|v| map.uv[v as usize]);
                    0.5 * (b - a).perp(&(c - a))
                })
                .sum();
            let ratio = area / mesh.area();
            prop_assert!((0.5..1.5).contains(&ratio), "area ratio {ratio}");
        }
        let back: Vec<f64> = lengths(&big, &grown.uv).iter().map(|l| l / scale).collect();
        let off = greatest_difference(&lengths(&mesh, &map.uv), &back);
        prop_assert!(off < 1e-4, "at scale {scale}: {off}");
        Ok(())
    });
}

#[test]
fn maps_do_not_depend_on_where_the_head_is_and_mirror_with_it() {
    law(24, &(disk(), motion()), |(plain, by)| {
        let mesh = tri(plain.clone());
        let moved = mesh.positions().iter().map(|p| by.of(*p)).collect();
        let moved = mesh.clone().with_positions(moved).unwrap();
        let mirror = tri(fixtures::mirrored(plain));
        let map = laid(&mesh)?;
        let (there, seen) = (laid(&moved)?, laid(&mirror)?);
        let here = lengths(&mesh, &map.uv);
        let off = greatest_difference(&here, &lengths(&moved, &there.uv));
        prop_assert!(off < 1e-4, "moved: {off}");
        // The mirrored mesh has the same vertices: its map is the map's mirror image.
        let off = greatest_difference(&here, &lengths(&mesh, &seen.uv));
        prop_assert!(off < 1e-4, "mirrored: {off}");
        let right_way = |mesh: &TriMesh, map: &FlatMap| overlap::folds(mesh, &map.uv).is_empty();
        prop_assert!(right_way(&mirror, &seen) && right_way(&moved, &there));
        let p95 = |mesh: &TriMesh, map: &FlatMap| StrainField::new(mesh, &map.uv).summary(0.03).p95;
        let (a, b) = (p95(&mesh, &map), p95(&mirror, &seen));
        prop_assert!((a - b).abs() < 1e-4, "p95 {a} and {b}");
        Ok(())
    });
}

/// An invented head and what is ordered on it.
#[derive(Debug, Clone)]
struct Case {
    axes: [f64; 3],
    bump: f64,
    /// Elevation of the perimeter's points, radians, in order round the head.
    heights: Vec<f64>,
    /// Bearing, elevation and size of openings, radians.
    openings: Vec<[f64; 3]>,
    darts: Vec<[f64; 3]>,
    even: usize,
    allowance_mm: f64,
}

impl Case {
    /// A point on the head from the origin in a direction; x to the client's right, y to the front.
    fn at(&self, bearing: f64, elevation: f64) -> Point3 {
        let (sin, cos) = elevation.sin_cos();
        self.onto([-bearing.sin() * cos, bearing.cos() * cos, sin])
    }

    fn onto(&self, [x, y, z]: [f64; 3]) -> Point3 {
        let swell = 1.0 + self.bump * ((3.0 * x + 1.0).sin() * (3.0 * y).cos() + (2.0 * z).sin());
        let down = if z < 0.0 { 1.6 } else { 1.0 };
        let [a, b, c] = self.axes;
        Point3::new(a * x * swell, b * y * swell, c * z * swell * down)
    }

    fn job(&self) -> Result<Job, TestCaseError> {
        let (positions, faces) = fixtures::icosphere(1.0, 3);
        let positions = positions.into_iter().map(|p| self.onto(p)).collect();
        let mesh = TriMesh::new(positions, faces).unwrap();
        let [front, nape] = [self.at(0.0, 0.3), self.at(PI, 0.0)];
        let [left, right] = [self.at(PI / 2.0, 0.05), self.at(-PI / 2.0, 0.05)];
        let crown = self.at(0.0, PI / 2.0);
        let head = Head::from_landmarks(front, nape, left, right, Some(crown), &mesh)
            .map_err(|why| TestCaseError::reject(why.to_string()))?;
        let count = self.heights.len() as f64;
        let turned = |k: usize| TAU * k as f64 / count;
        let perimeter = (0..self.heights.len()).map(|k| self.at(turned(k), self.heights[k]));
        let openings = self.openings.iter().map(|&[bearing, elevation, size]| {
            let corner = |k: u32| {
                let (sin, cos) = (TAU * f64::from(k) / 9.0).sin_cos();
                self.at(
                    bearing + size * cos / elevation.cos(),
                    elevation + size * sin,
                )
            };
            (0..9).map(corner).collect()
        });
        let layout = if self.darts.is_empty() {
            LayoutChoice::Even(self.even)
        } else {
            let dart = |&[along_mm, depth_mm, turn]: &[f64; 3]| DartSpec {
                from: Anchor::Nape,
                along_mm,
                depth_mm,
                towards: Towards::Turned(turn),
            };
            LayoutChoice::Given(Layout {
                name: "given".into(),
                darts: self.darts.iter().map(dart).collect(),
                seams: Vec::new(),
            })
        };
        let wide = self.allowance_mm;
        Ok(Job {
            client: "0042".into(),
            outline: Outline {
                perimeter: perimeter.collect(),
                openings: openings.collect(),
            },
            mold: CleanMesh { mesh, paint: None },
            head,
            keep_clear: Vec::new(),
            offset_mm: 0.0,
            material: Material {
                name: "invented".into(),
                limit: 0.05,
                tension: 1.0,
                crowding: 2.0,
            },
            allowance: Allowance {
                front_mm: wide,
                sides_mm: wide,
                nape_mm: wide,
                opening_mm: wide,
                seam_mm: wide,
                dart_mm: wide,
            },
            grain: Grain::FrontBack,
            layout,
            date: None,
        })
    }
}

fn case() -> impl Strategy<Value = Case> {
    let head = (
        [68.0..82.0_f64, 88.0..104.0, 88.0..115.0],
        prop_oneof![Just(0.0), 0.005..0.03_f64],
    );
    // Smooth hairlines, and saw teeth.
    let heights = prop_oneof![
        2 => prop::collection::vec(0.05..0.15_f64, 12..30),
        1 => prop::collection::vec(0.0..0.4_f64, 8..20),
    ];
    let opening = [-PI..PI, 0.7..1.2_f64, 0.05..0.25];
    let dart = [-150.0..150.0_f64, 20.0..110.0, -0.9..0.9];
    (
        head,
        heights,
        prop::collection::vec(opening, 0..3),
        prop_oneof![
            2 => Just(Vec::new()),
            1 => prop::collection::vec(dart, 1..4),
        ],
        1..8_usize,
        3.0..20.0_f64,
    )
        .prop_map(
            |((axes, bump), heights, openings, darts, even, allowance_mm)| Case {
                axes,
                bump,
                heights,
                openings,
                darts,
                even,
                allowance_mm,
            },
        )
}

/// What can be refused is rejected, so that a test of refusals only would not pass.
fn drafted(job: &Job) -> Result<Pattern, TestCaseError> {
    draft(job, &|_| {}).map_err(|why| match why {
        DraftError::Patch(_) | DraftError::Dart(_) => TestCaseError::reject(why.to_string()),
        _ => TestCaseError::fail(why.to_string()),
    })
}

fn inside(p: Point2, ring: &[Point2]) -> bool {
    let mut odd = false;
    for (k, a) in ring.iter().enumerate() {
        let b = ring[(k + 1) % ring.len()];
        if (a.y > p.y) != (b.y > p.y) && p.x < (b.x - a.x) * (p.y - a.y) / (b.y - a.y) + a.x {
            odd = !odd;
        }
    }
    odd
}

fn distance(p: Point2, ring: &[Point2]) -> f64 {
    (0..ring.len())
        .map(|k| {
            let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
            let d = b - a;
            let t = ((p - a).dot(&d) / d.norm_squared().max(1e-300)).clamp(0.0, 1.0);
            (p - (a + d * t)).norm()
        })
        .fold(f64::INFINITY, f64::min)
}

/// Laws of one pattern, found from its lines and not from its reports.
fn sound(job: &Job, pattern: &Pattern) -> Result<(), TestCaseError> {
    let whole = pattern.patch.mesh.area();
    let parts: f64 = pattern.cut.panels.iter().map(|p| p.mesh.area()).sum();
    prop_assert!((parts / whole - 1.0).abs() < 1e-9, "{parts} of {whole} mm²");
    for (panel, map) in pattern.cut.panels.iter().zip(&pattern.maps) {
        let folds = overlap::folds(&panel.mesh, &map.uv).len();
        let said = pattern.faults.iter().any(Fault::unusable);
        prop_assert!(folds == 0 || said, "{folds} folds and no word of it");
        let rings: Vec<_> = panel.loops.iter().map(|l| l.vertices.clone()).collect();
        prop_assert!(!overlap::crosses(&rings, &map.uv) || said);
    }
    if pattern.faults.iter().any(Fault::unusable) {
        return Ok(());
    }
    for dart in &pattern.cut.darts {
        let on_head: f64 = dart
            .path
            .windows(2)
            .map(|w| (pattern.cut.mesh.position(w[1]) - pattern.cut.mesh.position(w[0])).norm())
            .sum();
        prop_assert!((on_head - dart.length_mm).abs() < 1e-6);
    }
    for piece in &pattern.pieces {
        for dart in &piece.darts {
            let [a, b] = dart.legs_mm;
            let said = pattern.seam_mismatch_mm();
            prop_assert!(
                (a - b).abs() <= said + 1e-3,
                "legs {a} and {b}, said {said}"
            );
        }
        // Every point of the sew line lies inside the cut line, the allowance away from it; along a
        // dart the margin is shaped to fold or tapers to its point, so that is left out.
        let reach = 2.0 * job.allowance.front_mm;
        let legs = piece.darts.iter().flat_map(|dart| &dart.legs);
        let legs: Vec<_> = legs.map(|leg| leg.linearise(0.1, 5.0)).collect();
        let at_dart = |p: &Point2| legs.iter().flatten().any(|q| (q - p).norm() < reach);
        let free = piece.sew_line_mm.iter().filter(|p| !at_dart(p));
        let least = free.map(|p| distance(*p, &piece.cut_line_mm));
        let least = least.fold(f64::INFINITY, f64::min);
        let asked = job.allowance.front_mm;
        prop_assert!(least > asked - 0.1, "allowance {least} for {asked} mm");
        let out = piece
            .sew_line_mm
            .iter()
            .find(|p| !inside(**p, &piece.cut_line_mm));
        prop_assert!(
            out.is_none(),
            "the sew line is outside the cut line at {out:?}"
        );
    }
    tiled(pattern)
}

/// Tiles put together are the whole: every drawn point lies on a sheet, and neighbours that are trimmed
/// at their join meet there without a gap.
fn tiled(pattern: &Pattern) -> Result<(), TestCaseError> {
    fn points(items: &[Item], out: &mut Vec<Point2>) {
        for item in items {
            match item {
                Item::Group(_, inner) => points(inner, out),
                Item::Line(_, path) => {
                    for segment in &path.segments {
                        match segment {
                            Segment::Move(p) | Segment::Line(p) => out.push(*p),
                            Segment::Cubic(_, _, p) => out.push(*p),
                            Segment::Close => {}
                        }
                    }
                }
                _ => {}
            }
        }
    }
    let figures: Vec<Figure> = pattern
        .pieces
        .iter()
        .map(|piece| Figure {
            name: piece.id.clone(),
            drawing: draw(piece, &Style::default()),
        })
        .collect();
    let tiling = tile(&figures, &SheetOptions::default(), 0.0)
        .map_err(|why| TestCaseError::fail(why.to_string()))?;
    for laid in &tiling.laid {
        let mut drawn = Vec::new();
        points(&figures[laid.figure].drawing.items, &mut drawn);
        for p in drawn {
            let q = laid.placement.point(p);
            let on = tiling.tiles.iter().any(|t| t.window.grown(1e-6).holds(q));
            prop_assert!(on, "{p:?} is on no sheet");
        }
    }
    for a in &tiling.tiles {
        for b in a.neighbours.iter().flatten().map(|&k| &tiling.tiles[k]) {
            let across = a.own.high.x.min(b.own.high.x) - a.own.low.x.max(b.own.low.x);
            let up = a.own.high.y.min(b.own.high.y) - a.own.low.y.max(b.own.low.y);
            let meet = across.min(up);
            prop_assert!(
                meet.abs() < 1e-6,
                "{} and {} by {meet} mm",
                a.label,
                b.label
            );
        }
    }
    Ok(())
}

#[test]
fn any_base_that_is_drafted_keeps_the_laws() {
    law(16, &case(), |case| {
        let job = case.job()?;
        let pattern = drafted(&job)?;
        sound(&job, &pattern)
    });
}

fn moved(job: &Job, by: impl Fn(Point3) -> Point3, mirror: bool) -> Result<Job, TestCaseError> {
    let mut job = job.clone();
    let (positions, mut faces) = job.mold.mesh.into_parts();
    let positions = positions.into_iter().map(&by).collect();
    if mirror {
        faces.iter_mut().for_each(|f| f.swap(1, 2));
    }
    job.mold.mesh = TriMesh::new(positions, faces).unwrap();
    let outline = &mut job.outline;
    let points = outline.perimeter.iter_mut();
    points
        .chain(outline.openings.iter_mut().flatten())
        .for_each(|p| *p = by(*p));
    let head = &job.head;
    let (mut left, mut right) = (by(head.left_ear), by(head.right_ear));
    if mirror {
        std::mem::swap(&mut left, &mut right);
        if let LayoutChoice::Given(layout) = &mut job.layout {
            for dart in &mut layout.darts {
                dart.along_mm = -dart.along_mm;
            }
        }
    }
    let crown = by(head.crown);
    job.head = Head::from_landmarks(
        by(head.front),
        by(head.nape),
        left,
        right,
        Some(crown),
        &job.mold.mesh,
    )
    .map_err(|why| TestCaseError::reject(why.to_string()))?;
    Ok(job)
}

/// Figures of a pattern that neither a motion nor a mirror changes.
fn figures(pattern: &Pattern) -> Vec<(&'static str, f64)> {
    let sum = |f: &dyn Fn(&flatten::piece::Piece) -> f64| pattern.pieces.iter().map(f).sum::<f64>();
    vec![
        ("area", pattern.patch.mesh.area()),
        ("curvature", pattern.patch.mesh.total_curvature()),
        ("sew area", sum(&|p| p.measured.sew_area_mm2)),
        ("cut area", sum(&|p| p.measured.cut_area_mm2)),
        ("perimeter", sum(&|p| p.measured.perimeter_mm)),
        ("darts", pattern.cut.darts.iter().map(|d| d.length_mm).sum()),
        (
            "take-up",
            sum(&|p| p.darts.iter().map(|d| d.take_up_mm).sum()),
        ),
    ]
}

#[test]
fn a_moved_head_gives_the_same_base_and_a_mirrored_one_its_mirror_image() {
    law(4, &(case(), motion()), |(case, by)| {
        let job = case.job()?;
        let pattern = drafted(&job)?;
        let there = drafted(&moved(&job, |p| by.of(p), false)?)?;
        let seen = drafted(&moved(&job, |p| Point3::new(-p.x, p.y, p.z), true)?)?;
        for (what, other) in [("moved", &there), ("mirrored", &seen)] {
            for ((name, a), (_, b)) in figures(&pattern).into_iter().zip(figures(other)) {
                let off = (a - b).abs() / a.abs().max(50.0);
                prop_assert!(off < 2e-3, "{what}: {name} {a} and {b}");
            }
        }
        // The first piece's middle lies on the other side.
        let middle = |p: &Pattern| {
            let line = &p.pieces[0].sew_line_mm;
            let low = line.iter().map(|q| q.x).fold(f64::INFINITY, f64::min);
            let high = line.iter().map(|q| q.x).fold(f64::NEG_INFINITY, f64::max);
            (low, high)
        };
        let (a, b) = (middle(&pattern), middle(&seen));
        let off = ((a.1 - a.0) - (b.1 - b.0)).abs();
        prop_assert!(off < 0.5, "width {:?} and {:?}", a, b);
        Ok(())
    });
}
