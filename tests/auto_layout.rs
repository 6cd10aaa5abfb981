//! The automatic layout keeps the rules of the craft and beats evenly spread darts.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use flatten::{
    Vector3,
    dart::{self, Ground, Layout, Rules, SearchOptions, Towards},
    flat::{self, StrainField},
    form::average_head,
    job::Material,
    patch::{Outline, Patch},
};

/// Too strict for any number of darts, so that the search uses all it may.
const STRICT: f64 = 0.01;

fn lace(limit: f64) -> Material {
    Material {
        name: "lace".into(),
        limit,
        tension: 1.0,
        crowding: 1.0,
    }
}

fn full_base() -> Patch {
    let form = average_head();
    Patch::cut(&form.mesh(6_000), form.head(), &form.outline(), Vec::new()).unwrap()
}

fn p95(patch: &Patch, layout: &Layout) -> f64 {
    let cut = dart::cut(patch, layout).unwrap();
    let fields: Vec<StrainField> = cut
        .panels
        .iter()
        .map(|panel| flat::lay(panel, &lace(STRICT)).unwrap().1)
        .collect();
    StrainField::joined(&fields).summary(STRICT).p95
}

fn options(most: usize) -> SearchOptions {
    SearchOptions {
        fewest: most,
        most,
        generations: 3,
        ..SearchOptions::default()
    }
}

#[test]
fn automatic_darts_beat_even_ones_of_the_same_number() {
    let patch = full_base();
    for count in [4, 6] {
        let found = dart::search(&patch, &lace(STRICT), &options(count)).unwrap();
        let (auto, even) = (
            p95(&patch, &found.best.layout),
            p95(&patch, &dart::even(&patch, count)),
        );
        println!(
            "{count} darts: auto {:.2} %, even {:.2} %",
            100.0 * auto,
            100.0 * even
        );
        assert_eq!(found.best.layout.darts.len(), count);
        assert!(
            auto < 0.95 * even,
            "{count} darts: auto {auto}, even {even}"
        );
        assert!(!found.met);
    }
}

#[test]
fn automatic_darts_break_no_rule_and_come_in_mirror_pairs() {
    let patch = full_base();
    let found = dart::search(&patch, &lace(STRICT), &options(4)).unwrap();
    let layout = &found.best.layout;
    let cut = dart::cut(&patch, layout).unwrap();
    // The search looks at a coarse copy: its triangles let a path come a millimetre nearer.
    let near = Ground::new(&patch, Rules::default())
        .breaches(&cut)
        .into_iter()
        .filter(|b| b.distance_mm < b.allowed_mm - 1.0)
        .collect::<Vec<_>>();
    assert!(near.is_empty(), "{near:?}");
    assert!(found.uneven_mm < 0.5, "{}", found.uneven_mm);
    for pair in layout.darts.chunks(2) {
        assert!((pair[0].depth_mm - pair[1].depth_mm).abs() < 1e-9);
        let (Towards::Turned(a), Towards::Turned(b)) = (pair[0].towards, pair[1].towards) else {
            panic!("the search orders darts by their lean");
        };
        assert!((a.abs() - b.abs()).abs() < 1e-9);
    }
}

#[test]
fn the_same_layout_comes_out_of_any_number_of_threads() {
    let patch = full_base();
    let run = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| dart::search(&patch, &lace(STRICT), &options(4)).unwrap())
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn a_small_crown_piece_gets_no_dart() {
    // A cap of 0.35 rad strains by 2 % at most when laid flat: half of α/sin α − 1 (Milnor 1969, A problem
    // in cartography, Amer. Math. Monthly 76(10)) with room for a head that is no sphere.
    let form = average_head();
    let directions = (0..24).map(|k| {
        let turn = std::f64::consts::TAU * f64::from(k) / 24.0;
        Vector3::new(
            0.35_f64.tan() * turn.cos(),
            0.35_f64.tan() * turn.sin(),
            1.0,
        )
    });
    let outline = Outline {
        perimeter: directions.map(|d| form.point(&d.normalize())).collect(),
        openings: Vec::new(),
    };
    let patch = Patch::cut(&form.mesh(6_000), form.head(), &outline, Vec::new()).unwrap();
    let found = dart::search(&patch, &lace(0.03), &SearchOptions::default()).unwrap();
    assert!(found.met, "{:?}", found.best);
    assert!(found.best.layout.darts.is_empty());
}
