//! From cut panels to pieces: what is sewn together has one length, margins are as wide as asked,
//! marks pair up, texts overlap nothing, and a stored piece is the same piece.

#[allow(
    clippy::unwrap_used,
    reason = "helpers of a test may panic as a test may"
)]
#[path = "pieces/base.rs"]
mod base;

use base::{Base, Gore, Plan};
use flatten::{
    Point2,
    dart::{EdgeKind, Side},
    flat::{self, FlatMap, LengthSummary, edges_of},
    job::Material,
    patch::KeepClear,
    piece::{
        self, Allowance, DartMark, DartStyle, Grain, Hand, MarkKind, Order, Piece, PieceError,
        Stretch, StretchKind, Style, stock,
    },
    plane,
    sheet::{Ink, Item, Segment, Text},
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
    piece::make(&order).expect("the invented base is sound")
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

/// Angle by which the finished edge turns at a dart's mouth once the dart is closed, radians.
fn turn_when_closed(piece: &Piece, dart: &DartMark) -> f64 {
    let [left, right] = &dart.legs;
    let ends = |s: &&Stretch, p: Point2| (s.curve.end() - p).norm() < 1e-3;
    let starts = |s: &&Stretch, p: Point2| (s.curve.start() - p).norm() < 1e-3;
    let before = piece
        .stretches
        .iter()
        .find(|s| ends(s, left.start()))
        .expect("an edge meets each leg");
    let after = piece
        .stretches
        .iter()
        .find(|s| starts(s, right.start()))
        .expect("an edge meets each leg");
    let angle = plane::signed_turn(left.start() - dart.point_mm, right.start() - dart.point_mm);
    let arriving = plane::turned(before.curve.at(before.curve.length()).1, angle);
    plane::signed_turn(arriving, after.curve.at(0.0).1)
}

#[test]
fn the_finished_edge_runs_smooth_across_a_closed_dart() {
    let base = Plan {
        jitter: 0.05,
        ..Plan::default()
    }
    .build();
    let piece = &make(&base, &[], &ALLOWANCE)[0];
    for dart in &piece.darts {
        let turn = turn_when_closed(piece, dart).to_degrees();
        assert!(
            turn.abs() < 0.5,
            "{}: the edge turns {turn} degrees",
            dart.id
        );
        // The cap joins both legs' ends.
        assert!((dart.cap_mm[0] - dart.legs[0].start()).norm() < 1e-3);
        assert!((dart.cap_mm[dart.cap_mm.len() - 1] - dart.legs[1].start()).norm() < 1e-3);
    }
}

#[test]
fn side_darts_fold_to_the_back_and_nape_darts_to_the_centre() {
    let piece = &make(&Plan::default().build(), &[], &ALLOWANCE)[0];
    for dart in &piece.darts {
        let near = match dart.folds_towards {
            Hand::Left => [&dart.legs[0], &dart.legs[1]],
            Hand::Right => [&dart.legs[1], &dart.legs[0]],
        };
        let [near, far] = near.map(|leg| leg.start());
        match dart.folds.as_str() {
            "back" => assert!(near.y < far.y, "{}", dart.id),
            _ => assert!(near.x.abs() < far.x.abs(), "{}", dart.id),
        }
    }
    let words: Vec<&str> = piece.darts.iter().map(|d| d.folds.as_str()).collect();
    assert_eq!(words, ["back", "centre", "centre", "back"]);
}

#[test]
fn margins_are_as_wide_as_asked_all_round() {
    let opening = Plan {
        opening: Some([8, 20, 108, 118]),
        ..Plan::default()
    };
    for plan in [
        Plan::default(),
        opening,
        Plan {
            seam: true,
            ..Plan::default()
        },
    ] {
        for piece in make(&plan.build(), &[], &ALLOWANCE) {
            let m = &piece.measured;
            assert!(
                m.margin_least_mm > -0.02 && m.margin_most_mm < 0.02,
                "{m:?}"
            );
            assert_eq!((m.cut_crossings, m.sew_crossings), (0, 0));
            assert!(m.cut_area_mm2 > m.sew_area_mm2);
        }
    }
}

#[test]
fn the_margin_agrees_with_a_plain_offset_where_all_widths_are_one() {
    // An even margin of 12 mm: every cut point is 12 mm from the sew line, by brute force.
    let even = Allowance {
        front_mm: 12.0,
        sides_mm: 12.0,
        nape_mm: 12.0,
        opening_mm: 12.0,
        seam_mm: 12.0,
        dart_mm: 12.0,
    };
    let piece = &make(&Plan::default().build(), &[], &even)[0];
    let mut sew = piece.sew_line_mm.clone();
    sew.push(sew[0]);
    for p in &piece.cut_line_mm {
        let off = plane::nearest(&sew, *p).unwrap().distance;
        assert!((off - 12.0).abs() < 0.03, "{off} mm at {p}");
    }
}

#[test]
fn wide_darts_are_cut_open_and_narrow_ones_folded() {
    let gores = vec![
        Gore {
            column: 30,
            row: 10,
            gap: 0.3,
        },
        Gore {
            column: 60,
            row: 12,
            gap: 0.1,
        },
    ];
    let piece = &make(
        &Plan {
            gores,
            ..Plan::default()
        }
        .build(),
        &[],
        &ALLOWANCE,
    )[0];
    let styles: Vec<_> = piece.darts.iter().map(|d| d.style).collect();
    assert_eq!(styles, [DartStyle::Open, DartStyle::Fold]);
    let [open, folded] = [&piece.darts[0], &piece.darts[1]];
    let middle = |d: &DartMark| nalgebra::center(&d.legs[0].start(), &d.legs[1].start());
    assert!(
        !plane::contains(&piece.cut_line_mm, middle(open)),
        "an open dart's mouth is cut out"
    );
    assert!(
        plane::contains(&piece.cut_line_mm, middle(folded)),
        "a folded dart's mouth is material"
    );
    // Where both margins meet, the cut ends: 12 mm of wedge are left there.
    let inner = piece
        .cut_line_mm
        .iter()
        .map(|p| (p - open.point_mm).norm())
        .fold(f64::INFINITY, f64::min);
    assert!(inner > 10.0 && inner < open.head_mm, "{inner}");
}

#[test]
fn an_opening_keeps_its_corners_and_its_margin_goes_inside() {
    let base = Plan {
        opening: Some([8, 20, 108, 118]),
        ..Plan::default()
    }
    .build();
    let piece = &make(&base, &[], &ALLOWANCE)[0];
    let opening = &piece.openings[0];
    let (sew, cut) = (
        plane::ring_area(&opening.sew_line_mm),
        plane::ring_area(&opening.cut_line_mm),
    );
    assert!(
        sew < cut && cut < 0.0,
        "holes run clockwise and the cut is smaller: {sew}, {cut}"
    );
    assert!(
        opening
            .cut_line_mm
            .iter()
            .all(|p| plane::contains(&opening.sew_line_mm, *p))
    );
    let sides = piece
        .stretches
        .iter()
        .filter(|s| s.kind == StretchKind::Opening)
        .count();
    assert_eq!(sides, 4, "its four corners part it");
}

#[test]
fn a_narrow_opening_says_how_little_room_it_has() {
    let base = Plan {
        opening: Some([8, 20, 113, 116]),
        ..Plan::default()
    }
    .build();
    let piece = &make(&base, &[], &ALLOWANCE)[0];
    let opening = &piece.openings[0];
    assert!(opening.allowance_mm < opening.asked_mm && !opening.cut_line_mm.is_empty());
    let texts = texts(&piece::draw(piece, &Style::default()).items);
    assert!(
        texts
            .iter()
            .any(|t| t.text.contains("room for an allowance of"))
    );
}

#[test]
fn seams_are_walked_and_their_notches_meet() {
    let base = Plan {
        seam: true,
        ..Plan::default()
    }
    .build();
    let pieces = make(&base, &[], &ALLOWANCE);
    assert_eq!(pieces.len(), 2);
    let checks = piece::seam_checks(&pieces);
    assert!(
        checks.len() == 1 && checks[0].mismatch_mm < 0.3,
        "{checks:?}"
    );
    let sides = pieces.iter().flat_map(|piece| &piece.stretches);
    let flat: f64 = sides
        .filter(|s| s.kind == StretchKind::Seam)
        .map(|s| s.flat_mm)
        .sum();
    assert!((checks[0].left_mm - flat / 2.0).abs() < 0.02);
    // Distance of each notch along its side, from the seam's first end.
    let walked = |piece: &Piece| -> Vec<(f64, usize)> {
        let side = piece
            .stretches
            .iter()
            .find(|s| s.kind == StretchKind::Seam)
            .unwrap();
        let mut list: Vec<(f64, usize)> = piece
            .marks
            .iter()
            .filter(|m| m.kind == MarkKind::Notch && m.name == "S1")
            .map(|m| {
                let along = side.curve.nearest(m.towards_mm).0;
                let from_first = if side.hand == Some(Hand::Left) {
                    along
                } else {
                    side.length_mm - along
                };
                (from_first, m.count)
            })
            .collect();
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        list
    };
    let (a, b) = (walked(&pieces[0]), walked(&pieces[1]));
    assert_eq!((a.len(), b.len()), (2, 2));
    for (x, y) in a.iter().zip(&b) {
        assert!((x.0 - y.0).abs() < 0.3 && x.1 == y.1, "{a:?} {b:?}");
    }
    assert!(
        (a[0].0 - (a[1].0 - checks[0].left_mm).abs()).abs() > 5.0,
        "no mistaking the ends"
    );
    assert_eq!(
        pieces[0].stretches.iter().find_map(|s| s.joins.clone()),
        Some(pieces[1].id.clone())
    );
}

#[test]
fn left_of_the_client_is_left_on_the_sheet() {
    let plan = Plan::default();
    let base = plan.build();
    // Column 12 of 120 lies 36° from the front towards the client's left.
    let scar = KeepClear {
        centre: plan.on_head(18, 12),
        radius_mm: 12.0,
        reason: "scar".into(),
    };
    let piece = &make(&base, &[scar], &ALLOWANCE)[0];
    let middle = |ring: &[Point2]| ring.iter().map(|p| p.x).sum::<f64>() / ring.len() as f64;
    assert!(middle(&piece.keep_clear[0].outline_mm) < -20.0);
    let word = |w: &str| piece.marks.iter().find(|m| m.name == w).unwrap().at_mm;
    assert!(word("LEFT").x < -80.0 && word("RIGHT").x > 80.0);
    assert!(word("FRONT").y > 80.0 && word("NAPE").y < -80.0);
    // The place keeps its size: 12 mm along the surface, the map crude by up to a third.
    let area = plane::ring_area(&piece.keep_clear[0].outline_mm).abs();
    assert!((400.0..680.0).contains(&area), "{area}");
}

fn texts(items: &[Item]) -> Vec<Text> {
    items
        .iter()
        .flat_map(|item| match item {
            Item::Text(text) => vec![text.clone()],
            Item::Group(_, items) => texts(items),
            _ => Vec::new(),
        })
        .collect()
}

/// Lines as straight segments, hatching left out.
fn strokes(items: &[Item]) -> Vec<[Point2; 2]> {
    let mut list = Vec::new();
    for item in items {
        match item {
            Item::Group(_, items) => list.extend(strokes(items)),
            Item::Line(ink, path) if *ink != Ink::Hatch => {
                let (mut at, mut from) = (Point2::origin(), Point2::origin());
                for segment in &path.segments {
                    match *segment {
                        Segment::Move(p) => (at, from) = (p, p),
                        Segment::Line(p) => {
                            list.push([at, p]);
                            at = p;
                        }
                        Segment::Cubic(a, b, p) => {
                            let line = plane::Curve::new(at, &[[a, b, p]]).linearise(0.05, 1e9);
                            list.extend(line.windows(2).map(|w| [w[0], w[1]]));
                            at = p;
                        }
                        Segment::Close => list.push([at, from]),
                    }
                }
            }
            _ => {}
        }
    }
    list
}

/// Whether a segment meets a convex box.
fn meets(corners: &[Point2; 4], [a, b]: [Point2; 2]) -> bool {
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    for i in 0..4 {
        let (p, q) = (corners[i], corners[(i + 1) % 4]);
        let inside = |x: Point2| plane::cross(q - p, x - p);
        let (s, t) = (inside(a), inside(b));
        if s < 0.0 && t < 0.0 {
            return false;
        }
        if s < 0.0 {
            low = low.max(s / (s - t));
        } else if t < 0.0 {
            high = high.min(s / (s - t));
        }
    }
    low < high
}

#[test]
fn no_text_overlaps_a_line_or_another_text_and_all_can_be_read() {
    let opening = Plan {
        opening: Some([8, 20, 108, 118]),
        ..Plan::default()
    };
    let twelve = (0..12)
        .map(|k| Gore {
            column: 5 + 10 * k,
            row: 15,
            gap: 0.06,
        })
        .collect();
    let plans = [
        Plan::default(),
        opening,
        Plan {
            seam: true,
            ..Plan::default()
        },
        Plan {
            gores: twelve,
            ..Plan::default()
        },
    ];
    for plan in plans {
        for piece in make(&plan.build(), &[], &ALLOWANCE) {
            let drawing = piece::draw(&piece, &Style::default());
            let (texts, strokes) = (texts(&drawing.items), strokes(&drawing.items));
            assert!(texts.len() > 15 && strokes.len() > 200);
            for (i, text) in texts.iter().enumerate() {
                let corners = text.corners();
                let hit = strokes.iter().find(|s| meets(&corners, **s));
                assert!(hit.is_none(), "`{}` lies on a line at {hit:?}", text.text);
                for other in &texts[..i] {
                    let box_ = other.corners();
                    let apart = (0..4).all(|k| !meets(&corners, [box_[k], box_[(k + 1) % 4]]))
                        && !plane::contains(&corners, box_[0]);
                    assert!(apart, "`{}` lies on `{}`", text.text, other.text);
                }
                // A capital is 0.72 of the font size: 2.5 mm at least.
                assert!(text.size_mm * 0.718 > 2.5, "`{}` is too small", text.text);
            }
            for word in [
                "FRONT",
                "NAPE",
                "LEFT",
                "RIGHT",
                "OUTSIDE FACES YOU",
                "Client 0042",
            ] {
                assert!(
                    texts.iter().any(|t| t.text == word),
                    "{word} is missing on {}",
                    piece.id
                );
            }
        }
    }
}

#[test]
fn a_stored_piece_is_the_same_piece_and_draws_the_same() {
    let base = Plan {
        seam: true,
        jitter: 0.05,
        ..Plan::default()
    }
    .build();
    let pieces = make(&base, &[], &ALLOWANCE);
    let text = serde_json::to_string(&pieces).unwrap();
    let back: Vec<Piece> = serde_json::from_str(&text).unwrap();
    assert_eq!(pieces, back);
    assert_eq!(text, serde_json::to_string(&back).unwrap());
    let drawn = |pieces: &[Piece]| {
        serde_json::to_string(&piece::draw_all(pieces, &Style::default())).unwrap()
    };
    assert_eq!(drawn(&pieces), drawn(&back));
    assert_eq!(
        text,
        serde_json::to_string(&make(&base, &[], &ALLOWANCE)).unwrap()
    );
}

#[test]
fn pieces_are_laid_on_stock_along_the_grain() {
    let base = Plan {
        seam: true,
        ..Plan::default()
    }
    .build();
    let pieces = make(&base, &[], &ALLOWANCE);
    let roll = |width_mm: f64| stock::Stock {
        width_mm,
        length_mm: None,
    };
    let lay = stock::lay(&pieces, roll(600.0)).unwrap();
    let (across, along) = (
        pieces[0].measured.across_grain_mm,
        pieces[0].measured.along_grain_mm,
    );
    // Two halves side by side: one length.
    assert!((lay.length_mm - along.max(pieces[1].measured.along_grain_mm)).abs() < 1e-6);
    assert!((lay.laid[1].x_mm - across - stock::BETWEEN_MM).abs() < 0.1);
    let used: f64 = pieces.iter().map(|p| p.measured.cut_area_mm2).sum();
    assert!((lay.waste - (1.0 - used / (600.0 * lay.length_mm))).abs() < 1e-9);
    // Narrow stock takes one behind the other, too narrow stock none.
    let narrow = stock::lay(&pieces, roll(across + 5.0)).unwrap();
    assert!((narrow.length_mm - 2.0 * along - stock::BETWEEN_MM).abs() < 0.1);
    assert!(matches!(
        stock::lay(&pieces, roll(100.0)),
        Err(stock::LayError::TooWide { .. })
    ));
}

/// How much longer the left side of the seam lies than the right one, mm.
fn seam_apart_mm(base: &Base, maps: &[&FlatMap]) -> f64 {
    let along = |side: Side| -> f64 {
        let panels = base.cut.panels.iter().zip(maps);
        let lengths = panels.map(|(panel, map)| {
            let edges = edges_of(panel, |kind| kind == EdgeKind::Seam(0, side));
            LengthSummary::new(&panel.mesh, &map.uv, &edges).flat_mm
        });
        lengths.sum()
    };
    along(Side::Left) - along(Side::Right)
}

#[test]
fn panels_agree_on_their_seam_before_truing() {
    let base = Plan {
        // Darts on one half only, so that the other one strains the seam otherwise.
        gores: Plan::default().gores[..2].to_vec(),
        seam: true,
        ..Plan::default()
    }
    .build();
    let material = Material {
        name: "invented".into(),
        limit: 0.1,
        tension: 1.0,
        crowding: 1.0,
    };
    let alone: Vec<_> = base
        .cut
        .panels
        .iter()
        .map(|panel| flat::lay(panel, &material).unwrap().0)
        .collect();
    let apart = seam_apart_mm(&base, &alone.iter().collect::<Vec<_>>());
    assert!(apart.abs() > 1.0, "{apart}");
    let laid = flat::lay_together(&base.cut.panels, &material).unwrap();
    for (map, field) in &laid {
        assert!(map.report.converged);
        assert_eq!((map.report.flipped, map.report.overlaps), (0, 0));
        assert!(field.summary(material.limit).p95 < material.limit);
    }
    let maps: Vec<&FlatMap> = laid.iter().map(|(map, _)| map).collect();
    let apart = seam_apart_mm(&base, &maps);
    assert!(apart.abs() < 0.3, "{apart}");
}

#[test]
fn panels_that_do_not_belong_together_are_refused() {
    let mut base = Plan::default().build();
    base.maps[0].uv.pop();
    let order = |base: &Base| {
        let order = Order {
            cut: &base.cut,
            maps: &base.maps,
            head: &base.head,
            keep_clear: &[],
            allowance: &ALLOWANCE,
            client: "0042",
            material: "light lace",
            grain: Grain::FrontBack,
            date: None,
        };
        piece::make(&order).unwrap_err()
    };
    assert!(matches!(
        order(&base),
        PieceError::Unplaced { panel: 0, .. }
    ));
    base.maps.clear();
    assert!(matches!(
        order(&base),
        PieceError::Unmatched { panels: 1, maps: 0 }
    ));
}
