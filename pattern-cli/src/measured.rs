//! Tapes on a mold beside the readings: what the `measure` command says and draws.
//!
//! In: the mold, its landmarks, the perimeter and the readings. Out: a table for the person, numbers for
//! programs, what to beware of, and a picture of every tape on the head. Nothing is corrected.

use flatten::{
    Point3,
    mesh::TriMesh,
    patch::Head,
    sheet::Drawing,
    tape::{
        Comparison, Grade, Readings, Stations, TapeLine, TapePath, compare, evenness, measure_all,
        ridges,
    },
    units::{format_mm, format_mm_and_inch},
};
use serde_json::{Value, json};

use crate::{head_picture::paths_picture, outcome::Done};

/// Halves of a head that differ by more than this at one place in twenty are told, mm (common practice
/// of the trade: 6 mm is fine on a tape; no source).
const UNEVEN_MM: f64 = 6.0;

/// Lays every tape on the mold and compares it with its reading.
///
/// The exit code follows from [`Done::beware`]: a difference above 12 mm is there.
#[must_use]
pub fn measured(
    mesh: &TriMesh,
    head: &Head,
    perimeter: &[Point3],
    readings: &Readings,
) -> (Done, Drawing) {
    let tapes = measure_all(mesh, &Stations::of(head, perimeter));
    let on_mold: Readings = tapes.iter().map(|(path, t)| (*path, t.length_mm)).collect();
    let rows = compare(readings, &on_mold);
    let mut done = Done::default();
    for (path, tape) in &tapes {
        done.lines.push(table_line(*path, tape, &rows));
    }
    for path in readings.keys().filter(|path| !on_mold.contains_key(path)) {
        done.lines.push(format!(
            "{:24}can't be laid: the mold or its perimeter does not reach that far, or shows no ear points",
            path.name()
        ));
    }
    for row in &rows {
        if let Some(sentence) = row.sentence() {
            match row.grade {
                Grade::Stop => done.beware.push(sentence),
                _ => done.lines.push(format!("note: {sentence}")),
            }
        }
    }
    let even = evenness(mesh, head);
    if let Some(even) = &even {
        done.lines.push(format!(
            "the left half of the head differs from the right by {} on the whole (one place in twenty by more than {}, at most {})",
            format_mm(even.rms_mm),
            format_mm(even.p95_mm),
            format_mm(even.max_mm)
        ));
        if even.p95_mm > UNEVEN_MM {
            done.beware.push(format!(
                "the two halves of the head differ by up to {}, {}: look whether the mold is bent there or the head uneven",
                format_mm(even.max_mm),
                place(head, &even.place)
            ));
        }
    }
    let folds = ridges(mesh, head);
    for fold in &folds {
        done.lines.push(format!(
            "a ridge {} long and {} high, {}: look whether the wrap has a fold there",
            format_mm(fold.length_mm),
            format_mm(fold.height_mm),
            place(head, &fold.place)
        ));
    }
    done.json = json!({
        "tapes": tapes.iter().map(|(path, tape)| tape_json(*path, tape, &rows)).collect::<Vec<_>>(),
        "asymmetry": even.map(|e| json!({
            "rms_mm": e.rms_mm, "p95_mm": e.p95_mm, "max_mm": e.max_mm, "place_mm": coordinates(&e.place),
        })),
        "ridges": folds.iter().map(|r| json!({
            "place_mm": coordinates(&r.place), "length_mm": r.length_mm, "height_mm": r.height_mm,
        })).collect::<Vec<_>>(),
    });
    (done, paths_picture(mesh, head, &tapes))
}

fn row_of(path: TapePath, rows: &[Comparison]) -> Option<&Comparison> {
    rows.iter().find(|row| row.path == path)
}

fn table_line(path: TapePath, tape: &TapeLine, rows: &[Comparison]) -> String {
    let mold = format!(
        "{:24}mold {:22}",
        path.name(),
        format_mm_and_inch(tape.length_mm)
    );
    let Some(row) = row_of(path, rows) else {
        return format!("{mold} not read");
    };
    format!(
        "{mold} read {:22} difference {:+.1} mm, {}",
        format_mm_and_inch(row.read_mm),
        // adding zero takes the minus from a nought
        (row.difference_mm * 10.0).round() / 10.0 + 0.0,
        grade(row.grade),
    )
}

fn tape_json(path: TapePath, tape: &TapeLine, rows: &[Comparison]) -> Value {
    let row = row_of(path, rows);
    json!({
        "name": path.key(),
        "mold_mm": tape.length_mm,
        "read_mm": row.map(|r| r.read_mm),
        "difference_mm": row.map(|r| r.difference_mm),
        "grade": row.map(|r| grade(r.grade)),
        "cause": row.and_then(|r| r.cause).map(|c| c.to_string()),
    })
}

fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::Fine => "fine",
        Grade::Ask => "ask",
        Grade::Stop => "stop",
    }
}

fn coordinates(p: &Point3) -> [f64; 3] {
    [p.x, p.y, p.z]
}

/// Where a place is, for someone with the mold in hand and no coordinates.
fn place(head: &Head, p: &Point3) -> String {
    let away = |mm: f64, plus: &'static str, minus: &'static str| {
        let way = if mm < 0.0 { minus } else { plus };
        format!("{:.0} mm {way}", mm.abs())
    };
    let [x, y, z] = head.in_axes(*p);
    format!(
        "{} of the middle, {} and {} the tops of the ears",
        away(x, "to the client's right", "to the client's left"),
        away(y, "in front of", "behind"),
        away(z, "above", "below"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use flatten::form::average_head;

    #[test]
    fn a_reading_far_off_is_in_the_table_the_numbers_and_the_warnings() {
        let form = average_head();
        let (mesh, head, line) = (form.mesh(8000), form.head(), form.outline().perimeter);
        let readings = [(TapePath::Girth, 586.0), (TapePath::FrontToNape, 380.0)].into();
        let (done, picture) = measured(&mesh, &head, &line, &readings);
        assert_eq!(done.beware.len(), 1, "{:?}", done.beware);
        assert!(done.beware[0].starts_with("the tape front to nape was read as 380 mm"));
        assert_eq!(done.json["tapes"][0]["grade"], "fine");
        assert_eq!(done.json["tapes"][1]["grade"], "stop");
        assert!(picture.items.len() >= 6);
        if let Some(folder) = std::env::var_os("SHOW") {
            let svg = crate::write::svg::svg(&picture, "Tapes");
            std::fs::write(std::path::Path::new(&folder).join("tapes.svg"), svg).unwrap();
            println!("{}", done.lines.join("\n"));
        }
    }
}
