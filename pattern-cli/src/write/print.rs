//! What is printed, from the record alone: so an earlier pattern prints again byte for byte.

use flatten::{
    piece::{Style, draw, draw_all},
    sheet::{Cover, Figure, Section, SheetError, SheetOptions, sheets},
    units::{format_mm_and_inch, trimmed},
};

use super::{
    cautions::CAUTIONS,
    pdf::{PdfError, pdf},
    svg::svg,
};
use crate::record::{Record, Sheets};

/// A printed pattern.
#[derive(Debug, Clone)]
pub struct Printed {
    /// `sheets.pdf`.
    pub pdf: Vec<u8>,
    /// How many sheets.
    pub sheets: Sheets,
}

/// Why nothing can be printed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// Paper and pieces don't go together.
    #[error(transparent)]
    Sheets(#[from] SheetError),
    /// The file can't be made.
    #[error(transparent)]
    Pdf(#[from] PdfError),
}

/// `pattern.svg`: every piece at true scale.
pub fn drawing(record: &Record) -> String {
    let drawing = draw_all(&record.pieces, &Style::default());
    svg(&drawing, &title(record))
}

fn title(record: &Record) -> String {
    format!("Base pattern, client {}", record.client)
}

/// Lays the pieces on sheets of paper.
///
/// # Errors
/// [`PrintError`] when the paper is too small or the options are out of range.
pub fn print(record: &Record, options: &SheetOptions) -> Result<Printed, PrintError> {
    let figures: Vec<Figure> = record
        .pieces
        .iter()
        .map(|piece| Figure {
            name: format!("Piece {}", piece.id),
            drawing: draw(piece, &Style::default()),
        })
        .collect();
    let set = sheets(&figures, &cover(record), options)?;
    Ok(Printed {
        pdf: pdf(&set.sheets, &title(record))?,
        sheets: Sheets {
            paper: options.paper.to_string(),
            count: set.tiling.tiles.len(),
            rows: set.tiling.rows,
            columns: set.tiling.columns,
            options: options.clone(),
        },
    })
}

fn cover(record: &Record) -> Cover {
    let mut about = vec![format!(
        "{} piece(s) of {}, {} dart(s), {} seam(s). Layout: {}.",
        record.pieces.len(),
        record.material.name,
        record.layout.darts.len(),
        record.layout.seams.len(),
        record.layout.name,
    )];
    if let Some(date) = &record.date {
        about.insert(0, date.clone());
    }
    let mut sections = Vec::new();
    if !record.warnings.is_empty() {
        let numbered = record.warnings.iter().enumerate();
        sections.push(Section {
            heading: "Beware".into(),
            rows: numbered
                .map(|(i, warning)| (format!("{}", i + 1), warning.clone()))
                .collect(),
        });
    }
    sections.push(finished(record));
    if !record.layout.darts.is_empty() {
        sections.push(darts(record));
    }
    sections.push(material(record));
    Cover {
        title: "Base pattern".into(),
        client: record.client.clone(),
        about,
        sections,
        cautions: CAUTIONS.iter().map(ToString::to_string).collect(),
        banner: banner(record),
    }
}

/// Words across every page when the pattern must not simply be cut.
fn banner(record: &Record) -> Option<String> {
    let stopped = record
        .tapes
        .iter()
        .any(|tape| tape.grade.as_deref() == Some("stop"));
    if !record.confirmed {
        Some("NOT CONFIRMED".into())
    } else if !record.fit.usable {
        Some("DO NOT CUT: see the cover".into())
    } else if stopped {
        Some("TAPE DISAGREES: measure again".into())
    } else {
        None
    }
}

fn percent(ratio: f64) -> String {
    format!("{} %", trimmed(100.0 * ratio, 2))
}

fn finished(record: &Record) -> Section {
    let mut rows = vec![(
        "Finished perimeter".into(),
        format!(
            "{}; on the head {}",
            format_mm_and_inch(record.fit.perimeter_finished_mm),
            format_mm_and_inch(record.surface.perimeter_mm)
        ),
    )];
    for tape in &record.tapes {
        let read = tape.read_mm.map_or(String::new(), |mm| {
            format!("; tape read {}", format_mm_and_inch(mm))
        });
        rows.push((
            tape.name.replace('_', " "),
            format!("{} on the mold{read}", format_mm_and_inch(tape.mold_mm)),
        ));
    }
    Section {
        heading: "To check after sewing".into(),
        rows,
    }
}

fn darts(record: &Record) -> Section {
    let mut rows: Vec<_> = record
        .layout
        .darts
        .iter()
        .map(|dart| {
            (
                dart.id.clone(),
                format!(
                    "take-up {}, legs {}",
                    format_mm_and_inch(dart.take_up_mm),
                    format_mm_and_inch(dart.legs_mm[0])
                ),
            )
        })
        .collect();
    rows.push((
        "To sew in all".into(),
        format_mm_and_inch(record.layout.seam_length_mm),
    ));
    Section {
        heading: "Darts, in sewing order".into(),
        rows,
    }
}

fn material(record: &Record) -> Section {
    let cut: f64 = record
        .pieces
        .iter()
        .map(|piece| piece.measured.cut_area_mm2)
        .sum();
    let area = |mm2: f64| {
        format!(
            "{} cm2 ({} sq in)",
            trimmed(mm2 / 100.0, 0),
            trimmed(mm2 / 645.16, 1)
        )
    };
    let mut rows = vec![
        ("Material".into(), record.material.name.clone()),
        ("Area of the base".into(), area(record.surface.area_mm2)),
        ("Area of material".into(), area(cut)),
        (
            "Strain".into(),
            format!(
                "95 % of the area below {}, greatest {}; limit {}",
                percent(record.strain.p95),
                percent(record.strain.max),
                percent(record.strain.limit)
            ),
        ),
    ];
    for piece in &record.pieces {
        rows.push((
            format!("Piece {}", piece.id),
            format!(
                "{} along the grain, {} across",
                format_mm_and_inch(piece.measured.along_grain_mm),
                format_mm_and_inch(piece.measured.across_grain_mm)
            ),
        ));
    }
    Section {
        heading: "Material and strain".into(),
        rows,
    }
}
