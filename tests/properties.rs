//! Laws that hold for any head and any outline, tried on awkward random ones.
//!
//! The cases are the same every time. `PROPERTY_CASES=20` tries twenty times as many, `PROPERTY_SEED=7`
//! others; `--nocapture` tells how many of them a law had nothing to say about.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

#[path = "properties/bases.rs"]
mod bases;
#[path = "properties/checks.rs"]
mod checks;
#[path = "properties/law.rs"]
mod law;
#[path = "properties/paper.rs"]
mod paper;
#[path = "properties/surfaces.rs"]
mod surfaces;

use flatten::{
    Point2, Point3,
    draft::{DraftError, Fault, Pattern, draft},
    flat::{
        FlatMap, LeastStrainOptions, StrainField,
        conformal::{ConformalOptions, flatten_patch},
        least_strain, overlap,
    },
    mesh::TriMesh,
    piece::{Piece, StretchKind},
};
use proptest::{prelude::*, test_runner::TestCaseError};

use bases::{case, moved};
use checks::{distance, drafted, sound, stretches};
use law::{Law, skip};
use paper::{paper, put_together};
use surfaces::{Disk, disk, motion, surface};

fn mesh_of(disk: &Disk) -> Result<fixtures::Mesh, TestCaseError> {
    disk.mesh().ok_or_else(|| skip("it is no surface"))
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

/// What a map costs by the definition of least squares, area mean: (σ1 − 1)² + (σ2 − 1)² with its
/// barrier below a quarter.
fn cost(mesh: &TriMesh, uv: &[Point2]) -> f64 {
    let mut sum = 0.0;
    for (f, face) in mesh.faces().iter().enumerate() {
        let flat = face.map(|v| uv[v as usize]);
        let [great, less] = stretches(face.map(|v| mesh.position(v)), flat);
        let (small, large) = (1.0 / great, 1.0 / less);
        let barrier = (0.25 / small - 1.0).max(0.0).powi(3);
        let one = (small - 1.0).powi(2) + (large - 1.0).powi(2) + barrier;
        sum += one * mesh.face_area(u32::try_from(f).unwrap());
    }
    sum / mesh.area()
}

/// Nothing turned over, nothing crossing, and no even stretch of the whole that would cost less.
fn sound_map(mesh: &TriMesh, map: &FlatMap) -> Result<(), TestCaseError> {
    let flipped = |face: &&[u32; 3]| {
        let [a, b, c] = face.map(|v| map.uv[v as usize]);
        (b - a).perp(&(c - a)) <= 0.0
    };
    let flipped = mesh.faces().iter().filter(flipped).count();
    prop_assert!(flipped == 0, "{flipped} of {:?}", map.report);
    if map.report.overlaps > 0 {
        return Err(skip("it lies on itself, and says so"));
    }
    if !map.report.converged {
        return Err(skip("it was not laid to rest, and says so"));
    }
    let folds = overlap::folds(mesh, &map.uv);
    prop_assert!(folds.is_empty(), "{folds:?} {:?}", map.report);
    let crosses = overlap::crosses(&mesh.boundary_loops(), &map.uv);
    prop_assert!(!crosses, "{:?}", map.report);
    let least = cost(mesh, &map.uv);
    prop_assert!(
        (least - map.report.energy).abs() < 1e-6 * (1.0 + least),
        "it costs {least}, said {}",
        map.report.energy
    );
    for step in [1e-3, -1e-3] {
        for [a, b, c, d] in [
            [1.0, 0.0, 0.0, 0.0],
            [0.0, 0.0, 0.0, 1.0],
            [0.0, 1.0, 0.0, 0.0],
            [1.0, 0.0, 0.0, 1.0],
        ] {
            let move_ = |p: &Point2| {
                Point2::new(
                    p.x + step * (a * p.x + b * p.y),
                    p.y + step * (c * p.x + d * p.y),
                )
            };
            let other: Vec<Point2> = map.uv.iter().map(move_).collect();
            let dearer = cost(mesh, &other);
            prop_assert!(
                dearer > least - 1e-9,
                "stretched by {step} of {:?} it costs {dearer} and not {least}",
                [a, b, c, d]
            );
        }
    }
    Ok(())
}

#[test]
fn maps_turn_nothing_over_and_cross_nothing_at_any_scale() {
    let law = Law {
        name: "maps at any scale",
        cases: 24,
        may_skip: 0.4,
    };
    law.holds(&(disk(), -3.0..3.0_f64), |(disk, decade)| {
        let scale = 10_f64.powf(decade);
        let mesh = mesh_of(&disk)?;
        let mut big = mesh.clone();
        big.0.iter_mut().flatten().for_each(|c| *c *= scale);
        let (mesh, big) = (surface(mesh).unwrap(), surface(big).unwrap());
        let (map, grown) = (laid(&mesh)?, laid(&big)?);
        sound_map(&mesh, &map)?;
        sound_map(&big, &grown)?;
        let back: Vec<f64> = lengths(&big, &grown.uv).iter().map(|l| l / scale).collect();
        let off = greatest_difference(&lengths(&mesh, &map.uv), &back);
        prop_assert!(off < 1e-4, "at scale {scale}: {off}");
        Ok(())
    });
}

#[test]
fn maps_do_not_depend_on_where_the_head_is_and_mirror_with_it() {
    let law = Law {
        name: "maps moved and mirrored",
        cases: 24,
        may_skip: 0.4,
    };
    law.holds(&(disk(), motion()), |(disk, by)| {
        let plain = mesh_of(&disk)?;
        let mesh = surface(plain.clone()).unwrap();
        let moved = mesh.positions().iter().map(|p| by.of(*p)).collect();
        let moved = mesh.clone().with_positions(moved).unwrap();
        let mirror = surface(fixtures::mirrored(plain)).unwrap();
        let map = laid(&mesh)?;
        let (there, seen) = (laid(&moved)?, laid(&mirror)?);
        if [&map, &there, &seen].iter().any(|m| m.report.overlaps > 0) {
            return Err(skip("it lies on itself, and says so"));
        }
        // A descent that slides along its own edge stops where the rest is of no use: within a thousandth of
        // its energy, and says so.
        for other in [&there, &seen] {
            let (a, b) = (map.report.energy, other.report.energy);
            prop_assert!((a - b).abs() < 1e-3 * a.max(1e-6), "energies {a} and {b}");
        }
        if [&map, &there, &seen].iter().any(|m| !m.report.converged) {
            return Err(skip("it was not laid to rest, and says so"));
        }
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

#[test]
fn any_base_that_is_drafted_keeps_the_laws() {
    let law = Law {
        name: "bases",
        cases: 16,
        may_skip: 0.5,
    };
    law.holds(&case(), |case| {
        let job = case.job()?;
        sound(&drafted(&job)?)
    });
}

#[test]
fn sheets_of_any_paper_put_together_are_the_whole() {
    let law = Law {
        name: "sheets",
        cases: 6,
        may_skip: 0.5,
    };
    law.holds(&(case(), paper()), |(case, paper)| {
        put_together(&drafted(&case.job()?)?, &paper)
    });
}

#[test]
fn a_base_of_any_size_is_drafted_or_refused() {
    let law = Law {
        name: "sizes",
        cases: 8,
        may_skip: 0.7,
    };
    // A scan that is larger than a head is refused before it comes here, with the unit that would be right;
    // a base of a hundred metres with a margin measured every millimetre would take hours.
    law.holds(&(case(), -3.0..0.5_f64), |(case, decade)| {
        let job = case.scaled(10_f64.powf(decade)).job()?;
        match draft(&job, &|_| {}) {
            Ok(pattern) => sound(&pattern),
            Err(DraftError::Patch(_) | DraftError::Dart(_)) => Err(skip("it is refused")),
            Err(DraftError::Piece(_)) => Err(skip("nothing is left of a piece")),
            Err(why) => Err(TestCaseError::fail(why.to_string())),
        }
    });
}

/// Figures of a pattern that neither a motion nor a mirror changes.
fn figures(pattern: &Pattern) -> Vec<(&'static str, f64)> {
    let sum = |f: &dyn Fn(&Piece) -> f64| pattern.pieces.iter().map(f).sum::<f64>();
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

/// How far the sew line of one piece is from that of another, as it lies, at the worst place, mm.
fn apart(a: &Piece, b: &Piece, seen: impl Fn(Point2) -> Point2) -> f64 {
    let other: Vec<Point2> = b.sew_line_mm.iter().map(|p| seen(*p)).collect();
    let off = |p: &Point2| distance(*p, &other);
    a.sew_line_mm.iter().map(off).fold(0.0, f64::max)
}

/// Each piece lies where its twin lies, once the twin is seen as told.
fn twins(
    pattern: &Pattern,
    other: &Pattern,
    within_mm: f64,
    seen: impl Fn(Point2) -> Point2 + Copy,
) -> Result<(), TestCaseError> {
    prop_assert_eq!(pattern.pieces.len(), other.pieces.len());
    for piece in &pattern.pieces {
        let nearest = other.pieces.iter().map(|twin| apart(piece, twin, seen));
        let off = nearest.fold(f64::INFINITY, f64::min);
        prop_assert!(
            off < within_mm,
            "piece {} is {off} mm from its twin",
            piece.id
        );
    }
    Ok(())
}

#[test]
fn a_moved_head_gives_the_same_base_and_a_mirrored_one_its_mirror_image() {
    let law = Law {
        name: "bases moved and mirrored",
        cases: 6,
        may_skip: 0.5,
    };
    law.holds(&(case(), motion()), |(case, by)| {
        let job = case.job()?;
        let pattern = drafted(&job)?;
        if pattern.faults.iter().any(Fault::unusable) {
            return Err(skip("it can't be used, and says so"));
        }
        if pattern.maps.iter().any(|map| !map.report.converged) {
            return Err(skip("it was not laid to rest, and says so"));
        }
        // What is drafted here has to be drafted there as well.
        let same = |job| {
            draft(&job, &|_| {}).map_err(|why| TestCaseError::fail(format!("only here: {why}")))
        };
        let there = same(moved(&job, |p| by.of(p), false)?)?;
        let seen = same(moved(&job, |p| Point3::new(-p.x, p.y, p.z), true)?)?;
        // Laid to rest to a hundredth of a per cent of strain: where that is a hundred times what cloth
        // takes, as on a base that is nearly closed, areas agree less well.
        let near = if pattern.strain.p95 < 0.2 { 2e-3 } else { 1e-2 };
        for (what, other) in [("moved", &there), ("mirrored", &seen)] {
            for ((name, a), (_, b)) in figures(&pattern).into_iter().zip(figures(other)) {
                let off = (a - b).abs() / a.abs().max(50.0);
                prop_assert!(off < near, "{what}: {name} {a} and {b}");
            }
        }
        twins(&pattern, &there, 250.0 * near, |p| p)?;
        twins(&pattern, &seen, 250.0 * near, |p| Point2::new(-p.x, p.y))?;
        // What was on the client's left is on the other's right.
        let along = |pattern: &Pattern, side: StretchKind| -> f64 {
            let all = pattern.pieces.iter().flat_map(|piece| &piece.stretches);
            all.filter(|s| s.kind == side).map(|s| s.head_mm).sum()
        };
        for (a, b) in [
            (StretchKind::Left, StretchKind::Right),
            (StretchKind::Right, StretchKind::Left),
        ] {
            let (a, b) = (along(&pattern, a), along(&seen, b));
            prop_assert!((a - b).abs() < 1e-3 * a.max(50.0), "side {a} and {b} mm");
        }
        Ok(())
    });
}
