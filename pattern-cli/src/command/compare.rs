//! `compare`: several layouts of one fitting side by side, each really cut and laid flat.

use std::path::Path;

use flatten::{
    dart::in_words,
    draft::{self, Pattern},
    job::LayoutChoice,
    piece::{Style, draw_between},
    sheet::{Figure, tile_redrawn},
    units::format_mm_and_inch,
};
use serde::Serialize;
use serde_json::json;

use super::draft::{place, scene};
use crate::{
    args::Compare,
    fitting::Fitting,
    order::Order,
    outcome::{Done, Failure, Voice},
    picture::Scale,
    progress::Progress,
    write::{
        comparison::{Candidate, page, picture},
        html::strain_map,
        json::to_text,
    },
};

const FILES: [&str; 3] = ["compare.html", "compare.svg", "compare.json"];

/// What one layout is worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Row {
    /// Name of the layout.
    pub(crate) name: String,
    /// Number of darts.
    pub(crate) darts: usize,
    /// 95 % of the area has less strain.
    pub(crate) p95: f64,
    /// Mean strain.
    pub(crate) mean: f64,
    /// Greatest strain.
    pub(crate) max: f64,
    /// Area with more than the material's limit, mm².
    pub(crate) over_limit_mm2: f64,
    /// Finished edges over the head's, less 1.
    pub(crate) perimeter_error: f64,
    /// Darts and seams to sew, mm.
    pub(crate) sewing_mm: f64,
    /// Width of all mouths together, mm.
    pub(crate) take_up_mm: f64,
    /// Width of the widest mouth, mm.
    pub(crate) widest_mm: f64,
    /// Greatest difference between the legs of one dart as flattened, before truing, mm.
    pub(crate) uneven_legs_mm: f64,
    /// Nearest a dart comes to the front hairline, mm; none without darts.
    pub(crate) to_front_mm: Option<f64>,
    /// Nearest a dart comes to an opening, mm; none without openings or darts.
    pub(crate) to_opening_mm: Option<f64>,
    /// Sheets of the fitting's paper.
    pub(crate) sheets: usize,
    /// Whether strain and finished edges are within their limits.
    pub(crate) limit_met: bool,
    /// Rules of the craft that are broken, and faults.
    pub(crate) remarks: Vec<String>,
}

pub(super) fn run(asked: &Compare, voice: &Voice) -> Result<Done, Failure> {
    let fitting = Fitting::read(&asked.fitting)?;
    let claimed = asked
        .out
        .as_deref()
        .map(|out| place(out, asked.replace, &FILES))
        .transpose()?;
    let progress = Progress::start(voice.shows_progress(), "reading the mold");
    let folder = asked.fitting.parent().unwrap_or(Path::new("."));
    let order = Order::new(&fitting, folder)?;
    let fail = |why: &dyn std::fmt::Display| Failure::new(why.to_string());
    progress.step("cutting the base from the mold");
    let patch = draft::job_patch(&order.job).map_err(|why| fail(&why))?;
    let scale = Scale {
        limit: order.job.material.limit,
    };
    progress.step("looking for darts");
    let choices = choices(asked);
    let chosen = draft::choose(&order.job, &patch, &choices).map_err(|why| fail(&why))?;
    let mut candidates = Vec::new();
    for (choice, chosen) in choices.iter().zip(chosen) {
        progress.step("laying layouts flat");
        let mut pattern = draft::draft_chosen(&order.job, patch.clone(), chosen, &|_| {})
            .map_err(|why| fail(&why))?;
        let layout = &mut pattern.layout;
        match choice {
            LayoutChoice::None => layout.name = "none".into(),
            LayoutChoice::Auto { most } => {
                layout.name = format!("auto:{most} ({} darts)", layout.darts.len());
            }
            LayoutChoice::Even(_) | LayoutChoice::Given(_) => {}
        }
        let maps = scene(&order, &pattern)
            .parts
            .iter()
            .map(|part| {
                let piece = pattern.pieces.iter().find(|piece| piece.id == part.id);
                strain_map(part, piece, scale)
            })
            .collect();
        let row = row(&pattern, &fitting).map_err(|why| fail(&why))?;
        candidates.push(Candidate { row, maps });
    }
    drop(progress);
    let rows: Vec<&Row> = candidates.iter().map(|c| &c.row).collect();
    let json = json!({ "client": fitting.client, "limit": scale.limit, "layouts": rows });
    let mut lines = order.notes.clone();
    lines.extend(table(&rows));
    if let Some(claimed) = claimed {
        let drawn = picture(&candidates, scale);
        let text = to_text(&json).map_err(|why| fail(&why))?;
        let html = page(&fitting.client, &candidates, &drawn, scale);
        claimed
            .fill(&[
                (FILES[0], html.into_bytes()),
                (FILES[1], drawn.into_bytes()),
                (FILES[2], text.into_bytes()),
            ])
            .map_err(|why| fail(&why))?;
        let path = claimed.path().display();
        lines.push(format!("wrote {path} with {}", FILES.join(", ")));
    }
    Ok(Done {
        lines,
        beware: order.beware,
        json,
    })
}

/// What was asked for, or a list that shows what darts are worth.
fn choices(asked: &Compare) -> Vec<LayoutChoice> {
    if !asked.layout.is_empty() {
        return asked.layout.clone();
    }
    let counts = [4, 6, 8];
    let even = counts.map(LayoutChoice::Even);
    let auto = counts.map(|most| LayoutChoice::Auto { most });
    std::iter::once(LayoutChoice::None)
        .chain(even)
        .chain(auto)
        .collect()
}

fn row(pattern: &Pattern, fitting: &Fitting) -> Result<Row, flatten::sheet::SheetError> {
    let figures: Vec<Figure> = pattern
        .pieces
        .iter()
        .map(|piece| Figure {
            name: piece.id.clone(),
            drawing: draw_between(piece, &Style::default(), &[]),
        })
        .collect();
    let redraw = |index: usize, boxes: &[[flatten::Point2; 2]]| {
        draw_between(&pattern.pieces[index], &Style::default(), boxes)
    };
    let (_, tiling) = tile_redrawn(&figures, &fitting.sheet, 0.0, redraw)?;
    let darts = || pattern.pieces.iter().flat_map(|piece| &piece.darts);
    let cuts = pattern.cut.darts.iter().chain(&pattern.cut.seams);
    let [to_front_mm, to_opening_mm] = pattern.nearest_mm();
    let faults = pattern.faults.iter().map(ToString::to_string);
    Ok(Row {
        name: pattern.layout.name.clone(),
        darts: pattern.layout.darts.len(),
        p95: pattern.strain.p95,
        mean: pattern.strain.mean,
        max: pattern.strain.max,
        over_limit_mm2: pattern.strain.over_limit_mm2,
        perimeter_error: pattern.edge_error(),
        sewing_mm: cuts.map(|cut| cut.length_mm).sum(),
        take_up_mm: darts().map(|dart| dart.take_up_mm).sum(),
        widest_mm: darts().map(|dart| dart.take_up_mm).fold(0.0, f64::max),
        uneven_legs_mm: darts()
            .map(|dart| (dart.legs_flat_mm[0] - dart.legs_flat_mm[1]).abs())
            .fold(0.0, f64::max),
        to_front_mm,
        to_opening_mm,
        sheets: tiling.tiles.len(),
        limit_met: pattern.limit_met(),
        remarks: faults.chain(in_words(&pattern.breaches)).collect(),
    })
}

/// The rows for a terminal, columns in line.
fn table(rows: &[&Row]) -> Vec<String> {
    let head = [
        "layout",
        "strain p95",
        "mean",
        "over limit",
        "edges",
        "to sew",
        "take-up",
        "to front",
        "sheets",
        "",
    ];
    let mut cells = vec![head.map(str::to_owned)];
    for row in rows {
        cells.push([
            row.name.clone(),
            format!("{:.2} %", 100.0 * row.p95),
            format!("{:.2} %", 100.0 * row.mean),
            format!("{:.0} cm²", row.over_limit_mm2 / 100.0),
            format!("{:+.2} %", 100.0 * row.perimeter_error),
            format_mm_and_inch(row.sewing_mm.round()),
            format_mm_and_inch(row.take_up_mm.round()),
            row.to_front_mm
                .map_or("-".into(), |mm| format!("{mm:.0} mm")),
            row.sheets.to_string(),
            if row.limit_met {
                "meets the limit".into()
            } else {
                String::new()
            },
        ]);
    }
    let width = |k: usize| {
        cells
            .iter()
            .map(|line| line[k].chars().count())
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..head.len()).map(width).collect();
    cells
        .iter()
        .map(|line| {
            let padded = line
                .iter()
                .zip(&widths)
                .map(|(cell, &w)| format!("{cell:<w$}"));
            padded.collect::<Vec<_>>().join("  ").trim_end().to_owned()
        })
        .collect()
}
