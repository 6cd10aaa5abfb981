//! Invented heads and what is ordered on them: full bases, small ones, narrow ones, nearly closed ones.

use std::f64::consts::{PI, TAU};

use flatten::{
    Point3,
    dart::{Anchor, DartSpec, Layout, SeamSpec, Towards},
    job::{Job, LayoutChoice, Material},
    mesh::{CleanMesh, TriMesh},
    patch::{Head, Outline},
    piece::{Allowance, Grain},
};
use proptest::{prelude::*, test_runner::TestCaseError};

use crate::law::skip;

/// A direction from the middle of the head: bearing from the front towards the client's left, and
/// elevation, radians.
pub(crate) type Direction = [f64; 2];

/// An invented head and what is ordered on it.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    axes: [f64; 3],
    bump: f64,
    perimeter: Vec<Direction>,
    /// Middle and size.
    openings: Vec<(Direction, f64)>,
    darts: Vec<Dart>,
    seam: Option<Vec<Direction>>,
    even: usize,
    allowance: Allowance,
    /// Everything is this many times as large.
    scale: f64,
}

#[derive(Debug, Clone, Copy)]
struct Dart {
    from: Anchor,
    along_mm: f64,
    depth_mm: f64,
    turn: f64,
}

impl Case {
    fn at(&self, [bearing, elevation]: Direction) -> Point3 {
        let (sin, cos) = elevation.sin_cos();
        self.onto([-bearing.sin() * cos, bearing.cos() * cos, sin])
    }

    fn onto(&self, [x, y, z]: [f64; 3]) -> Point3 {
        let swell = 1.0 + self.bump * ((3.0 * x + 1.0).sin() * (3.0 * y).cos() + (2.0 * z).sin());
        let down = if z < 0.0 { 1.6 } else { 1.0 };
        let [a, b, c] = self.axes.map(|axis| axis * swell * self.scale);
        Point3::new(a * x, b * y, c * z * down)
    }

    /// The same order at another size.
    pub(crate) fn scaled(mut self, by: f64) -> Self {
        self.scale *= by;
        self
    }

    pub(crate) fn job(&self) -> Result<Job, TestCaseError> {
        let (positions, faces) = fixtures::icosphere(1.0, 3);
        let positions = positions.into_iter().map(|p| self.onto(p)).collect();
        let mesh = TriMesh::new(positions, faces).unwrap();
        let marks = [[0.0, 0.3], [PI, 0.0], [PI / 2.0, 0.05], [-PI / 2.0, 0.05]];
        let [front, nape, left, right] = marks.map(|mark| self.at(mark));
        let crown = self.at([0.0, PI / 2.0]);
        let head = Head::from_landmarks(front, nape, left, right, Some(crown), &mesh)
            .map_err(|_| skip("the landmarks are refused"))?;
        let openings = self.openings.iter().map(|&([bearing, elevation], size)| {
            let corner = |k: u32| {
                let (sin, cos) = (TAU * f64::from(k) / 9.0).sin_cos();
                self.at([
                    bearing + size * cos / elevation.cos(),
                    elevation + size * sin,
                ])
            };
            (0..9).map(corner).collect()
        });
        let layout = if self.darts.is_empty() && self.seam.is_none() {
            LayoutChoice::Even(self.even)
        } else {
            let dart = |dart: &Dart| DartSpec {
                from: dart.from,
                along_mm: dart.along_mm * self.scale,
                depth_mm: dart.depth_mm * self.scale,
                towards: Towards::Turned(dart.turn),
            };
            let seam = |through: &Vec<Direction>| SeamSpec {
                through: through.iter().map(|d| self.at(*d)).collect(),
            };
            LayoutChoice::Given(Layout {
                name: "given".into(),
                darts: self.darts.iter().map(dart).collect(),
                seams: self.seam.iter().map(seam).collect(),
            })
        };
        Ok(Job {
            client: "0042".into(),
            outline: Outline {
                perimeter: self.perimeter.iter().map(|d| self.at(*d)).collect(),
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
            allowance: self.allowance,
            grain: Grain::FrontBack,
            layout,
            date: None,
        })
    }
}

/// The order moved, or seen in a mirror: then left is right, and counting goes the other way.
pub(crate) fn moved(
    job: &Job,
    by: impl Fn(Point3) -> Point3,
    mirror: bool,
) -> Result<Job, TestCaseError> {
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
    if let LayoutChoice::Given(layout) = &mut job.layout {
        for p in layout.seams.iter_mut().flat_map(|seam| &mut seam.through) {
            *p = by(*p);
        }
        for dart in layout.darts.iter_mut().filter(|_| mirror) {
            // At an ear counting goes to the front on both sides; elsewhere it changes hands.
            match dart.from {
                Anchor::LeftEar => dart.from = Anchor::RightEar,
                Anchor::RightEar => dart.from = Anchor::LeftEar,
                _ => {
                    dart.along_mm = -dart.along_mm;
                    if let Towards::Turned(turn) = &mut dart.towards {
                        *turn = -*turn;
                    }
                }
            }
        }
    }
    let head = &job.head;
    let (mut left, mut right) = (by(head.left_ear), by(head.right_ear));
    if mirror {
        std::mem::swap(&mut left, &mut right);
    }
    let (front, nape, crown) = (by(head.front), by(head.nape), by(head.crown));
    job.head = Head::from_landmarks(front, nape, left, right, Some(crown), &job.mold.mesh)
        .map_err(|_| skip("the landmarks are refused"))?;
    Ok(job)
}

/// A ring round the whole head at these elevations.
fn round(heights: &[f64]) -> Vec<Direction> {
    let turn = |k: usize| TAU * k as f64 / heights.len() as f64;
    (0..heights.len()).map(|k| [turn(k), heights[k]]).collect()
}

/// A ring round a direction with these reaches, radians.
fn spot([bearing, elevation]: Direction, reaches: &[f64]) -> Vec<Direction> {
    let corner = |(k, reach): (usize, &f64)| {
        let (sin, cos) = (TAU * k as f64 / reaches.len() as f64).sin_cos();
        [
            bearing + reach * cos / elevation.cos(),
            elevation + reach * sin,
        ]
    };
    reaches.iter().enumerate().map(corner).collect()
}

/// A band from ear to ear or shorter, narrow.
fn band([bearing, elevation]: Direction, long: f64, wide: f64) -> Vec<Direction> {
    let along = |k: i32| bearing + long * (f64::from(k) / 10.0 - 1.0);
    let lower = (0..=20).map(|k| [along(k), elevation - wide]);
    let upper = (0..=20).rev().map(|k| [along(k), elevation + wide]);
    lower.chain(upper).collect()
}

/// Where the base ends, and how large it is next to a full one.
fn perimeter() -> impl Strategy<Value = (Vec<Direction>, f64)> {
    let heights = |range: std::ops::Range<f64>, count: std::ops::Range<usize>| {
        prop::collection::vec(range, count).prop_map(|heights| (round(&heights), 1.0))
    };
    let middle = || [-PI..PI, 0.5..1.2_f64];
    prop_oneof![
        // Smooth hairlines, and saw teeth.
        4 => heights(0.05..0.15, 12..30),
        2 => heights(0.0..0.4, 8..20),
        // Down to the neck: nearly closed.
        1 => heights(-0.9..-0.7, 12..20),
        // Pieces for a bald spot, from the size of a palm to that of a thumb.
        2 => (middle(), 0.1..0.5_f64, prop::collection::vec(0.8..1.1_f64, 10..24)).prop_map(
            |(middle, size, wobble)| {
                let reaches: Vec<f64> = wobble.iter().map(|w| w * size).collect();
                (spot(middle, &reaches), size / 2.0)
            }
        ),
        // A hairline piece: long and narrow.
        1 => ([-PI..PI, 0.2..0.5_f64], 0.3..1.2_f64, 0.05..0.12_f64).prop_map(
            |(middle, long, wide)| (band(middle, long, wide), wide / 2.0)
        ),
    ]
}

fn allowance() -> impl Strategy<Value = Allowance> {
    let even = (3.0..20.0_f64).prop_map(|wide| [wide; 6]);
    let each = [
        3.0..20.0_f64,
        3.0..20.0,
        3.0..20.0,
        3.0..12.0,
        3.0..12.0,
        3.0..12.0,
    ];
    prop_oneof![even, each].prop_map(|[front, sides, nape, opening, seam, dart]| Allowance {
        front_mm: front,
        sides_mm: sides,
        nape_mm: nape,
        opening_mm: opening,
        seam_mm: seam,
        dart_mm: dart,
    })
}

/// Openings: anywhere, or two that nearly touch.
fn openings() -> impl Strategy<Value = Vec<(Direction, f64)>> {
    let anywhere = ([-PI..PI, 0.7..1.2_f64], 0.05..0.25_f64);
    let twins = ([-PI..PI, 0.5..1.0_f64], 0.05..0.2_f64, 0.01..0.08_f64).prop_map(
        |([bearing, elevation], size, gap)| {
            let aside = (2.0 * size + gap) / elevation.cos();
            vec![
                ([bearing, elevation], size),
                ([bearing + aside, elevation], size),
            ]
        },
    );
    prop_oneof![
        4 => prop::collection::vec(anywhere, 0..3),
        1 => twins,
    ]
}

pub(crate) fn case() -> impl Strategy<Value = Case> {
    let head = (
        [68.0..82.0_f64, 88.0..104.0, 88.0..115.0],
        prop_oneof![Just(0.0), 0.005..0.03_f64],
    );
    let anchor = prop::sample::select(vec![
        Anchor::Front,
        Anchor::Nape,
        Anchor::Nape,
        Anchor::LeftEar,
        Anchor::RightEar,
    ]);
    let dart = (anchor, -150.0..150.0_f64, 20.0..110.0_f64, -0.9..0.9_f64).prop_map(
        |(from, along_mm, depth_mm, turn)| Dart {
            from,
            along_mm,
            depth_mm,
            turn,
        },
    );
    let darts = prop_oneof![
        2 => Just(Vec::new()),
        1 => prop::collection::vec(dart, 1..4),
    ];
    let seam = prop_oneof![3 => Just(None), 1 => (0.0..PI).prop_map(Some)];
    (
        head,
        perimeter(),
        openings(),
        darts,
        seam,
        1..8_usize,
        allowance(),
    )
        .prop_map(
            |((axes, bump), (perimeter, size), openings, mut darts, seam, even, allowance)| {
                for dart in &mut darts {
                    dart.along_mm *= size;
                    dart.depth_mm *= size;
                }
                // Only a base that reaches round the head has a far edge to sew to.
                let whole = size >= 1.0;
                let across = |bearing: f64| {
                    let count = perimeter.len();
                    let first = (bearing / TAU * count as f64) as usize % count;
                    let last = (first + count / 2) % count;
                    vec![perimeter[first], [0.0, PI / 2.0], perimeter[last]]
                };
                Case {
                    seam: seam.filter(|_| whole).map(across),
                    openings: openings
                        .into_iter()
                        .map(|(d, s)| (d, s * size.max(0.4)))
                        .collect(),
                    axes,
                    bump,
                    perimeter,
                    darts,
                    even,
                    allowance,
                    scale: 1.0,
                }
            },
        )
}
