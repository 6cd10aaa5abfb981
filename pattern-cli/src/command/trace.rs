//! `trace`: the pen line on a coloured scan, and a fitting to start from.

use std::path::{Component, Path, PathBuf};

use flatten::{
    Point3,
    mesh::{CleanMesh, MendOptions, MendReport, mend},
    scan::{self, ScanUnits},
    trace::{self, Landmark, PenLine, Proposal, Traced},
    units::{Unit, trimmed},
};
use serde_json::{Value, json};

use super::draft::place;
use crate::{
    args::{Trace, TraceUnits},
    fitting::{Fitting, Landmarks, Perimeter},
    folder::Place,
    order::{pen_notes, scan_unit},
    outcome::{Done, Failure, Voice},
    progress::Progress,
    write::{
        json::to_text,
        tracing::{Sight, page, picture},
    },
};

const FILES: [&str; 4] = ["fitting.toml", "trace.html", "trace.svg", "trace.json"];

/// What a fitting of nobody's begins with; the rest is as it is left out.
const BLANK: &str = "fitting = 1\nclient = \"0000\"\nconfirmed = false\n[tape]\ngirth = 570\n";

/// All that was found, in millimetres.
struct Found {
    mold: CleanMesh,
    report: MendReport,
    traced: Traced,
    proposal: Proposal,
    notes: Vec<String>,
}

pub(super) fn run(asked: &Trace, voice: &Voice) -> Result<Done, Failure> {
    let out = asked.out.clone().unwrap_or_else(|| beside(&asked.scan));
    let claimed = place(&out, asked.replace, &FILES)?;
    spare_confirmed(&out)?;
    let progress = Progress::start(voice.shows_progress(), "reading the scan");
    let found = find(asked, &progress)?;
    progress.step("drawing");
    let fitting = proposed(asked, &out, &found)?;
    let mut done = told(&found);
    let sight = Sight {
        traced: &found.traced,
        proposal: &found.proposal,
    };
    let drawn = picture(&sight);
    let html = page(&drawn, &done.beware, &done.lines);
    let numbers = to_text(&done.json)
        .map_err(|why| Failure::new(format!("can't write the numbers down: {why}")))?;
    let files = [
        (FILES[0], fitting.into_bytes()),
        (FILES[1], html.into_bytes()),
        (FILES[2], drawn.into_bytes()),
        (FILES[3], numbers.into_bytes()),
    ];
    claimed
        .fill(&files)
        .map_err(|why| Failure::new(why.to_string()))?;
    drop(progress);
    tell_where(&mut done, &claimed);
    Ok(done)
}

/// Where the folder goes when nobody says: beside the scan.
fn beside(scan: &Path) -> PathBuf {
    let mut name = scan.file_stem().unwrap_or_default().to_owned();
    name.push("-traced");
    scan.with_file_name(name)
}

/// Somebody's checked work is not replaced by a new guess.
fn spare_confirmed(out: &Path) -> Result<(), Failure> {
    let path = out.join(FILES[0]);
    match Fitting::read(&path) {
        Ok(fitting) if fitting.confirmed => Err(Failure::new(format!(
            "{} is confirmed, so it is not replaced by what the program would propose; name another folder with --out",
            path.display()
        ))),
        _ => Ok(()),
    }
}

fn find(asked: &Trace, progress: &Progress) -> Result<Found, Failure> {
    let in_scan =
        |why: &dyn std::fmt::Display| Failure::new(format!("{}: {why}", asked.scan.display()));
    let raw = scan::read(&asked.scan).map_err(|why| Failure::new(why.to_string()))?;
    let mut notes = raw.notes.clone();
    let options = MendOptions {
        units: match asked.units {
            TraceUnits::Auto => ScanUnits::Auto,
            TraceUnits::Mm => scan_unit(Unit::Millimetre),
            TraceUnits::Cm => scan_unit(Unit::Centimetre),
            TraceUnits::M => scan_unit(Unit::Metre),
            TraceUnits::In => scan_unit(Unit::Inch),
        },
        ..MendOptions::default()
    };
    let (mold, report) = mend(raw, &options).map_err(|why| in_scan(&why))?;
    notes.extend(report.acts.iter().map(ToString::to_string));
    notes.push(report.settled.to_string());
    progress.step("looking for the pen line");
    let mm = report.settled.mm_per_unit;
    let traced = trace::trace(&mold, None).map_err(|why| in_scan(&why.in_unit(mm)))?;
    progress.step("proposing landmarks");
    let proposal = trace::propose(&mold.mesh, &traced).map_err(|why| {
        in_scan(&format!(
            "the pen line is found but no landmarks can be proposed: {why}"
        ))
    })?;
    Ok(Found {
        mold,
        report,
        traced,
        proposal,
        notes,
    })
}

/// The fitting's text.
fn proposed(asked: &Trace, out: &Path, found: &Found) -> Result<String, Failure> {
    let mut fitting = Fitting::parse(Path::new(FILES[0]), BLANK)?;
    fitting.tape.clear();
    let mm = found.report.settled.mm_per_unit;
    let own = |p: &Point3| {
        let p = p / mm;
        [p.x, p.y, p.z]
    };
    let head = &found.proposal.head;
    fitting.mold.scan = Some(from_folder(&asked.scan, out));
    fitting.mold.unit = Some(match found.report.settled.unit {
        scan::Unit::Millimetre => Unit::Millimetre,
        scan::Unit::Centimetre => Unit::Centimetre,
        scan::Unit::Metre => Unit::Metre,
        scan::Unit::Inch => Unit::Inch,
    });
    fitting.landmarks = Some(Landmarks {
        front: own(&head.front),
        nape: own(&head.nape),
        left_ear: own(&head.left_ear),
        right_ear: own(&head.right_ear),
        crown: Some(own(&head.crown)),
    });
    let line = |pen: &PenLine| pen.points.iter().map(own).collect();
    fitting.perimeter = Perimeter::Points(line(&found.traced.perimeter));
    fitting.openings = found.traced.openings.iter().map(line).collect();
    Ok(format!(
        "# PROPOSED BY THE PROGRAM from the pen line on the scan. Look at trace.html first: does the line\n\
         # follow the pen, are FRONT, NAPE and the ears where they should be, are LEFT and RIGHT the client's?\n\
         # Put right what is wrong, give the client's number, set confirmed = true, and draft it:\n\
         #   pattern-cli draft {}\n\
         # In [perimeter], from = \"pen\" without points would look for the line again at each draft.\n\n{}",
        FILES[0],
        fitting.to_text()
    ))
}

/// The scan as seen from the folder, so that the fitting finds it wherever both are moved together.
fn from_folder(scan: &Path, folder: &Path) -> PathBuf {
    let whole = |path: &Path| std::fs::canonicalize(path).ok();
    let parent = match folder.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    };
    let (Some(scan), Some(parent), Some(name)) = (whole(scan), whole(parent), folder.file_name())
    else {
        return scan.to_path_buf();
    };
    let folder = parent.join(name);
    let common = scan
        .components()
        .zip(folder.components())
        .take_while(|(a, b)| a == b)
        .count();
    if common == 0 {
        return scan;
    }
    let up = folder
        .components()
        .skip(common)
        .map(|_| Component::ParentDir);
    up.chain(scan.components().skip(common)).collect()
}

/// What the person and other programs are told.
fn told(found: &Found) -> Done {
    let Found {
        report,
        traced,
        proposal,
        mold,
        ..
    } = found;
    let mm = report.settled.mm_per_unit;
    let mut lines = found.notes.clone();
    lines.extend(pen_notes(traced, mm));
    lines.push(format!(
        "the average head fits the mold to {:.1} mm this way round, to {:.1} mm with front and nape exchanged",
        proposal.misfit_mm, proposal.reversed_misfit_mm
    ));
    lines.extend(cross_notes(proposal, mm));
    let mut beware = traced.doubts.clone();
    beware.extend(proposal.doubts.iter().cloned());
    let own = |p: &Point3| point(&(p / mm));
    let head = &proposal.head;
    let pen = |line: &PenLine| {
        json!({
            "length_mm": rounded(line.length_mm),
            "seen": rounded(line.seen),
            "width_mm": rounded(line.width_mm),
            "contrast": rounded(line.contrast),
            "gaps": line.gaps.iter().map(|gap| json!({
                "length_mm": rounded(gap.length_mm), "place": own(&gap.place),
            })).collect::<Vec<_>>(),
            "points": line.points.iter().map(own).collect::<Vec<_>>(),
        })
    };
    Done {
        lines,
        beware,
        json: json!({
            "unit_of_points": report.settled.unit.to_string(),
            "mm_per_unit": mm,
            "triangles": mold.mesh.face_count(),
            "area_mm2": rounded(traced.area_mm2),
            "perimeter": pen(&traced.perimeter),
            "openings": traced.openings.iter().map(pen).collect::<Vec<_>>(),
            "landmarks": {
                "front": own(&head.front), "nape": own(&head.nape),
                "left_ear": own(&head.left_ear), "right_ear": own(&head.right_ear),
                "crown": own(&head.crown),
            },
            "landmarks_drawn": proposal.drawn.iter().map(|landmark| landmark.key()).collect::<Vec<_>>(),
            "crosses": traced.crosses.iter().map(|cross| json!({
                "place": own(&cross.place), "size_mm": rounded(cross.size_mm),
            })).collect::<Vec<_>>(),
            "misfit_mm": rounded(proposal.misfit_mm),
            "reversed_misfit_mm": rounded(proposal.reversed_misfit_mm),
        }),
    }
}

/// Where the landmarks come from, a sentence each.
fn cross_notes(proposal: &Proposal, mm: f64) -> Vec<String> {
    let names = |list: &[Landmark]| {
        let names: Vec<&str> = list.iter().map(|landmark| landmark.name()).collect();
        match names.as_slice() {
            [] => String::new(),
            [one] => (*one).to_owned(),
            [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
        }
    };
    let guessed: Vec<Landmark> = Landmark::ALL
        .into_iter()
        .filter(|landmark| !proposal.drawn.contains(landmark))
        .collect();
    let mut lines = Vec::new();
    if !proposal.drawn.is_empty() {
        lines.push(format!(
            "taken from pen crosses: {}",
            names(&proposal.drawn)
        ));
    }
    if !guessed.is_empty() {
        lines.push(format!(
            "proposed from the head's shape and the line, for no pen cross was seen there: {}",
            names(&guessed)
        ));
    }
    if guessed.contains(&Landmark::Crown) {
        lines.push(
            "the crown is proposed at the top of the head held level, which may be 20 mm from where a maker marks it: move it if it matters"
                .to_owned(),
        );
    }
    for cross in &proposal.other_crosses {
        let p = cross.place / mm;
        lines.push(format!(
            "a pen cross near ({}, {}, {}) is at no landmark's place and was left out",
            trimmed(p.x, 1),
            trimmed(p.y, 1),
            trimmed(p.z, 1)
        ));
    }
    lines
}

fn tell_where(done: &mut Done, claimed: &Place) {
    let path = claimed.path();
    let fitting = path.join(FILES[0]);
    done.lines.push(format!(
        "wrote {} with {}",
        path.display(),
        FILES.join(", ")
    ));
    done.lines.push(format!(
        "look at {}, above all at LEFT and RIGHT; then set confirmed = true in {} and draft it",
        path.join(FILES[1]).display(),
        fitting.display()
    ));
    if let Value::Object(map) = &mut done.json {
        map.insert("folder".into(), json!(path));
        map.insert("files".into(), json!(FILES));
    }
}

fn point(p: &Point3) -> Value {
    json!([p.x, p.y, p.z].map(fine))
}

/// Coordinates to a thousandth of a millimetre even in metres.
fn fine(value: f64) -> f64 {
    trimmed(value, 6).parse().unwrap_or(value)
}

fn rounded(value: f64) -> f64 {
    trimmed(value, 3).parse().unwrap_or(value)
}
