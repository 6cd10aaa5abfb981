//! `sheets`: an earlier pattern printed again, from its record alone.

use std::path::Path;

use super::draft::place;
use crate::{
    args::Sheets,
    outcome::{Done, Failure},
    record::{FORMAT, Record},
    text_file::{self, Unread},
    write::print::{drawing, print},
};

const FILES: [&str; 2] = ["sheets.pdf", "pattern.svg"];

/// A record of a full base has about 100 kB; more than this is no record, bytes.
const LARGEST: u64 = 64 << 20;

pub(super) fn run(asked: &Sheets) -> Result<Done, Failure> {
    let record = read(&asked.pattern)?;
    let mut options = record.sheets.options.clone();
    if let Some(paper) = &asked.paper {
        options.paper = *paper;
    }
    options.overlap_mm = asked.overlap.unwrap_or(options.overlap_mm);
    options.margin_mm = asked.margin.unwrap_or(options.margin_mm);
    options.measured_mm = asked.measured.unwrap_or(options.measured_mm);
    let claimed = place(&asked.out, asked.replace, &FILES)?;
    let printed = print(&record, &options).map_err(|why| Failure::new(why.to_string()))?;
    claimed
        .fill(&[
            (FILES[0], printed.pdf),
            (FILES[1], drawing(&record).into_bytes()),
        ])
        .map_err(|why| Failure::new(why.to_string()))?;
    let sheets = &printed.sheets;
    Ok(Done {
        lines: vec![format!(
            "wrote {} with {}; print {} sheet(s) of {} at actual size",
            claimed.path().display(),
            FILES.join(", "),
            sheets.count,
            sheets.paper,
        )],
        beware: record.warnings.clone(),
        json: serde_json::json!({
            "folder": claimed.path(),
            "files": FILES,
            "sheets": sheets,
            "warnings": record.warnings,
        }),
    })
}

/// An earlier pattern's record.
pub(super) fn read(path: &Path) -> Result<Record, Failure> {
    let fail = |why: String| Failure::new(format!("{}: {why}", path.display()));
    let bytes = text_file::read(path, LARGEST).map_err(|why| {
        fail(match why {
            Unread::System(why) => why.to_string(),
            Unread::TooLarge(_) => {
                "is too large for a pattern.json; give the file that a draft wrote".into()
            }
        })
    })?;
    let text = String::from_utf8(bytes)
        .map_err(|_| fail("is no text file; give the pattern.json that a draft wrote".into()))?;
    let record = Record::from_text(&text)
        .map_err(|why| fail(format!("is no pattern.json of a draft: {why}")))?;
    if record.format != FORMAT {
        let format = record.format;
        return Err(fail(format!(
            "has format {format}; this version prints format {FORMAT}"
        )));
    }
    Ok(record)
}
