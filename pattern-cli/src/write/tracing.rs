//! Pictures of a traced line, to be checked before anything is cut.
//!
//! Five views of the painted scan with the found line, its closed gaps, the openings and the proposed
//! landmarks, LEFT and RIGHT in words. The scan's own colours show whether the line follows the pen.

use std::fmt::Write;

use flatten::{
    Point2, Point3,
    mesh::index,
    patch::Head,
    trace::{Landmark, PenLine, Proposal, Traced},
};

use rayon::prelude::*;

use super::{
    html::{closed, esc, frame, plain_page, seen_runs},
    labels::{self, Labels, Taken},
};
use crate::picture::{Raster, View, base64};

/// What is pictured.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sight<'a> {
    /// The line and the painted surface.
    pub(crate) traced: &'a Traced,
    /// Proposed landmarks and axes.
    pub(crate) proposal: &'a Proposal,
}

/// Width of a field, mm of the picture.
const FIELD_MM: f64 = 210.0;
/// Room for words over a field, mm.
const WORDS_MM: f64 = 22.0;
/// Fields in a row.
const ACROSS: usize = 3;
/// Pixels a millimetre.
const PER_MM: f64 = 3.0;
/// Blank about a head, mm.
const RIM_MM: f64 = 12.0;
/// How far below the perimeter the scan is still pictured, mm.
const BELOW_MM: f64 = 60.0;
/// The inside of an open mold, so that its nape is not taken for the brow it is seen under.
const INSIDE: [u8; 3] = [222, 220, 216];
/// It is drawn nearer by this, so that no line or landmark on its outside is seen through it.
const INSIDE_NEARER_MM: f64 = 4.0;
/// The found line: bright, so that it shows on ink, and light in grey.
const LINE: &str = "#00e0ff";

/// What is written at the left and right margin of a view, and its heading.
struct Side {
    heading: &'static str,
    margins: Option<[&'static str; 2]>,
    view: View,
}

fn sides(head: &Head) -> [Side; 5] {
    let Head {
        right, forward, up, ..
    } = *head;
    let side = |heading, margins, right, up| Side {
        heading,
        margins,
        view: View { right, up },
    };
    [
        side("From the front", Some(["RIGHT", "LEFT"]), -right, up),
        side(
            "From above, front up",
            Some(["LEFT", "RIGHT"]),
            right,
            forward,
        ),
        side("From the back", Some(["LEFT", "RIGHT"]), right, up),
        side("The client's LEFT side", None, -forward, up),
        side("The client's RIGHT side", None, forward, up),
    ]
}

/// `trace.svg`.
pub(crate) fn picture(sight: &Sight<'_>) -> String {
    let sides = sides(&sight.proposal.head);
    let rows = (sides.len() + 1).div_ceil(ACROSS);
    let (width, height) = (
        ACROSS as f64 * FIELD_MM,
        rows as f64 * (FIELD_MM + WORDS_MM),
    );
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"sans-serif\" font-size=\"7\"><rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n"
    );
    let colours = colours(sight.traced);
    let drawn: Vec<String> = sides
        .par_iter()
        .enumerate()
        .map(|(k, side)| {
            let (x, y) = corner(k);
            field(sight, &colours, side, x, y + WORDS_MM)
        })
        .collect();
    for (k, (side, drawn)) in sides.iter().zip(&drawn).enumerate() {
        let (x, y) = corner(k);
        let _ = writeln!(
            svg,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\" font-size=\"10\" font-weight=\"bold\">{}</text>",
            x + 0.5 * FIELD_MM,
            y + 14.0,
            esc(side.heading)
        );
        svg += drawn;
    }
    let (x, y) = corner(sides.len());
    legend(&mut svg, x + 16.0, y + 40.0);
    svg + "</svg>\n"
}

fn corner(k: usize) -> (f64, f64) {
    (
        (k % ACROSS) as f64 * FIELD_MM,
        (k / ACROSS) as f64 * (FIELD_MM + WORDS_MM),
    )
}

/// Colour of each triangle of the painted surface.
fn colours(traced: &Traced) -> Vec<[u8; 3]> {
    let canvas = &traced.canvas;
    let of_vertex: Vec<[u8; 3]> = (0..index(canvas.mesh.vertex_count()))
        .into_par_iter()
        .map(|v| canvas.srgb(v))
        .collect();
    let faces = canvas.mesh.faces().par_iter();
    faces
        .map(|corners| {
            [0, 1, 2].map(|i| {
                let sum: u32 = corners
                    .iter()
                    .map(|&v| u32::from(of_vertex[v as usize][i]))
                    .sum();
                u8::try_from(sum / 3).unwrap_or(u8::MAX)
            })
        })
        .collect()
}

/// One view, as large as its field takes.
fn field(sight: &Sight<'_>, colours: &[[u8; 3]], side: &Side, x: f64, y: f64) -> String {
    let mut svg = String::new();
    let view = side.view;
    let mesh = &sight.traced.canvas.mesh;
    let up = sight.proposal.head.up;
    let height = |p: &Point3| p.coords.dot(&up);
    let floor = sight
        .traced
        .perimeter
        .points
        .iter()
        .map(height)
        .fold(f64::INFINITY, f64::min)
        - BELOW_MM;
    let shown = |p: &Point3| height(p) > floor;
    let flat = mesh
        .positions()
        .iter()
        .filter(|p| shown(p))
        .map(|p| view.plane(*p));
    let (low, high) = frame(flat, RIM_MM);
    let mut raster = Raster::new(view, low, high, PER_MM);
    for (face, &colour) in colours.iter().enumerate() {
        let places = mesh.corners(index(face));
        if !places.iter().all(shown) {
            continue;
        }
        let outward = (places[1] - places[0]).cross(&(places[2] - places[0]));
        if outward.dot(&view.towards()) < 0.0 {
            raster.triangle(places, INSIDE, false, INSIDE_NEARER_MM);
        } else {
            raster.triangle(places, colour, false, 0.0);
        }
    }
    let (width, tall) = raster.size_mm();
    let scale = (FIELD_MM / width).min(FIELD_MM / tall);
    let (dx, dy) = (
        x + 0.5 * (FIELD_MM - width * scale),
        y + 0.5 * (FIELD_MM - tall * scale),
    );
    let _ = writeln!(
        svg,
        "<g transform=\"translate({dx:.2} {dy:.2}) scale({scale:.4})\"><image width=\"{width:.2}\" height=\"{tall:.2}\" href=\"data:image/png;base64,{}\"/>",
        base64(&raster.png())
    );
    // The field in the picture's own millimetres.
    let inner = |p: Point2| Point2::new((p.x - dx) / scale, (p.y - dy) / scale);
    let mut labels = Labels::new(Taken {
        low: inner(Point2::new(x, y)),
        high: inner(Point2::new(x + FIELD_MM, y + FIELD_MM)),
    });
    let margins = side.margins.map(|words| at_margins(words, x, y));
    for (words, start) in margins.iter().flatten() {
        let outer = labels::room(*start, words, MARGIN_WORDS_MM);
        labels.keep_off(Taken {
            low: inner(outer.low),
            high: inner(outer.high),
        });
    }
    let lines = std::iter::once(&sight.traced.perimeter).chain(&sight.traced.openings);
    for pen in lines.clone() {
        pen_line(&mut svg, &raster, pen);
    }
    for which in Landmark::ALL {
        let place = which.on(&sight.proposal.head);
        let drawn = sight.proposal.drawn.contains(&which);
        landmark(&mut svg, &raster, &mut labels, which, place, drawn);
    }
    for cross in &sight.proposal.other_crosses {
        if raster.sees(cross.place, 2.0 * ON_SURFACE_MM) {
            let at = raster.place(cross.place);
            ring(&mut svg, at);
            labels.ask(at, RING_MM, "left out".to_owned());
        }
    }
    for pen in lines {
        gaps(&mut svg, &raster, &mut labels, pen);
    }
    labels.write(&mut svg);
    svg += "</g>\n";
    for (words, start) in margins.iter().flatten() {
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"{MARGIN_WORDS_MM}\" font-weight=\"bold\" stroke=\"#fff\" stroke-width=\"2.5\" paint-order=\"stroke\">{words}</text>",
            start.x, start.y
        );
    }
    svg
}

/// Size of LEFT and RIGHT at the margins, mm.
const MARGIN_WORDS_MM: f64 = 11.0;

/// Where the words at both margins begin: in the upper corners, where no head is.
fn at_margins(words: [&'static str; 2], x: f64, y: f64) -> [(&'static str, Point2); 2] {
    let at = y + 0.13 * FIELD_MM;
    let wide = labels::room(Point2::origin(), words[1], MARGIN_WORDS_MM)
        .high
        .x;
    [
        (words[0], Point2::new(x + 6.0, at)),
        (words[1], Point2::new(x + FIELD_MM - 4.0 - wide, at)),
    ]
}

/// How far a place may lie under the pictured surface and still be seen, mm: it lies on it.
const ON_SURFACE_MM: f64 = 1.5;

fn pen_line(svg: &mut String, raster: &Raster, pen: &PenLine) {
    for run in seen_runs(raster, &closed(&pen.points)) {
        for (colour, stroke) in [("#000", 1.0), (LINE, 0.7)] {
            let _ = write!(
                svg,
                "<polyline fill=\"none\" stroke=\"{colour}\" stroke-width=\"{stroke}\" stroke-linejoin=\"round\" points=\""
            );
            for p in &run {
                let _ = write!(svg, "{:.2},{:.2} ", p.x, p.y);
            }
            *svg += "\"/>";
        }
    }
}

fn gaps(svg: &mut String, raster: &Raster, labels: &mut Labels, pen: &PenLine) {
    for gap in pen
        .gaps
        .iter()
        .filter(|gap| raster.sees(gap.place, ON_SURFACE_MM))
    {
        let at = raster.place(gap.place);
        let radius = 0.5 * gap.length_mm + 2.0;
        let _ = write!(
            svg,
            "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"{radius:.1}\" fill=\"none\" stroke=\"#fff\" stroke-width=\"1.6\"/><circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"{radius:.1}\" fill=\"none\" stroke=\"#000\" stroke-width=\".7\" stroke-dasharray=\"2 1.5\"/>",
            at.x, at.y, at.x, at.y
        );
        labels.ask(at, radius, format!("gap {:.0} mm", gap.length_mm));
    }
}

/// Half the size of a landmark's cross, mm.
const CROSS_MM: f64 = 4.5;

/// Radius of the ring about a cross of the pen, mm.
const RING_MM: f64 = 7.5;

fn ring(svg: &mut String, at: Point2) {
    for (colour, stroke) in [("#fff", 2.2), ("#000", 0.9)] {
        let _ = write!(
            svg,
            "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"{RING_MM}\" stroke=\"{colour}\" stroke-width=\"{stroke}\" fill=\"none\"/>",
            at.x, at.y
        );
    }
}

/// A cross; where the maker drew one, a ring about it leaves that to be seen.
fn landmark(
    svg: &mut String,
    raster: &Raster,
    labels: &mut Labels,
    which: Landmark,
    place: Point3,
    drawn: bool,
) {
    if !raster.sees(place, 2.0 * ON_SURFACE_MM) {
        return;
    }
    let at = raster.place(place);
    let name = which.name().to_uppercase();
    if drawn {
        ring(svg, at);
        labels.ask(at, RING_MM, name);
        return;
    }
    for (colour, stroke) in [("#fff", 2.6), ("#000", 1.2)] {
        let _ = write!(
            svg,
            "<path d=\"M{0:.2} {1:.2}h9m-4.5 -4.5v9\" stroke=\"{colour}\" stroke-width=\"{stroke}\" fill=\"none\"/>",
            at.x - CROSS_MM,
            at.y
        );
    }
    labels.ask(at, CROSS_MM, name);
}

fn legend(svg: &mut String, x: f64, y: f64) {
    let _ = writeln!(
        svg,
        "<path d=\"M{x} {0}h26\" stroke=\"#000\" stroke-width=\"2.2\"/><path d=\"M{x} {0}h26\" stroke=\"{LINE}\" stroke-width=\"1.4\"/>\
<circle cx=\"{1}\" cy=\"{2}\" r=\"8\" fill=\"none\" stroke=\"#000\" stroke-dasharray=\"2 1.5\"/>\
<path d=\"M{3} {4}h9m-4.5 -4.5v9\" stroke=\"#000\" stroke-width=\"1.2\" fill=\"none\"/>\
<circle cx=\"{1}\" cy=\"{5}\" r=\"{RING_MM}\" fill=\"none\" stroke=\"#000\" stroke-width=\".9\"/>",
        y,
        x + 13.0,
        y + 22.0,
        x + 8.5,
        y + 44.0,
        y + 66.0
    );
    let lines = [
        (3.0, "the line as found: it should run along the middle"),
        (10.0, "of the pen's"),
        (25.0, "a gap in the pen line, closed by the program"),
        (47.0, "a landmark as proposed; the crown is the least sure"),
        (66.0, "a cross of the pen; with a name: it was"),
        (73.0, "taken for that landmark"),
        (90.0, "Check before anything is cut:"),
        (101.0, "Does the line follow the pen everywhere?"),
        (
            112.0,
            "Are FRONT, NAPE, the ears and CROWN where they should be?",
        ),
        (123.0, "Are LEFT and RIGHT the client's own?"),
        (134.0, "Then set confirmed = true in fitting.toml."),
    ];
    for (k, (down, line)) in lines.iter().enumerate() {
        let indent = if k < 6 { 34.0 } else { 0.0 };
        let weight = if k == 6 { " font-weight=\"bold\"" } else { "" };
        let _ = writeln!(
            svg,
            "<text x=\"{}\" y=\"{}\" font-size=\"5.6\"{weight}>{}</text>",
            x + indent,
            y + down - 1.0,
            esc(line)
        );
    }
}

/// `trace.html`: warnings, the picture, what was found.
pub(crate) fn page(picture: &str, beware: &[String], lines: &[String]) -> String {
    let list = |items: &[String]| {
        let items: Vec<String> = items
            .iter()
            .map(|i| format!("<li>{}</li>", esc(i)))
            .collect();
        format!("<ul>{}</ul>", items.concat())
    };
    let mut body = vec![
        "<p class=\"lead\">NOT CONFIRMED: the program proposes, a person decides. Left and right exchanged is the worst mistake there is.</p>".to_owned(),
    ];
    if !beware.is_empty() {
        body.push(format!(
            "<section class=\"beware\"><h2>Beware</h2>{}</section>",
            list(beware)
        ));
    }
    body.push(picture.to_owned());
    body.push("<h2>What was found</h2>".to_owned());
    body.push(list(lines));
    plain_page("The pen line as found", &body)
}
