//! Layouts side by side: strain maps on one scale, and strain against the length to be sewn.
//!
//! The curve is the yardstick of Sharp & Crane 2018, Variational Surface Cutting, ACM TOG 37(4): how much
//! distortion a cut of some length leaves. It shows the maker where one more dart stops paying.

use std::fmt::Write;

use flatten::{Point2, units::format_mm_and_inch};

use super::{
    html::{StrainMap, esc, legend, plain_page, table},
    labels::{Labels, Taken},
};
use crate::{command::Row, picture::Scale};

/// A layout as laid.
#[derive(Debug)]
pub(crate) struct Candidate {
    /// Its figures.
    pub(crate) row: Row,
    /// Its pieces.
    pub(crate) maps: Vec<StrainMap>,
}

/// Width of one layout's field, mm.
const FIELD_MM: f64 = 200.0;
/// Room for the words under a field, mm.
const WORDS_MM: f64 = 26.0;
/// Fields in a row.
const ACROSS: usize = 4;
/// Height of the curve, mm.
const CURVE_MM: f64 = 220.0;
/// Half the size of a mark on the curve, mm.
const MARK_MM: f64 = 3.0;

/// `compare.svg`: strain maps of all layouts, and the curve.
pub(crate) fn picture(candidates: &[Candidate], scale: Scale) -> String {
    let rows = candidates.len().div_ceil(ACROSS);
    let across = candidates.len().clamp(1, ACROSS) as f64;
    let (width, field) = ((across * FIELD_MM).max(2.0 * FIELD_MM), FIELD_MM + WORDS_MM);
    let height = rows as f64 * field + CURVE_MM;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"sans-serif\" font-size=\"8\"><rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n"
    );
    for (k, candidate) in candidates.iter().enumerate() {
        let (x, y) = ((k % ACROSS) as f64 * FIELD_MM, (k / ACROSS) as f64 * field);
        place_maps(&mut svg, candidate, x, y);
        let row = &candidate.row;
        let _ = writeln!(
            svg,
            "<text x=\"{0}\" y=\"{1}\" text-anchor=\"middle\" font-weight=\"bold\" font-size=\"10\">{2}</text><text x=\"{0}\" y=\"{3}\" text-anchor=\"middle\">strain below {4:.2} % on 95 % of the area</text>",
            x + 0.5 * FIELD_MM,
            y + FIELD_MM + 9.0,
            esc(&row.name),
            y + FIELD_MM + 20.0,
            100.0 * row.p95,
        );
    }
    curve(&mut svg, candidates, scale, width, rows as f64 * field);
    svg + "</svg>\n"
}

/// The pieces of a layout, shrunk together into their field.
fn place_maps(svg: &mut String, candidate: &Candidate, x: f64, y: f64) {
    let wide: f64 = candidate.maps.iter().map(|map| map.size_mm.0).sum();
    let tall = candidate
        .maps
        .iter()
        .map(|map| map.size_mm.1)
        .fold(1.0, f64::max);
    let shrink = (FIELD_MM - 10.0) / wide.max(tall).max(1.0);
    let mut at = x + 0.5 * (FIELD_MM - shrink * wide);
    for map in &candidate.maps {
        let (w, h) = (shrink * map.size_mm.0, shrink * map.size_mm.1);
        let top = y + 0.5 * (FIELD_MM - h);
        // Moved and shrunk as a group: not every reader places an svg inside an svg.
        let inner = map.svg.split_once('>').map_or("", |(_, rest)| rest);
        let inner = inner.strip_suffix("</svg>").unwrap_or(inner);
        let _ = writeln!(
            svg,
            "<g transform=\"translate({at:.2} {top:.2}) scale({shrink:.5})\">{inner}</g>"
        );
        at += w;
    }
}

/// Strain against length to be sewn, the limit as a line.
fn curve(svg: &mut String, candidates: &[Candidate], scale: Scale, width: f64, top: f64) {
    let (left, right, low, high) = (50.0, width - 90.0, top + CURVE_MM - 40.0, top + 30.0);
    // Without darts a base strains so much that the rest of the curve would lie on the floor.
    let sewn = || {
        candidates
            .iter()
            .map(|c| &c.row)
            .filter(|row| row.darts > 0)
    };
    let most = sewn().map(|row| row.p95).fold(1.3 * scale.limit, f64::max);
    let longest = sewn().map(|row| row.sewing_mm).fold(100.0, f64::max);
    let place = |row: &Row| {
        (
            left + (right - left) * row.sewing_mm / longest,
            low - (low - high) * row.p95 / most,
        )
    };
    let limit = low - (low - high) * scale.limit / most;
    let _ = writeln!(
        svg,
        "<g stroke=\"#000\" fill=\"none\"><path d=\"M{left} {high}V{low}H{right}\"/><path d=\"M{left} {limit:.2}H{right}\" stroke-dasharray=\"4 3\"/></g>\
         <text x=\"{left}\" y=\"{:.2}\" font-weight=\"bold\" font-size=\"10\">What a longer seam buys</text>\
         <text x=\"{left}\" y=\"{:.2}\">strain that 95 % of the area stays below, up to {:.1} %</text>\
         <text x=\"{right}\" y=\"{:.2}\" text-anchor=\"end\">darts to sew, up to {}</text>\
         <text x=\"{:.2}\" y=\"{:.2}\">limit {:.1} %</text>",
        high - 18.0,
        high - 7.0,
        100.0 * most,
        low + 16.0,
        format_mm_and_inch(longest.round()),
        right + 4.0,
        limit + 3.0,
        100.0 * scale.limit,
    );
    let mut labels = Labels::new(Taken {
        low: Point2::new(left, high),
        high: Point2::new(width, low),
    });
    // Words keep off the limit and what is written at its end.
    labels.keep_off(Taken {
        low: Point2::new(left, limit - 1.0),
        high: Point2::new(right, limit + 1.0),
    });
    labels.keep_off(Taken {
        low: Point2::new(right, limit - 6.0),
        high: Point2::new(width, limit + 5.0),
    });
    for row in sewn() {
        let (x, y) = place(row);
        let mark = if row.name.starts_with("auto") {
            format!("<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{MARK_MM}\"/>")
        } else {
            format!(
                "<path d=\"M{:.2} {y:.2}h6m-3 -3v6\" stroke=\"#000\"/>",
                x - MARK_MM
            )
        };
        let _ = writeln!(svg, "{mark}");
        labels.ask(Point2::new(x, y), MARK_MM, row.name.clone());
    }
    labels.write(svg);
}

/// `compare.html`: the picture and all figures.
pub(crate) fn page(client: &str, candidates: &[Candidate], drawn: &str, scale: Scale) -> String {
    let columns = [
        "Layout",
        "#Darts",
        "#Strain p95",
        "#Mean",
        "#Greatest",
        "#Over limit",
        "#Finished edges",
        "#To sew",
        "#Take-up",
        "#Widest mouth",
        "#Legs differ",
        "#To front",
        "#To opening",
        "#Sheets",
    ];
    let percent = |ratio: f64| format!("{:.2} %", 100.0 * ratio);
    let near = |mm: Option<f64>| mm.map_or("–".to_owned(), |mm| format!("{mm:.0} mm"));
    let rows: Vec<Vec<String>> = candidates
        .iter()
        .map(|Candidate { row, .. }| {
            vec![
                row.name.clone(),
                row.darts.to_string(),
                percent(row.p95),
                percent(row.mean),
                percent(row.max),
                format!("{:.0} cm²", row.over_limit_mm2 / 100.0),
                format!("{:+.2} %", 100.0 * row.perimeter_error),
                format_mm_and_inch(row.sewing_mm.round()),
                format_mm_and_inch(row.take_up_mm.round()),
                format!("{:.1} mm", row.widest_mm),
                format!("{:.2} mm", row.uneven_legs_mm),
                near(row.to_front_mm),
                near(row.to_opening_mm),
                row.sheets.to_string(),
            ]
        })
        .collect();
    let mut remarks = String::from("<h2>Remarks</h2>");
    for Candidate { row, .. } in candidates {
        let _ = write!(remarks, "<p><b>{}</b>", esc(&row.name));
        if row.remarks.is_empty() {
            remarks += ": meets its limits and breaks no rule of the craft.";
        }
        for remark in &row.remarks {
            let _ = write!(remarks, "<br>{}", esc(remark));
        }
        remarks += "</p>";
    }
    let body = [
        "<p>Every layout was cut and laid flat for this head. Legs differ: as flattened, before truing.</p>".to_owned(),
        legend(scale),
        drawn.to_owned(),
        table(&columns, &rows),
        remarks,
    ];
    plain_page(&format!("Dart layouts for client {client}"), &body)
}
