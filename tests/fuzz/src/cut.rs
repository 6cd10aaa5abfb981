//! A small dented head with any perimeter, openings, keep-clear places, darts and seams: cut and laid
//! flat so that every law holds, or refused.

use std::f64::consts::{PI, TAU};

use flatten::{
    Point3,
    dart::{Anchor, DartSpec, Layout, SeamSpec, Towards, cut},
    flat::{self, overlap},
    job::Material,
    mesh::TriMesh,
    patch::{Head, KeepClear, Outline, Patch},
    piece::{self, Allowance, Grain, Order},
};

/// Bytes as numbers; zeros when they are used up.
struct Dice<'a>(&'a [u8]);

impl Dice<'_> {
    fn byte(&mut self) -> u8 {
        let Some((&first, rest)) = self.0.split_first() else {
            return 0;
        };
        self.0 = rest;
        first
    }

    fn below(&mut self, count: u8) -> u8 {
        self.byte() % count.max(1)
    }

    /// From `low` to `high`.
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * f64::from(self.byte()) / 255.0
    }
}

fn on_head(bearing: f64, elevation: f64) -> Point3 {
    let (sin, cos) = elevation.sin_cos();
    let axes = if sin < 0.0 {
        [77.0, 100.0, 190.0]
    } else {
        [77.0, 100.0, 105.0]
    };
    Point3::new(
        -axes[0] * bearing.sin() * cos,
        axes[1] * bearing.cos() * cos,
        axes[2] * sin,
    )
}

fn ring(dice: &mut Dice, centre: (f64, f64), reach: (f64, f64), most: u8) -> Vec<Point3> {
    let count = 3 + dice.below(most);
    (0..count)
        .map(|k| {
            let turn = TAU * f64::from(k) / f64::from(count);
            let r = dice.between(0.0, 1.0);
            on_head(
                centre.0 + reach.0 * r * turn.cos(),
                centre.1 + reach.1 * r * turn.sin(),
            )
        })
        .collect()
}

/// Tries one base.
///
/// # Panics
/// Where a law does not hold.
pub fn cut_and_lay(bytes: &[u8]) {
    // The last byte says how far to go: cutting is quick and is most of what can go wrong, the rest is slow.
    let depth = bytes.last().copied().unwrap_or_default();
    let (lays, makes) = (depth % 4 == 0, depth % 16 == 0);
    let mut dice = Dice(bytes);
    let (mut positions, faces) = fixtures::head(if depth < 128 { 1 } else { 2 });
    for _ in 0..dice.below(6) {
        let v = usize::from(dice.byte()) % positions.len();
        let by = dice.between(0.9, 1.05);
        positions[v] = positions[v].map(|c| c * by);
    }
    let Ok(mold) = TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces) else {
        return;
    };
    let marks =
        [(0.0, 0.3), (PI, 0.0), (PI / 2.0, 0.0), (-PI / 2.0, 0.0)].map(|(b, e)| on_head(b, e));
    let Ok(head) = Head::from_landmarks(marks[0], marks[1], marks[2], marks[3], None, &mold) else {
        return;
    };

    let perimeter = match dice.below(3) {
        // Round the whole head, up and down.
        0 | 1 => {
            let count = 3 + dice.below(40);
            (0..count)
                .map(|k| {
                    on_head(
                        TAU * f64::from(k) / f64::from(count),
                        dice.between(-0.2, 0.9),
                    )
                })
                .collect()
        }
        _ => {
            let centre = (dice.between(-PI, PI), dice.between(0.0, 1.2));
            ring(&mut dice, centre, (0.9, 0.6), 20)
        }
    };
    let openings = (0..dice.below(4))
        .map(|_| {
            let centre = (dice.between(-PI, PI), dice.between(0.2, 1.4));
            let reach = (dice.between(0.01, 0.6), dice.between(0.01, 0.4));
            ring(&mut dice, centre, reach, 12)
        })
        .collect();
    let keep_clear = (0..dice.below(3))
        .map(|_| KeepClear {
            centre: on_head(dice.between(-PI, PI), dice.between(0.0, 1.5)),
            radius_mm: dice.between(0.0, 40.0),
            reason: "scar".into(),
        })
        .collect::<Vec<_>>();
    let outline = Outline {
        perimeter,
        openings,
    };
    let Ok(patch) = Patch::cut(&mold, head, &outline, keep_clear.clone()) else {
        return;
    };
    assert_eq!(patch.zones.len(), patch.perimeter.len());
    assert_eq!(patch.mesh.boundary_loops().len(), 1 + patch.openings.len());

    let anchors = [
        Anchor::Front,
        Anchor::Nape,
        Anchor::LeftEar,
        Anchor::RightEar,
        Anchor::Opening(0),
        Anchor::Opening(1),
    ];
    let darts = (0..dice.below(5))
        .map(|_| DartSpec {
            from: anchors[usize::from(dice.below(6))],
            along_mm: dice.between(-300.0, 300.0),
            depth_mm: dice.between(1.0, 200.0),
            towards: match dice.below(4) {
                0 => Towards::Inward,
                1 => Towards::Crown,
                2 => Towards::Turned(dice.between(-1.6, 1.6)),
                _ => Towards::Point(on_head(dice.between(-PI, PI), dice.between(0.0, 1.5))),
            },
        })
        .collect();
    let seams = (0..dice.below(3))
        .map(|_| SeamSpec {
            through: (0..2 + dice.below(3))
                .map(|_| on_head(dice.between(-PI, PI), dice.between(-0.1, 1.5)))
                .collect(),
        })
        .collect();
    let layout = Layout {
        name: "any".into(),
        darts,
        seams,
    };
    // A layout that is refused leaves the bare patch to lay flat.
    let cut = match cut(&patch, &layout) {
        Ok(cut) => cut,
        Err(_) => match flatten::dart::cut(&patch, &Layout::default()) {
            Ok(cut) => cut,
            Err(why) => panic!("a patch without darts is refused: {why}"),
        },
    };
    let whole = patch.mesh.area();
    let parts: f64 = cut.panels.iter().map(|p| p.mesh.area()).sum();
    assert!(
        (parts - whole).abs() <= 1e-6 * whole.max(1.0),
        "{parts} of {whole} mm2"
    );

    if !lays {
        return;
    }
    let material = Material {
        name: "any".into(),
        limit: 0.03,
        tension: 1.0,
        crowding: 2.0,
    };
    let mut maps = Vec::new();
    for panel in &cut.panels {
        let Ok((map, field)) = flat::lay_quickly(panel, &material, true) else {
            return;
        };
        assert_eq!(map.uv.len(), panel.mesh.vertex_count());
        assert!(
            map.uv.iter().all(|p| p.x.is_finite() && p.y.is_finite()),
            "{:?}",
            map.report
        );
        // What the report says of flips and crossings is so.
        let flipped = panel.mesh.faces().iter().filter(|f| {
            let [a, b, c] = f.map(|v| map.uv[v as usize]);
            (b - a).perp(&(c - a)) <= 0.0
        });
        assert_eq!(flipped.count(), map.report.flipped, "{:?}", map.report);
        let loops: Vec<Vec<u32>> = panel.loops.iter().map(|l| l.vertices.clone()).collect();
        let on_itself =
            overlap::crosses(&loops, &map.uv) || overlap::windings(&panel.mesh, &map.uv) > 0;
        assert_eq!(on_itself, map.report.overlaps > 0, "{:?}", map.report);
        assert!(field.summary(0.03).max.is_finite());
        maps.push(map);
    }
    if !makes {
        return;
    }
    let allowance = Allowance {
        front_mm: 20.0,
        sides_mm: 10.0,
        nape_mm: 10.0,
        opening_mm: 6.0,
        seam_mm: 6.0,
        dart_mm: 6.0,
    };
    let pieces = piece::make(&Order {
        cut: &cut,
        maps: &maps,
        head: &patch.head,
        keep_clear: &keep_clear,
        allowance: &allowance,
        client: "0042",
        material: "any",
        grain: Grain::FrontBack,
        date: None,
    });
    if let Ok(pieces) = pieces {
        for piece in &pieces {
            assert!(
                piece
                    .cut_line_mm
                    .iter()
                    .all(|p| p.x.is_finite() && p.y.is_finite())
            );
        }
        assert!(
            piece::draw_all(&pieces, &piece::Style::default())
                .items
                .len()
                < 100_000
        );
    }
}
