//! What is printed, from the record alone: so an earlier pattern prints again byte for byte.

use flatten::{
    piece::{DartStyle, Style, draw_all, draw_between},
    sheet::{Cover, Figure, Section, SheetError, SheetOptions, sheets_redrawn},
    units::{format_mm, format_mm_and_inch, trimmed},
};

use super::{
    cautions::{CAUTION_SCALE, CAUTION_SIDES, CAUTIONS},
    pdf::{PdfError, pdf},
    svg::svg,
};
use crate::record::{self, Change, Pair, Record, Sheets, Tape};

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
            drawing: draw_between(piece, &Style::default(), &[]),
        })
        .collect();
    let set = sheets_redrawn(&figures, &cover(record), options, |index, boxes| {
        draw_between(&record.pieces[index], &Style::default(), boxes)
    })?;
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
        "{} of {}, {}, {}. Layout: {}.",
        counted(record.pieces.len(), "piece"),
        record.material.name,
        counted(record.layout.darts.len(), "dart"),
        counted(record.layout.seams.len(), "seam"),
        record.layout.name,
    )];
    if let Some(date) = &record.date {
        about.insert(0, date.clone());
    }
    let mut sections = vec![glance(record)];
    if !record.warnings.is_empty() {
        sections.push(Section {
            heading: "Beware".into(),
            first: true,
            sentences: record.warnings.iter().map(|s| sentence(s)).collect(),
            ..Section::default()
        });
    }
    sections.push(finished(record));
    if !record.layout.darts.is_empty() || !record.layout.seams.is_empty() {
        sections.push(darts(record));
    }
    sections.push(material(record));
    sections.extend(record.change.as_ref().map(change));
    for section in &mut sections {
        let texts = section.sentences.iter_mut();
        for text in texts.chain(section.rows.iter_mut().flatten()) {
            *text = held_together(text);
        }
    }
    let said = [CAUTION_SCALE, CAUTION_SIDES];
    Cover {
        title: "Base pattern".into(),
        client: record.client.clone(),
        about,
        sections,
        // The cover's own steps say these.
        cautions: CAUTIONS
            .iter()
            .filter(|caution| !said.contains(caution))
            .map(ToString::to_string)
            .collect(),
        banner: banner(record),
    }
}

/// `1 dart`, `no darts`.
pub(crate) fn counted(count: usize, word: &str) -> String {
    match count {
        0 => format!("no {word}s"),
        1 => format!("1 {word}"),
        n => format!("{n} {word}s"),
    }
}

/// Words with a capital and a stop.
pub(crate) fn sentence(words: &str) -> String {
    let mut letters = words.trim().chars();
    let mut out: String = letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default();
    if !out.ends_with(['.', '?', '!']) {
        out.push('.');
    }
    out
}

/// A length that breaks between its two units at most: `361 mm` and `(14 1/4 in)` stay whole.
pub(crate) fn held_together(cell: &str) -> String {
    let mut out = String::with_capacity(cell.len());
    let mut words = cell.split(' ').peekable();
    while let Some(word) = words.next() {
        out += word;
        if let Some(next) = words.peek() {
            let number = word.ends_with(|c: char| c.is_ascii_digit());
            let unit = ["mm", "in)", "in", "cm²", "%", "g"]
                .iter()
                .any(|u| next.starts_with(u));
            let fraction = next.contains('/');
            out.push(if number && (unit || fraction) {
                '\u{a0}'
            } else {
                ' '
            });
        }
    }
    out
}

/// The numbers one looks for first.
fn glance(record: &Record) -> Section {
    let take_up: f64 = record.layout.darts.iter().map(|dart| dart.take_up_mm).sum();
    let mut rows = vec![vec![
        "Finished perimeter".into(),
        format_mm_and_inch(record.fit.perimeter_finished_mm),
    ]];
    if record.layout.seam_length_mm > 0.0 {
        rows.push(vec![
            "To sew in all".into(),
            format!(
                "{}; the darts take up {}",
                format_mm_and_inch(record.layout.seam_length_mm),
                format_mm_and_inch(take_up)
            ),
        ]);
    }
    rows.push(vec!["Cloth to order".into(), cloth(record)]);
    Section {
        first: true,
        rows,
        ..Section::default()
    }
}

/// The cloth in a line: what to order, or how much there must be.
pub(crate) fn cloth(record: &Record) -> String {
    let name = &record.material.name;
    let Some(stock) = &record.need.stock else {
        let pieces = record.pieces.iter().map(|piece| {
            format!(
                "{} along the grain by {} for piece {}",
                format_mm_and_inch(piece.measured.along_grain_mm),
                format_mm_and_inch(piece.measured.across_grain_mm),
                piece.id
            )
        });
        return format!("{name}, {}", pieces.collect::<Vec<_>>().join("; "));
    };
    let waste = trimmed(100.0 * stock.waste, 0);
    let width = format_mm(stock.width_mm);
    match stock.sheet_length_mm {
        None => format!(
            "{} of {name}, {width} wide; {waste} % waste",
            format_mm_and_inch(stock.length_mm)
        ),
        Some(length) => format!(
            "{} of {name}, {width} by {}; {waste} % waste",
            counted(stock.sheets, "sheet"),
            format_mm_and_inch(length)
        ),
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

pub(crate) fn area(mm2: f64) -> String {
    format!(
        "{} cm² ({} sq in)",
        trimmed(mm2 / 100.0, 0),
        trimmed(mm2 / 645.16, 1)
    )
}

/// More of a tape off the base than this is told, mm.
const OFF_TOLD_MM: f64 = 2.0;

/// How much of a tape lies off the base, where it is worth a word.
pub(crate) fn off_base(tape: &Tape) -> Option<f64> {
    tape.off_base_mm.filter(|mm| *mm > OFF_TOLD_MM)
}

fn finished(record: &Record) -> Section {
    let mut rows = vec![vec![
        "perimeter, along the sew line".into(),
        format_mm_and_inch(record.fit.perimeter_finished_mm),
        format_mm_and_inch(record.surface.perimeter_mm),
        String::new(),
    ]];
    let mut beyond = false;
    for tape in record
        .tapes
        .iter()
        .filter(|tape| tape.finished_mm.is_some())
    {
        let off = off_base(tape);
        beyond |= off.is_some();
        let star = if off.is_some() { " *" } else { "" };
        rows.push(vec![
            format!("{}{star}", record::in_words(&tape.name)),
            tape.finished_mm.map_or(String::new(), format_mm_and_inch),
            format_mm_and_inch(tape.mold_mm - off.unwrap_or(0.0)),
            tape.read_mm.map_or(String::new(), format_mm_and_inch),
        ]);
    }
    let mut foot =
        "Lay the tape over the sewn base, on a head or block, without pulling; along an edge, with the tape's edge on the sew line. 1 % more or less \
                    is fine."
            .to_owned();
    if beyond {
        foot += " * The tape runs on beyond the base; these are the lengths on the base alone.";
    }
    Section {
        heading: "Lengths to check after sewing".into(),
        columns: ["Measure", "On the sewn base", "On the head", "Tape read"]
            .map(Into::into)
            .to_vec(),
        rows,
        foot,
        ..Section::default()
    }
}

fn darts(record: &Record) -> Section {
    let marks = || record.pieces.iter().flat_map(|piece| &piece.darts);
    let mut rows: Vec<Vec<String>> = record
        .layout
        .darts
        .iter()
        .map(|dart| {
            let mark = marks().find(|mark| mark.id == dart.id);
            let how = match mark.map(|mark| mark.style) {
                Some(DartStyle::Fold) => "fold, do not cut",
                Some(DartStyle::Open) => "cut open",
                None => "",
            };
            vec![
                dart.id.clone(),
                format_mm_and_inch(dart.take_up_mm),
                format_mm_and_inch(dart.legs_mm[0]),
                how.into(),
                mark.map_or(String::new(), |mark| format!("to the {}", mark.folds)),
            ]
        })
        .collect();
    rows.extend(record.layout.seams.iter().map(|seam| {
        vec![
            seam.id.clone(),
            String::new(),
            format_mm_and_inch(seam.sides_mm[0]),
            "seam".into(),
            String::new(),
        ]
    }));
    Section {
        heading: "Darts and seams, in sewing order".into(),
        columns: ["", "Take-up at the mouth", "Each side", "How", "Press"]
            .map(Into::into)
            .to_vec(),
        rows,
        ..Section::default()
    }
}

fn material(record: &Record) -> Section {
    let cut: f64 = record
        .pieces
        .iter()
        .map(|piece| piece.measured.cut_area_mm2)
        .sum();
    let row = |label: &str, value: String| vec![label.to_owned(), value];
    let mut rows = vec![
        row(
            "Stretch or crowding asked",
            format!(
                "{} on 95 % of the base, at most {}; {} takes {}",
                percent(record.strain.p95),
                percent(record.strain.max),
                record.material.name,
                percent(record.strain.limit)
            ),
        ),
        row(
            "Area of base and of cut pieces",
            format!("{}; {}", area(record.surface.area_mm2), area(cut)),
        ),
        row(
            "Ribbon for all edges, no joins",
            format_mm_and_inch(record.need.ribbon_mm),
        ),
    ];
    if let Some(hair) = &record.need.hair {
        rows.push(row(
            "Hair, nothing added for waste",
            format!(
                "{} hairs, {} g at {} + {} folded back",
                thousands(hair.hairs),
                trimmed(hair.grams, 0),
                format_mm(hair.length_mm),
                format_mm(hair.fold_mm),
            ),
        ));
    }
    Section {
        heading: "Material".into(),
        rows,
        ..Section::default()
    }
}

/// A count with a space between thousands.
pub(crate) fn thousands(count: f64) -> String {
    let digits = format!("{count:.0}");
    let mut out = String::new();
    for (k, digit) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            out.push('\u{a0}');
        }
        out.push(digit);
    }
    out
}

fn change(change: &Change) -> Section {
    Section {
        heading: format!("Against the earlier pattern of client {}", change.client),
        sentences: vec![change.moved()],
        columns: ["On the head", "Earlier", "Now", "Change"]
            .map(Into::into)
            .to_vec(),
        rows: change.figures.iter().map(Pair::cells).collect(),
        ..Section::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_break_between_their_units_only() {
        assert_eq!(
            held_together("361 mm (14 1/4 in) of 3 %"),
            "361\u{a0}mm (14\u{a0}1/4\u{a0}in) of 3\u{a0}%"
        );
    }

    #[test]
    fn words_become_sentences_and_counts_readable() {
        assert_eq!(sentence("is it so?"), "Is it so?");
        assert_eq!(sentence("cut nothing"), "Cut nothing.");
        assert_eq!(thousands(51_234.0), "51\u{a0}234");
        assert_eq!(thousands(234.0), "234");
    }
}
