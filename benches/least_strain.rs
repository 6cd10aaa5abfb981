//! Maps of least strain by size of mesh, beside the conformal map they start from.
//!
//! First a table, up to 640 000 triangles: median time of a few runs in turns, steps and the ratio of the two.
//! Then repeated runs of the sizes that a search for darts works with.

#![allow(clippy::unwrap_used, reason = "a failed step fails the bench")]

use std::{hint::black_box, time::Instant};

use criterion::{BenchmarkId, Criterion};
use fixtures::{bumpy_cap, cap};
use flatten::{
    Point3,
    flat::{
        Cloth, Descent, Energy, KeptEdges, LeastStrainOptions, Limits, StrainField,
        conformal::{ConformalOptions, flatten_patch},
        least_strain,
    },
    mesh::TriMesh,
};

/// A cap of 90°, the curvature of a full base, or a lopsided head.
fn surface(vertices: usize, even: bool) -> TriMesh {
    let (positions, faces) = if even {
        cap(90.0, std::f64::consts::FRAC_PI_2, vertices)
    } else {
        bumpy_cap([77.0, 100.0, 95.0], 1.7, 0.03, vertices)
    };
    TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap()
}

/// Equal resistance; and a stiffening cloth with its perimeter kept.
fn materials(mesh: &TriMesh) -> [(&'static str, LeastStrainOptions); 2] {
    let ring = &mesh.boundary_loops()[0];
    let next = |k: usize| ring[(k + 1) % ring.len()];
    let cloth = Cloth {
        stiffening: Some(0.1),
        ..Cloth::new(1.0, 2.0)
    };
    let kept = LeastStrainOptions {
        energy: Energy::Cloth(cloth),
        kept: vec![KeptEdges {
            edges: (0..ring.len()).map(|k| (ring[k], next(k))).collect(),
            weight: 1.0,
            within: None,
        }],
        ..LeastStrainOptions::default()
    };
    [
        ("equal", LeastStrainOptions::default()),
        ("cloth, edge kept", kept),
    ]
}

/// Runs of each line of the table, the two maps in turns.
const ROUNDS: usize = 5;

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Seconds that some work takes, and what comes of it.
fn timed<T>(work: impl FnOnce() -> T) -> (f64, T) {
    let clock = Instant::now();
    let made = work();
    (clock.elapsed().as_secs_f64(), made)
}

fn table() {
    println!(
        "surface  triangles  material          conformal ms  least strain ms  ratio  steps  p95"
    );
    for (name, even) in [("cap 90°", true), ("head", false)] {
        for vertices in [2_500, 5_000, 25_000, 100_000, 320_000] {
            let mesh = surface(vertices, even);
            for (material, options) in materials(&mesh) {
                let (mut conformal, mut refined) = (Vec::new(), Vec::new());
                let mut last = None;
                for _ in 0..ROUNDS {
                    let (s, start) =
                        timed(|| flatten_patch(&mesh, &ConformalOptions::default()).unwrap());
                    conformal.push(s);
                    let (s, map) = timed(|| least_strain(&mesh, start, &options).unwrap());
                    refined.push(s);
                    last = Some(map);
                }
                let map = last.unwrap();
                assert!(map.report.converged && map.report.flipped == 0);
                let (conformal, refined) = (median(conformal), median(refined));
                println!(
                    "{name:8} {:9}  {material:16} {:13.1} {:16.1} {:6.1} {:6} {:.4}",
                    mesh.face_count(),
                    1e3 * conformal,
                    1e3 * refined,
                    refined / conformal,
                    map.report.steps,
                    StrainField::new(&mesh, &map.uv).summary(0.0).p95,
                );
            }
        }
    }
}

fn repeated(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("flat");
    group.sample_size(10);
    for vertices in [1_500, 4_000, 20_000] {
        let mesh = surface(vertices, false);
        let start = flatten_patch(&mesh, &ConformalOptions::default()).unwrap();
        for (material, options) in materials(&mesh) {
            let id = BenchmarkId::new(format!("least_strain/{material}"), vertices);
            group.bench_function(id, |b| {
                b.iter(|| least_strain(&mesh, black_box(start.clone()), &options).unwrap());
            });
            let descent = Descent::new(&mesh, &options).unwrap();
            let limits = Limits {
                steps: 300,
                tolerance: 1e-3,
            };
            let id = BenchmarkId::new(format!("rough/{material}"), vertices);
            group.bench_function(id, |b| {
                b.iter(|| descent.run(black_box(&start.uv), &limits))
            });
        }
    }
    group.finish();
}

fn main() {
    flatten::process::set_up(0).unwrap();
    table();
    let mut criterion = Criterion::default().configure_from_args();
    repeated(&mut criterion);
    criterion.final_summary();
}
