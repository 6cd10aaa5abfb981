//! From a drafted pattern to its record.

use std::collections::BTreeMap;

use flatten::{
    Point3,
    dart::{Anchor, Towards, in_words},
    draft::{Fault, Pattern},
    mesh::TriMesh,
    piece,
    sheet::SheetOptions,
    tape::{Grade, TapePath},
};

use super::{
    Course, DartUsed, FORMAT, Fit, HeadUsed, LayoutUsed, MaterialUsed, Need, Record, SeamUsed,
    Sheets, Strain, Surface, Tape, round, round_ratio,
};
use crate::{fitting::Fitting, order::Order};

impl Record {
    /// All numbers of a pattern, and what to beware of; the sheets are counted later, by whoever prints.
    pub fn new(fitting: &Fitting, order: &Order, pattern: &Pattern) -> (Self, Vec<String>) {
        let tapes = tapes(order, pattern);
        let (need, unlaid) = Need::of(fitting, pattern);
        let mut beware = order.beware.clone();
        beware.extend(pattern.faults.iter().map(ToString::to_string));
        beware.extend(off_lengths(&tapes, fitting.material.limit));
        beware.extend(in_words(&pattern.breaches));
        beware.extend(unlaid.map(|why| why.to_string()));
        let mut warnings = beware.clone();
        warnings.extend(order.ask.iter().cloned());
        let record = Self {
            format: FORMAT,
            client: fitting.client.clone(),
            date: fitting.date.clone(),
            units: fitting.unit.symbol().into(),
            confirmed: fitting.confirmed,
            mold: order.mold.clone(),
            surface: surface(pattern),
            material: MaterialUsed {
                name: fitting.material.name.clone(),
                limit: fitting.material.limit,
                tension: fitting.material.tension,
                crowding: fitting.material.crowding,
            },
            layout: layout(pattern),
            strain: strain(pattern),
            fit: fit(pattern),
            tapes,
            head: Some(head(pattern)),
            need,
            change: None,
            pieces: pattern.pieces.clone(),
            sheets: Sheets::none(&fitting.sheet),
            warnings,
            notes: order.notes.clone(),
            timings_ms: BTreeMap::new(),
        };
        (record, beware)
    }
}

/// Greatest relative difference of a tape between sewn base and head that is not told.
const TAPE_LIMIT: f64 = 0.01;

/// Less of a tape than this on the base says nothing, mm.
const TAPE_LEAST_MM: f64 = 30.0;

/// Tapes on the sewn base that are too far off the head's, in a sentence.
fn off_lengths(tapes: &[Tape], limit: f64) -> Option<String> {
    let off: Vec<String> = tapes
        .iter()
        .filter_map(|tape| Some((tape, tape.finished_error?)))
        .filter(|(_, error)| error.abs() > TAPE_LIMIT)
        .map(|(tape, error)| format!("{} {:+.1} %", super::in_words(&tape.name), 100.0 * error))
        .collect();
    (!off.is_empty()).then(|| {
        format!(
            "not pulled on, the sewn base measures more than {:.0} % off the head: {}; when worn the cloth \
             stretches (-) or crowds (+) by that, and it takes {:.1} %; after sewing compare with the \
             lengths on the sewn base, not with the head's",
            100.0 * TAPE_LIMIT,
            off.join(", "),
            100.0 * limit,
        )
    })
}

/// Perimeter points nearer to the last one than this are left out, mm.
const PERIMETER_STEP_MM: f64 = 2.0;

fn head(pattern: &Pattern) -> HeadUsed {
    let head = &pattern.patch.head;
    let mut perimeter_mm = Vec::new();
    let mut last: Option<Point3> = None;
    for &v in &pattern.patch.perimeter {
        let p = pattern.patch.mesh.position(v);
        if last.is_none_or(|last| (p - last).norm() >= PERIMETER_STEP_MM) {
            perimeter_mm.push(triple(p));
            last = Some(p);
        }
    }
    HeadUsed {
        front_mm: triple(head.front),
        nape_mm: triple(head.nape),
        left_ear_mm: triple(head.left_ear),
        right_ear_mm: triple(head.right_ear),
        crown_mm: triple(head.crown),
        perimeter_mm,
    }
}

impl Sheets {
    /// Nothing printed yet.
    fn none(options: &SheetOptions) -> Self {
        Self {
            paper: options.paper.to_string(),
            count: 0,
            rows: 0,
            columns: 0,
            options: options.clone(),
        }
    }
}

fn surface(pattern: &Pattern) -> Surface {
    let mesh = &pattern.patch.mesh;
    let openings = &pattern.patch.openings;
    Surface {
        area_mm2: round(mesh.area()),
        perimeter_mm: round(ring_mm(mesh, &pattern.patch.perimeter)),
        openings_mm: round(openings.iter().map(|ring| ring_mm(mesh, ring)).sum()),
        total_curvature_deg: round(mesh.total_curvature().to_degrees()),
        vertices: mesh.vertex_count(),
        triangles: mesh.face_count(),
    }
}

/// Length of a closed line of vertices, mm.
fn ring_mm(mesh: &TriMesh, ring: &[u32]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    ring.iter()
        .zip(next)
        .map(|(&a, &b)| (mesh.position(b) - mesh.position(a)).norm())
        .sum()
}

fn layout(pattern: &Pattern) -> LayoutUsed {
    let marks: Vec<_> = pattern
        .pieces
        .iter()
        .flat_map(|piece| &piece.darts)
        .collect();
    let mut used = LayoutUsed {
        name: pattern.layout.name.clone(),
        darts: Vec::new(),
        seams: Vec::new(),
        seam_length_mm: 0.0,
    };
    for (i, dart) in pattern.layout.darts.iter().enumerate() {
        let id = format!("D{}", i + 1);
        let mark = marks.iter().find(|mark| mark.id == id);
        used.darts.push(DartUsed {
            from: from(dart.from),
            along_mm: round(dart.along_mm),
            depth_mm: round(pattern.cut.darts[i].length_mm),
            take_up_mm: round(mark.map_or(0.0, |mark| mark.take_up_mm)),
            legs_mm: mark.map_or([0.0; 2], |mark| mark.legs_mm.map(round)),
            towards: match dart.towards {
                Towards::Inward => Course::Inward,
                Towards::Crown => Course::Crown,
                Towards::Point(p) => Course::PointMm(triple(p)),
                Towards::Turned(angle) => Course::TurnedDeg(round(angle.to_degrees())),
            },
            id,
        });
    }
    for (i, seam) in pattern.layout.seams.iter().enumerate() {
        let id = format!("S{}", i + 1);
        let walked = pattern.seams.iter().find(|check| check.id == id);
        used.seams.push(SeamUsed {
            through_mm: seam.through.iter().copied().map(triple).collect(),
            length_mm: round(pattern.cut.seams[i].length_mm),
            sides_mm: walked.map_or([0.0; 2], |w| [round(w.left_mm), round(w.right_mm)]),
            id,
        });
    }
    let lines = pattern.cut.darts.iter().chain(&pattern.cut.seams);
    used.seam_length_mm = round(lines.map(|line| line.length_mm).sum());
    used
}

fn triple(p: Point3) -> [f64; 3] {
    [round(p.x), round(p.y), round(p.z)]
}

/// An anchor by its name in a fitting.
fn from(anchor: Anchor) -> String {
    match anchor {
        Anchor::Front => "front".into(),
        Anchor::Nape => "nape".into(),
        Anchor::LeftEar => "left_ear".into(),
        Anchor::RightEar => "right_ear".into(),
        Anchor::Opening(i) => format!("opening:{}", i + 1),
    }
}

fn strain(pattern: &Pattern) -> Strain {
    let s = &pattern.strain;
    Strain {
        limit: s.limit,
        mean: round_ratio(s.mean),
        p50: round_ratio(s.p50),
        p95: round_ratio(s.p95),
        p99: round_ratio(s.p99),
        max: round_ratio(s.max),
        over_limit_mm2: round(s.over_limit_mm2),
        stretch_max: round_ratio(s.stretch_max),
        crowding_max: round_ratio(s.crowding_max),
        flipped: s.flipped,
    }
}

fn fit(pattern: &Pattern) -> Fit {
    let finished = pattern
        .pieces
        .iter()
        .map(|piece| piece.measured.perimeter_mm);
    Fit {
        perimeter_error: round_ratio(pattern.perimeter_error()),
        perimeter_finished_mm: round(finished.sum()),
        seam_mismatch_mm: round(pattern.seam_mismatch_mm()),
        area_ratio: round_ratio(pattern.strain.area_ratio),
        overlaps: (0..pattern.pieces.len())
            .map(|piece| pattern.crossings(piece))
            .sum(),
        limit_met: pattern.limit_met(),
        usable: !pattern.faults.iter().any(Fault::unusable),
    }
}

/// Whether a path is one of the six that lie on a base; the others are of the head.
fn on_base(path: TapePath) -> bool {
    TapePath::ALL[..6].contains(&path)
}

fn tapes(order: &Order, pattern: &Pattern) -> Vec<Tape> {
    let panels = pattern.cut.panels.iter().zip(&pattern.maps);
    let parts: Vec<_> = panels
        .map(|(panel, map)| (&panel.mesh, &map.uv[..]))
        .collect();
    let lines: Vec<_> = order
        .laid
        .iter()
        .filter(|(path, _)| on_base(*path))
        .map(|(_, line)| line)
        .collect();
    let set_off = order.job.offset_mm != 0.0;
    let mut sewn = piece::finished(&parts, &lines, set_off).into_iter();
    order
        .laid
        .iter()
        .map(|(path, line)| {
            let row = order.tapes.iter().find(|row| row.path == *path);
            let sewn = sewn.by_ref().take(usize::from(on_base(*path))).next();
            let sewn = sewn.filter(|sewn| sewn.head_mm >= TAPE_LEAST_MM);
            Tape {
                name: path.key().into(),
                read_mm: row.map(|row| round(row.read_mm)),
                mold_mm: round(line.length_mm),
                finished_mm: sewn.map(|sewn| round(sewn.length_mm)),
                finished_error: sewn.map(|sewn| round_ratio(sewn.error())),
                off_base_mm: sewn.map(|sewn| round(sewn.off_mm)),
                grade: row.map(|row| grade(row.grade).into()),
                cause: row.and_then(|row| row.cause.as_ref().map(ToString::to_string)),
            }
        })
        .collect()
}

fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::Fine => "fine",
        Grade::Ask => "ask",
        Grade::Stop => "stop",
    }
}
