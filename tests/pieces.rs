//! From cut panels to pieces: what is sewn together has one length, margins are as wide as asked,
//! marks pair up, texts overlap nothing, and a stored piece is the same piece.

#[path = "pieces/base.rs"]
mod base;

use base::{Base, Plan};
use flatten::{
    patch::KeepClear,
    piece::{self, Allowance, DartStyle, Grain, MarkKind, Order, Piece, StretchKind},
};

const ALLOWANCE: Allowance = Allowance {
    front_mm: 20.0,
    sides_mm: 10.0,
    nape_mm: 10.0,
    opening_mm: 6.0,
    seam_mm: 6.0,
    dart_mm: 6.0,
};

fn make(base: &Base, keep_clear: &[KeepClear], allowance: &Allowance) -> Vec<Piece> {
    let order = Order {
        cut: &base.cut,
        maps: &base.maps,
        head: &base.head,
        keep_clear,
        allowance,
        client: "0042",
        material: "light lace",
        grain: Grain::FrontBack,
        date: None,
    };
    piece::make(&order).unwrap()
}

#[test]
fn legs_are_true_and_as_long_as_on_the_head() {
    let base = Plan {
        jitter: 0.05,
        ..Plan::default()
    }
    .build();
    let piece = &make(&base, &[], &ALLOWANCE)[0];
    assert_eq!(piece.darts.len(), 4);
    for dart in &piece.darts {
        let [a, b] = dart.legs_mm;
        assert!((a - b).abs() < 0.3, "{}: legs of {a} and {b} mm", dart.id);
        assert!(
            (a - dart.head_mm).abs() < 0.02,
            "{}: {a} mm, {} mm on the head",
            dart.id,
            dart.head_mm
        );
    }
    assert!(piece.measured.leg_mismatch_mm < 0.3);
    // Gaps of 0.10 and 0.11 rad at meridians of 119 to 151 mm.
    for dart in &piece.darts {
        assert!(
            (11.0..17.5).contains(&dart.take_up_mm),
            "{} takes up {}",
            dart.id,
            dart.take_up_mm
        );
        assert_eq!(dart.style, DartStyle::Fold);
    }
}

#[test]
fn curves_stay_on_the_flattened_edge_with_far_fewer_points() {
    let base = Plan {
        jitter: 0.05,
        ..Plan::default()
    }
    .build();
    let piece = &make(&base, &[], &ALLOWANCE)[0];
    for stretch in &piece.stretches {
        assert!(
            stretch.fit_error_mm < 0.2,
            "{:?}: {} mm",
            stretch.kind,
            stretch.fit_error_mm
        );
    }
    let m = &piece.measured;
    assert!(
        4 * m.cubics < m.points_flat,
        "{} cubics for {} points",
        m.cubics,
        m.points_flat
    );
    assert!(
        (m.perimeter_mm / m.perimeter_flat_mm - 1.0).abs() < 0.003,
        "{m:?}"
    );
}
