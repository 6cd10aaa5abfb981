//! `measuring-sheet`: the page a client measures by.

use flatten::sheet::Paper;
use serde_json::json;

use super::draft::place;
use crate::{
    args::{MeasuringSheet, PagePaper},
    measuring_sheet::measuring_sheet,
    outcome::{Done, Failure},
    write::pdf::pdf,
};

const FILE: &str = "measuring-sheet.pdf";

pub(super) fn run(asked: &MeasuringSheet) -> Result<Done, Failure> {
    let claimed = place(&asked.out, asked.replace, &[FILE])?;
    let paper = match asked.paper {
        PagePaper::Letter => Paper::Letter,
        PagePaper::A4 => Paper::A4,
    };
    let bytes = pdf(&[measuring_sheet(paper)], "Measuring sheet")
        .map_err(|why| Failure::new(why.to_string()))?;
    claimed
        .fill(&[(FILE, bytes)])
        .map_err(|why| Failure::new(why.to_string()))?;
    Ok(Done {
        lines: vec![format!("wrote {FILE} into {}", claimed.path().display())],
        beware: Vec::new(),
        json: json!({ "folder": claimed.path(), "files": [FILE] }),
    })
}
