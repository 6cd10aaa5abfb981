//! Conformal maps and the factor under them, by mesh and size.
//!
//! `cargo bench -p flatten --bench conformal`. Against other libraries: `benches/peers/run.py`.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use flatten::{
    Point3,
    flat::conformal::{ConformalOptions, Flattener, Method},
    mesh::TriMesh,
    solve::{Cholesky, Laplacian},
};

fn surface((positions, faces): fixtures::Mesh) -> TriMesh {
    let positions = positions.into_iter().map(Point3::from).collect();
    TriMesh::new(positions, faces).expect("fixtures are surfaces")
}

fn meshes() -> Vec<(&'static str, TriMesh)> {
    let head = |vertices| fixtures::bumpy_cap([75.0, 95.0, 80.0], 1.7, 0.03, vertices);
    vec![
        ("head_20k", surface(head(10_000))),
        ("head_80k", surface(head(40_000))),
        ("head_320k", surface(head(160_000))),
        ("cap_80k", surface(fixtures::cap(90.0, 1.4, 40_000))),
        (
            "slivers_80k",
            surface(fixtures::slivers(head(24_000), 1e-4, 3)),
        ),
    ]
}

fn conformal(c: &mut Criterion) {
    let mut group = c.benchmark_group("flat");
    group.sample_size(10);
    for (name, mesh) in meshes() {
        group.bench_function(BenchmarkId::new("prepare", name), |b| {
            b.iter(|| Flattener::new(black_box(&mesh)).expect("one open surface"));
        });
        let flattener = Flattener::new(&mesh).expect("one open surface");
        for method in [Method::PinFree, Method::BoundaryFirst] {
            let options = ConformalOptions::from(method);
            group.bench_function(BenchmarkId::new(format!("{method:?}"), name), |b| {
                b.iter(|| flattener.flatten(black_box(&options)).expect("a map"));
            });
        }
    }
    group.finish();
}

fn factor(c: &mut Criterion) {
    let mut group = c.benchmark_group("solve");
    group.sample_size(10);
    for (name, mesh) in meshes() {
        let mut matrix = Laplacian::cotan(&mesh);
        for vertex in 0..mesh.vertex_count() {
            if let Some(nalgebra_sparse::SparseEntryMut::NonZero(diagonal)) =
                matrix.get_entry_mut(vertex, vertex)
            {
                *diagonal += 1e-6;
            }
        }
        let mut cholesky = Cholesky::new(&matrix, mesh.positions()).expect("positive definite");
        group.bench_function(BenchmarkId::new("refactor", name), |b| {
            b.iter(|| cholesky.refactor(black_box(&matrix)).expect("same pattern"));
        });
        let rhs = vec![[1.0, -1.0]; mesh.vertex_count()];
        group.bench_function(BenchmarkId::new("solve_two", name), |b| {
            b.iter(|| {
                let mut x = rhs.clone();
                cholesky.solve_in_place(black_box(&mut x));
                x
            });
        });
    }
    group.finish();
}

criterion_group!(benches, conformal, factor);
criterion_main!(benches);
