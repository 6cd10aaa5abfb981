//! Cutting a full base from a head, and opening darts in it, by mesh size.

use std::{f64::consts::TAU, hint::black_box};

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use flatten::{
    Point3,
    dart::{Anchor, Cutter, DartSpec, Layout, Towards},
    mesh::{TriMesh, shortest},
    patch::{Head, Outline, Patch},
};

/// 20 480, 81 920 and 327 680 triangles.
const LEVELS: [u32; 3] = [5, 6, 7];

fn mold(level: u32) -> TriMesh {
    let (positions, faces) = fixtures::head(level);
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces)
        .expect("fixtures are surfaces")
}

/// A point of the invented head's upper half, by bearing from the front to the left and elevation.
fn spot(bearing: f64, elevation: f64) -> Point3 {
    let out = elevation.cos();
    Point3::new(
        -77.0 * bearing.sin() * out,
        100.0 * bearing.cos() * out,
        105.0 * elevation.sin(),
    )
}

fn head(mold: &TriMesh) -> Head {
    Head::from_landmarks(
        spot(0.0, 0.3),
        spot(TAU / 2.0, 0.0),
        spot(TAU / 4.0, 0.0),
        spot(-TAU / 4.0, 0.0),
        None,
        mold,
    )
    .expect("invented landmarks lie on the head")
}

fn outline() -> Outline {
    let perimeter = (0..24)
        .map(|i| TAU * f64::from(i) / 24.0)
        .map(|a| spot(a, 0.15 * (1.0 + a.cos())))
        .collect();
    Outline {
        perimeter,
        openings: Vec::new(),
    }
}

fn one_dart() -> Layout {
    Layout {
        name: "one".to_owned(),
        darts: vec![DartSpec {
            from: Anchor::Nape,
            along_mm: 30.0,
            depth_mm: 90.0,
            towards: Towards::Turned(0.2),
        }],
        seams: Vec::new(),
    }
}

fn patch(c: &mut Criterion) {
    let mut group = c.benchmark_group("patch");
    group.sample_size(10);
    for level in LEVELS {
        let mold = mold(level);
        let size = mold.face_count();
        let (head, outline) = (head(&mold), outline());
        group.bench_function(BenchmarkId::new("landmarks", size), |b| {
            b.iter(|| black_box(self::head(&mold)));
        });
        group.bench_function(BenchmarkId::new("perimeter", size), |b| {
            b.iter(|| black_box(Patch::cut(&mold, head, &outline, Vec::new())));
        });
        let patch = Patch::cut(&mold, head, &outline, Vec::new()).expect("a full base");
        let cutter = Cutter::new(&patch);
        group.bench_function(BenchmarkId::new("one_dart", size), |b| {
            b.iter(|| black_box(cutter.cut(&one_dart())));
        });
        let eight = cutter.even(8);
        group.bench_function(BenchmarkId::new("eight_darts", size), |b| {
            b.iter(|| black_box(cutter.cut(&eight)));
        });
        group.bench_function(BenchmarkId::new("nearest_1000", size), |b| {
            b.iter(|| {
                (0..1000)
                    .map(|i| mold.project(spot(0.01 * f64::from(i), 0.7)).2)
                    .sum::<f64>()
            });
        });
        let [from, to] = [spot(2.0, 0.4), spot(-1.0, 0.5)].map(|p| mold.project(p).0);
        group.bench_function(BenchmarkId::new("shortest_over_the_top", size), |b| {
            b.iter(|| black_box(shortest(&mold, from, to)));
        });
    }
    group.finish();
}

criterion_group!(benches, patch);
criterion_main!(benches);
