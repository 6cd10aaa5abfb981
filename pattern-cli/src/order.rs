//! From a fitting to the engine's job: reads the scan, settles its unit, lays the landmarks on it.
//!
//! In: a checked [`Fitting`] and the folder it lies in. Out: an [`Order`]: the job in millimetres,
//! what was done on the way, and the readings beside the mold. Points of the fitting are on the scan
//! in its own unit; without a scan they are millimetres on the head form.

use std::path::Path;

use flatten::{
    Point3,
    dart::{DartSpec, Layout, SeamSpec, Towards as Course},
    form,
    job::{Job, LayoutChoice},
    mesh::{CleanMesh, MendOptions, mend},
    patch::{Head, KeepClear, Outline},
    scan::{self, ScanUnits},
    tape::{self, Comparison, Grade, Readings, Stations, TapeLine, TapePath},
    trace::{self, Traced},
    units::{Unit, format_mm_and_inch, trimmed},
};

use crate::{
    fitting::{Darts, Fitting, Landmark, Perimeter, Towards},
    outcome::Failure,
    record,
};

/// What a fitting whose points nobody has checked is marked with.
pub(crate) const UNCONFIRMED: &str = "NOT CONFIRMED: the program proposed points in this fitting; \
     check them and set confirmed = true";

/// A fitting ready for the engine.
#[derive(Debug, Clone)]
pub struct Order {
    /// What the engine takes.
    pub job: Job,
    /// Where the head came from, for the record.
    pub mold: record::Mold,
    /// What was done to the scan and decided on the way.
    pub notes: Vec<String>,
    /// What forbids to cut before a person has looked; ends with exit code 3.
    pub beware: Vec<String>,
    /// What a person should ask about before cutting.
    pub ask: Vec<String>,
    /// Readings beside the mold.
    pub tapes: Vec<Comparison>,
    /// Every path that can be laid on the mold.
    pub laid: Vec<(TapePath, TapeLine)>,
}

/// A head in millimetres, before the order is placed on it.
struct Source {
    mold: CleanMesh,
    head: Head,
    /// The head form's own hairline.
    hairline: Option<Outline>,
    /// Millimetres in one of the fitting's coordinates.
    mm_per_unit: f64,
    told: record::Mold,
    notes: Vec<String>,
    warnings: Vec<String>,
}

impl Order {
    /// Reads what the fitting names and builds the job.
    ///
    /// # Errors
    /// One sentence: the scan can't be read or is no head, or the landmarks don't lie on it.
    pub fn new(fitting: &Fitting, folder: &Path) -> Result<Self, Failure> {
        let source = match &fitting.mold.scan {
            Some(scan) => scanned(fitting, &folder.join(scan))?,
            None => formed(fitting)?,
        };
        let place = |p: &[f64; 3]| Point3::from(*p) * source.mm_per_unit;
        let drawn = drawn(fitting, &source)?;
        let listed = fitting
            .openings
            .iter()
            .map(|points| points.iter().map(place).collect())
            .collect();
        let outline = Outline {
            perimeter: drawn.outline.perimeter,
            openings: if fitting.openings.is_empty() {
                drawn.outline.openings
            } else {
                listed
            },
        };
        let keep_clear = fitting
            .keep_clear
            .iter()
            .map(|clear| KeepClear {
                centre: place(&clear.centre),
                radius_mm: clear.radius_mm,
                reason: clear.reason.clone(),
            })
            .collect();
        let layout = layout(&fitting.darts, &source);

        let mut beware = Vec::new();
        if !fitting.confirmed {
            beware.push(UNCONFIRMED.into());
        }
        let stations = Stations::of(&source.head, &outline.perimeter);
        let laid = tape::measure_all(&source.mold.mesh, &stations);
        let on_mold: Readings = laid
            .iter()
            .map(|(path, line)| (*path, line.length_mm))
            .collect();
        let tapes = tape::compare(&fitting.tape, &on_mold);
        let mut notes = source.notes;
        notes.extend(drawn.notes);
        let mut ask = source.warnings;
        ask.extend(drawn.ask);
        for row in &tapes {
            let stop = row.grade == Grade::Stop;
            if let Some(sentence) = row.sentence() {
                if stop { &mut beware } else { &mut ask }.push(sentence);
            }
        }

        let mut told = source.told;
        told.offset_mm = fitting.mold.offset_mm;
        Ok(Self {
            job: Job {
                client: fitting.client.clone(),
                mold: source.mold,
                head: source.head,
                outline,
                keep_clear,
                offset_mm: fitting.mold.offset_mm,
                material: fitting.material.clone(),
                allowance: fitting.allowance,
                layout,
                grain: fitting.grain,
                date: fitting.date.clone(),
            },
            mold: told,
            notes,
            beware,
            ask,
            tapes,
            laid,
        })
    }
}

/// The head of a scan.
fn scanned(fitting: &Fitting, path: &Path) -> Result<Source, Failure> {
    let marks = fitting
        .landmarks
        .ok_or_else(|| Failure::new("the fitting has no [landmarks]"))?;
    let raw = scan::read(path).map_err(fail)?;
    let mut notes = raw.notes.clone();
    let [front, nape, left_ear, right_ear] =
        [marks.front, marks.nape, marks.left_ear, marks.right_ear].map(Point3::from);
    let options = MendOptions {
        units: fitting.mold.unit.map_or(ScanUnits::Auto, scan_unit),
        up: Some((right_ear - left_ear).cross(&(front - nape))),
        ..MendOptions::default()
    };
    let name = path.file_name().unwrap_or(path.as_os_str());
    let (mold, report) =
        mend(raw, &options).map_err(|why| Failure::new(format!("{}: {why}", path.display())))?;
    notes.extend(report.acts.iter().map(ToString::to_string));
    notes.push(report.settled.to_string());
    let mm = report.settled.mm_per_unit;
    let head = Head::from_landmarks(
        front * mm,
        nape * mm,
        left_ear * mm,
        right_ear * mm,
        marks.crown.map(|crown| Point3::from(crown) * mm),
        &mold.mesh,
    )
    .map_err(fail)?;
    Ok(Source {
        mold,
        head,
        hairline: None,
        mm_per_unit: mm,
        told: record::Mold {
            scan: Some(name.to_string_lossy().into_owned()),
            scan_units: Some(report.settled.unit.to_string()),
            girth_mm: Some(record::round(report.settled.girth_mm)),
            offset_mm: 0.0,
        },
        notes,
        warnings: Vec::new(),
    })
}

fn fail(error: impl std::fmt::Display) -> Failure {
    Failure::new(error.to_string())
}

pub(crate) fn scan_unit(unit: Unit) -> ScanUnits {
    ScanUnits::Given(match unit {
        Unit::Millimetre => scan::Unit::Millimetre,
        Unit::Centimetre => scan::Unit::Centimetre,
        Unit::Metre => scan::Unit::Metre,
        Unit::Inch => scan::Unit::Inch,
    })
}

/// Triangles of a head form: as fine as a good scan of a mold.
const FORM_TRIANGLES: usize = 12_000;

/// A head from readings alone.
fn formed(fitting: &Fitting) -> Result<Source, Failure> {
    let (form, report) = form::from_readings(&fitting.tape).map_err(fail)?;
    let outline = form.outline();
    Ok(Source {
        mold: CleanMesh {
            mesh: form.mesh(FORM_TRIANGLES),
            paint: None,
        },
        head: form.head(),
        hairline: Some(outline),
        mm_per_unit: 1.0,
        told: record::Mold {
            scan: None,
            scan_units: None,
            girth_mm: None,
            offset_mm: 0.0,
        },
        notes: vec![format!(
            "the head is a smooth average adult head brought to {} tape readings; expect it to be off by {:.0} mm here and there",
            fitting.tape.len(),
            report.expected_error_mm
        )],
        warnings: report
            .doubts
            .iter()
            .map(|doubt| {
                format!(
                    "tape {} reads {}, the other readings lead one to expect {}: measure it again",
                    doubt.path.key(),
                    format_mm_and_inch(doubt.read_mm),
                    format_mm_and_inch(doubt.expected_mm)
                )
            })
            .collect(),
    })
}

/// Where the base ends, and what a person should know of how that was found.
struct Drawn {
    outline: Outline,
    notes: Vec<String>,
    ask: Vec<String>,
}

fn drawn(fitting: &Fitting, source: &Source) -> Result<Drawn, Failure> {
    let only = |perimeter| {
        Ok(Drawn {
            outline: Outline {
                perimeter,
                openings: Vec::new(),
            },
            notes: Vec::new(),
            ask: Vec::new(),
        })
    };
    match &fitting.perimeter {
        Perimeter::Points(points) => only(
            points
                .iter()
                .map(|p| Point3::from(*p) * source.mm_per_unit)
                .collect(),
        ),
        Perimeter::Form => source
            .hairline
            .as_ref()
            .map(|hairline| hairline.perimeter.clone())
            .ok_or_else(|| Failure::new("a perimeter from the head form needs no scan"))
            .and_then(only),
        Perimeter::Pen => pen(source),
        Perimeter::Clock(readings) => {
            tape::clock_perimeter(&source.mold.mesh, &source.head, readings)
                .map_err(fail)
                .and_then(|outline| only(outline.perimeter))
        }
    }
}

/// The pen line on the scan, with its openings.
fn pen(source: &Source) -> Result<Drawn, Failure> {
    let traced = trace::trace(&source.mold, Some(source.head.up))
        .map_err(|why| fail(why.in_unit(source.mm_per_unit)))?;
    Ok(Drawn {
        notes: pen_notes(&traced, source.mm_per_unit),
        ask: traced.doubts,
        outline: Outline {
            perimeter: traced.perimeter.points,
            openings: traced.openings.into_iter().map(|pen| pen.points).collect(),
        },
    })
}

/// How well each pen line is seen, a sentence each, places in the scan's unit.
pub(crate) fn pen_notes(traced: &Traced, mm_per_unit: f64) -> Vec<String> {
    let all = std::iter::once(&traced.perimeter).chain(&traced.openings);
    let told = all.enumerate().map(|(k, pen)| {
        let what = if k == 0 {
            "perimeter".to_owned()
        } else {
            format!("opening {k}")
        };
        let gaps = match pen.gaps.as_slice() {
            [] => "no gaps".to_owned(),
            [longest, ..] => {
                let p = longest.place / mm_per_unit;
                format!(
                    "{} closed, the longest {:.0} mm near ({}, {}, {})",
                    if pen.gaps.len() == 1 { "1 gap".to_owned() } else { format!("{} gaps", pen.gaps.len()) },
                    longest.length_mm,
                    trimmed(p.x, 2),
                    trimmed(p.y, 2),
                    trimmed(p.z, 2)
                )
            }
        };
        format!(
            "pen line of the {what}: {}, seen along {:.0} % of it, {:.1} mm wide, {:.0} % darker than its surroundings, {gaps}",
            format_mm_and_inch(pen.length_mm),
            100.0 * pen.seen,
            pen.width_mm,
            100.0 * pen.contrast
        )
    });
    told.collect()
}

fn layout(darts: &Darts, source: &Source) -> LayoutChoice {
    let place = |p: &[f64; 3]| Point3::from(*p) * source.mm_per_unit;
    match darts {
        Darts::None => LayoutChoice::None,
        Darts::Even(count) => LayoutChoice::Even(*count),
        Darts::Auto(most) => LayoutChoice::Auto { most: *most },
        Darts::Given { darts, seams } => LayoutChoice::Given(Layout {
            name: "given".into(),
            darts: darts
                .iter()
                .map(|dart| DartSpec {
                    from: dart.from,
                    along_mm: dart.along_mm,
                    depth_mm: dart.depth_mm,
                    towards: match dart.towards {
                        Towards::Inward => Course::Inward,
                        Towards::Turned(angle) => Course::Turned(angle),
                        Towards::Point(p) => Course::Point(place(&p)),
                        Towards::Landmark(Landmark::Crown) => Course::Crown,
                        Towards::Landmark(mark) => Course::Point(mark.on(&source.head)),
                    },
                })
                .collect(),
            seams: seams
                .iter()
                .map(|points| SeamSpec {
                    through: points.iter().map(place).collect(),
                })
                .collect(),
        }),
    }
}
