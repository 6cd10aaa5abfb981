//! The automatic layout, whole, by mesh size: from a patch to darts.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use flatten::{
    dart::{self, SearchOptions},
    form::average_head,
    job::Material,
    patch::Patch,
};

/// Triangles of the average head that the base is cut from.
const SIZES: [usize; 3] = [3_000, 12_000, 48_000];

fn search(c: &mut Criterion) {
    let form = average_head();
    let lace = |limit| Material {
        name: "lace".into(),
        limit,
        tension: 1.0,
        crowding: 1.0,
    };
    let mut group = c.benchmark_group("search");
    group.sample_size(10);
    for size in SIZES {
        let patch = Patch::cut(&form.mesh(size), form.head(), &form.outline(), Vec::new())
            .expect("the average head's outline lies on it");
        // A limit that a few darts meet, and one that eight don't.
        for (name, limit) in [("met", 0.06), ("not_met", 0.02)] {
            let material = lace(limit);
            group.bench_function(BenchmarkId::new(name, size), |b| {
                b.iter(|| {
                    dart::search(black_box(&patch), &material, &SearchOptions::default())
                        .expect("the head can be cut")
                });
            });
        }
    }
    group.finish();
}

criterion_group!(benches, search);
criterion_main!(benches);
