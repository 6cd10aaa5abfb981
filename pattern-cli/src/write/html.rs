//! `report.html`: one file that needs nothing else: no network, no script.
//!
//! In: the record and the surfaces it was computed from. Out: text. Warnings come first, then what the
//! maker checks after sewing, pictures, tables, cautions. Every text from outside is escaped. It reads
//! at a phone's width, in print and in grey.

use std::fmt::Write;

use flatten::{
    Point2, Point3,
    mesh::TriMesh,
    patch::Head,
    piece::Piece,
    units::{format_mm_and_inch, trimmed},
};
use rayon::prelude::*;

use super::{
    cautions::CAUTIONS,
    print::{cloth, counted, held_together, off_base, sentence, thousands},
};
use crate::{
    picture::{BANDS, Raster, Scale, View, base64},
    record::{self, Pair, Record, StockUsed},
};

/// What is pictured beside the numbers.
#[derive(Debug, Clone)]
pub struct Scene<'a> {
    /// The whole mold.
    pub mold: &'a TriMesh,
    /// Its landmarks and axes.
    pub head: &'a Head,
    /// The covered surface, cut.
    pub parts: Vec<Part<'a>>,
    /// Perimeter on the head, closed.
    pub perimeter: Vec<Point3>,
    /// Openings on the head, each closed.
    pub openings: Vec<Vec<Point3>>,
    /// Darts and seams on the head, mouth first, with their names.
    pub cuts: Vec<(String, Vec<Point3>)>,
    /// Middle of each keep-clear place.
    pub keep_clear: Vec<Point3>,
}

/// One connected part of the covered surface and its flat map.
#[derive(Debug, Clone)]
pub struct Part<'a> {
    /// Name of the piece.
    pub id: String,
    /// Surface on the head.
    pub mesh: &'a TriMesh,
    /// Plane place of each vertex, mm.
    pub uv: &'a [Point2],
    /// Strain of each triangle.
    pub strain: Vec<f64>,
}

/// The report's pictures, apart from its text, since they take most of its time.
#[derive(Debug)]
pub struct Pictures {
    /// The head from each side, as figures.
    heads: Vec<String>,
    /// Each part's name and strain.
    strain: Vec<(String, StrainMap)>,
}

impl Pictures {
    /// Draws them.
    pub fn new(record: &Record, scene: &Scene<'_>) -> Self {
        let scale = scale(record);
        let of_part = |part: &Part<'_>| {
            let piece = record.pieces.iter().find(|piece| piece.id == part.id);
            (part.id.clone(), strain_map(part, piece, scale))
        };
        let (heads, strain) = rayon::join(
            || head_views(scene, scale),
            || scene.parts.par_iter().map(of_part).collect(),
        );
        Self { heads, strain }
    }
}

fn scale(record: &Record) -> Scale {
    let limit = record.strain.limit;
    Scale { limit }
}

/// The report's text.
pub fn report(record: &Record, pictures: &Pictures) -> String {
    let mut page = Page::default();
    page.raw(HEAD);
    page.put(&format!(
        "<title>Pattern for client {}</title>",
        esc(&record.client)
    ));
    page.raw(STYLE);
    summary(&mut page, record);
    warnings(&mut page, record);
    finished(&mut page, record);
    heads(&mut page, &pictures.heads);
    strain_maps(&mut page, &pictures.strain, scale(record));
    dart_table(&mut page, record);
    needs(&mut page, record);
    changes(&mut page, record);
    figures(&mut page, record);
    cautions(&mut page);
    notes(&mut page, record);
    page.put("</main></body></html>");
    page.text
}

/// One self-contained page from a title and the elements under it.
pub(crate) fn plain_page(title: &str, body: &[String]) -> String {
    let mut page = Page::default();
    page.raw(HEAD);
    page.put(&format!("<title>{}</title>", esc(title)));
    page.raw(STYLE);
    page.put(&format!("<h1>{}</h1>", esc(title)));
    for element in body {
        page.put(element);
    }
    page.put("</main></body></html>");
    page.text
}

/// A table as an element; columns named with a leading `#` hold numbers.
pub(crate) fn table(columns: &[&str], rows: &[Vec<String>]) -> String {
    let mut page = Page::default();
    page.table(columns, rows);
    page.text
}

const HEAD: &str = "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\n";

const STYLE: &str = "<style>
:root{color-scheme:light}
body{margin:0;background:#fff;color:#1a1a1a;font:1rem/1.5 system-ui,sans-serif}
main{max-width:62rem;margin:0 auto;padding:1rem}
h1{font-size:1.7rem;line-height:1.2;margin:.5rem 0}
h2{font-size:1.2rem;margin:2rem 0 .5rem;border-bottom:2px solid #1a1a1a}
.lead{font-size:1.1rem}
.beware{border:3px solid #1a1a1a;padding:.2rem 1rem;margin:1rem 0}
.beware h2{border:0;margin:.6rem 0 0}
.fine{border-left:6px solid #5a8f68;padding:.1rem 1rem;margin:1rem 0}
.views{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(15rem,100%),1fr));gap:1rem}
figure{margin:0}
figcaption{font-size:.9rem}
svg{width:100%;height:auto;display:block}
.wide{overflow-x:auto}
table{border-collapse:collapse;min-width:60%}
th,td{text-align:left;padding:.25rem .8rem .25rem 0;border-bottom:1px solid #bbb;vertical-align:top}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}
.lay{max-width:20rem}
@media(max-width:40rem){main{padding:.6rem}table{font-size:.82rem}th,td{padding:.25rem .45rem .25rem 0}}
@media print{body{font-size:9.5pt;line-height:1.35}h2{margin:1.2rem 0 .3rem;break-after:avoid}.views{grid-template-columns:repeat(3,1fr);gap:.5rem}.maps{grid-template-columns:repeat(auto-fit,minmax(8cm,1fr))}.maps svg{max-height:11cm}th,td{padding-top:.12rem;padding-bottom:.12rem}.lay{max-width:8cm}main{max-width:none;padding:0}figure,tr,.beware{break-inside:avoid}}
</style></head><body><main>
";

/// Text under way.
#[derive(Debug, Default)]
struct Page {
    text: String,
}

impl Page {
    fn raw(&mut self, text: &str) {
        self.text += text;
    }

    fn put(&mut self, text: &str) {
        self.text += text;
        self.text.push('\n');
    }

    fn title(&mut self, words: &str) {
        self.put(&format!("<h2>{}</h2>", esc(words)));
    }

    /// A table; columns named with a leading `#` hold numbers.
    fn table(&mut self, columns: &[&str], rows: &[Vec<String>]) {
        let class = |i: usize| {
            if columns[i].starts_with('#') {
                " class=\"n\""
            } else {
                ""
            }
        };
        self.raw("<div class=\"wide\"><table><thead><tr>");
        for (i, name) in columns.iter().enumerate() {
            let words = esc(name.trim_start_matches('#'));
            self.raw(&format!("<th{}>{words}</th>", class(i)));
        }
        self.put("</tr></thead><tbody>");
        for row in rows {
            self.raw("<tr>");
            for (i, cell) in row.iter().enumerate() {
                self.raw(&format!(
                    "<td{}>{}</td>",
                    class(i),
                    held_together(&esc(cell))
                ));
            }
            self.put("</tr>");
        }
        self.put("</tbody></table></div>");
    }

    fn list(&mut self, items: &[impl AsRef<str>]) {
        self.put("<ul>");
        for item in items {
            self.put(&format!("<li>{}</li>", esc(item.as_ref())));
        }
        self.put("</ul>");
    }
}

/// Text made harmless in HTML, in content and in attributes.
pub fn esc(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\'' => out += "&#39;",
            c if c.is_control() && c != '\n' && c != '\t' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

fn percent(ratio: f64) -> String {
    format!("{} %", trimmed(100.0 * ratio, 2))
}

fn signed_percent(ratio: f64) -> String {
    let sign = if ratio > 0.0 { "+" } else { "" };
    format!("{sign}{}", percent(ratio))
}

fn summary(page: &mut Page, record: &Record) {
    page.put(&format!(
        "<h1>Pattern for client {}</h1>",
        esc(&record.client)
    ));
    let met = if record.fit.limit_met {
        "within"
    } else {
        "above"
    };
    let mut line = format!(
        "{}, {} and {} in {}. Layout: {}. 95 % of the area strains less than {}, {met} its limit of {}.",
        record.material.name,
        counted(record.layout.darts.len(), "dart"),
        counted(record.layout.seams.len(), "seam"),
        counted(record.pieces.len(), "piece"),
        record.layout.name,
        percent(record.strain.p95),
        percent(record.strain.limit),
    );
    if let Some(date) = &record.date {
        line = format!("{date}. {line}");
    }
    page.put(&format!(
        "<p class=\"lead\">{}</p>",
        held_together(&esc(&line))
    ));
}

fn warnings(page: &mut Page, record: &Record) {
    if record.warnings.is_empty() {
        page.put(
            "<p class=\"fine\">No warnings. Still make a trial before good material is cut.</p>",
        );
        return;
    }
    page.put("<section class=\"beware\"><h2>Beware</h2>");
    let sentences: Vec<_> = record
        .warnings
        .iter()
        .map(|s| held_together(&sentence(s)))
        .collect();
    page.list(&sentences);
    page.put("</section>");
}

fn finished(page: &mut Page, record: &Record) {
    page.title("Lengths to check after sewing");
    let head = record.surface.perimeter_mm;
    let mut rows = vec![vec![
        "Perimeter".into(),
        String::new(),
        format_mm_and_inch(head),
        format_mm_and_inch(record.fit.perimeter_finished_mm),
        signed_percent(record.fit.perimeter_finished_mm / head - 1.0),
        String::new(),
    ]];
    let length = |value: Option<f64>| value.map(format_mm_and_inch).unwrap_or_default();
    for tape in &record.tapes {
        let beyond = off_base(tape).map(|mm| format!("{} off the base", format_mm_and_inch(mm)));
        // The grade is of what was read, not of what will be sewn.
        let grade = tape
            .grade
            .as_ref()
            .map(|grade| format!("tape reading: {grade}"));
        let remark = [grade.as_deref(), tape.cause.as_deref(), beyond.as_deref()];
        rows.push(vec![
            spoken(&tape.name),
            length(tape.read_mm),
            format_mm_and_inch(tape.mold_mm),
            length(tape.finished_mm),
            tape.finished_error.map(signed_percent).unwrap_or_default(),
            remark.into_iter().flatten().collect::<Vec<_>>().join("; "),
        ]);
    }
    page.table(
        &[
            "Length",
            "#Tape",
            "#On the mold",
            "#On the sewn base",
            "#Off by",
            "Remark",
        ],
        &rows,
    );
    page.put("<p>On the sewn base: flat lengths of what the tape crosses, the pieces put together, not pulled. Within 1 % of the head is fine. Where a part of the tape lies off the base, only the part on it is counted, and compared with the same part on the head.</p>");
}

/// A key as words, the first letter large.
fn spoken(key: &str) -> String {
    let words = record::in_words(key);
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => words,
    }
}

/// Pixels a millimetre in pictures of the head.
const HEAD_PER_MM: f64 = 1.6;
/// Blank about a picture, mm.
const RIM_MM: f64 = 8.0;
/// How much nearer to the onlooker the covered surface is drawn than the mold it lies on, mm.
const LIFT_MM: f64 = 0.6;
/// How far a line may lie under the pictured surface and still be seen, mm: coarse scans have
/// triangles whose chords cut under a line.
const SLACK_MM: f64 = 3.0;

fn heads(page: &mut Page, figures: &[String]) {
    page.title("The head");
    page.put("<div class=\"views\">");
    figures.iter().for_each(|figure| page.put(figure));
    page.put("</div>");
    page.put("<p>Shaded: the base, by strain (scale below). Heavy line: perimeter and openings. Thin lines: darts and seams by number, the dot is the dart's point. Crosses: places to keep clear.</p>");
}

fn head_views(scene: &Scene<'_>, scale: Scale) -> Vec<String> {
    let Head {
        right, forward, up, ..
    } = *scene.head;
    let back = -forward;
    let left = -right;
    // An onlooker in front sees the client's left on their own right hand.
    let views = [
        (
            "front: the client's LEFT is on your right",
            View { right: left, up },
        ),
        ("the client's LEFT side", View { right: back, up }),
        (
            "back: the client's LEFT is on your left",
            View { right, up },
        ),
        ("the client's RIGHT side", View { right: forward, up }),
        (
            "above, front up: the client's LEFT is on your left",
            View { right, up: forward },
        ),
    ];
    let figure = |(words, view)| {
        format!(
            "<figure>{}<figcaption>From {}</figcaption></figure>",
            head_view(scene, scale, view),
            esc(words)
        )
    };
    views.into_par_iter().map(figure).collect()
}

/// Colour of the mold.
const MOLD: [u8; 3] = [225, 222, 218];

fn head_view(scene: &Scene<'_>, scale: Scale, view: View) -> String {
    let flat = scene
        .perimeter
        .iter()
        .chain(scene.mold.positions())
        .map(|p| view.plane(*p));
    let (low, high) = frame(flat, RIM_MM);
    // Below the base there is only face and neck: a hand's breadth of it is enough.
    let base_low = scene
        .perimeter
        .iter()
        .map(|p| view.plane(*p).y)
        .fold(f64::INFINITY, f64::min);
    let low = Point2::new(low.x, low.y.max(base_low - 45.0).min(high.y - 1.0));
    let mut raster = Raster::new(view, low, high, HEAD_PER_MM);
    let mold = scene.mold;
    raster.surface(mold.positions(), mold.faces(), |_| MOLD, true, 0.0);
    for Part { mesh, strain, .. } in &scene.parts {
        let colour = |face: usize| scale.colour(strain[face]);
        raster.surface(mesh.positions(), mesh.faces(), colour, true, LIFT_MM);
    }
    let (width, height) = raster.size_mm();
    let mut svg = open_svg(width, height, &raster);
    let mut line = |points: &[Point3], stroke: f64| {
        for run in seen_runs(&raster, points) {
            polyline(&mut svg, &run, stroke, "#000");
        }
    };
    line(&closed(&scene.perimeter), 1.4);
    for opening in &scene.openings {
        line(&closed(opening), 1.4);
    }
    for (_, path) in &scene.cuts {
        line(path, 0.7);
    }
    for (name, path) in &scene.cuts {
        let Some(end) = path.last().filter(|p| raster.sees(**p, SLACK_MM)) else {
            continue;
        };
        let at = raster.place(*end);
        let _ = write!(
            svg,
            "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"1.6\"/>",
            at.x, at.y
        );
        let _ = write!(
            svg,
            "<text x=\"{:.2}\" y=\"{:.2}\" font-size=\"8\" font-family=\"sans-serif\" font-weight=\"bold\" stroke=\"#fff\" stroke-width=\"1.6\" paint-order=\"stroke\">{}</text>",
            at.x + 2.5,
            at.y - 2.0,
            esc(name)
        );
    }
    for place in scene
        .keep_clear
        .iter()
        .filter(|p| raster.sees(**p, SLACK_MM))
    {
        let at = raster.place(*place);
        let _ = write!(
            svg,
            "<path d=\"M{0:.2} {1:.2}l8 8m0 -8l-8 8\" stroke=\"#000\" fill=\"none\"/>",
            at.x - 4.0,
            at.y - 4.0
        );
    }
    svg += "</svg>";
    svg
}

fn open_svg(width: f64, height: f64, raster: &Raster) -> String {
    format!(
        "<svg viewBox=\"0 0 {width:.2} {height:.2}\" role=\"img\"><image width=\"{width:.2}\" height=\"{height:.2}\" href=\"data:image/png;base64,{}\"/>",
        base64(&raster.png())
    )
}

/// Lower left and upper right of points, with a rim.
pub(crate) fn frame(points: impl Iterator<Item = Point2>, rim: f64) -> (Point2, Point2) {
    let mut low = Point2::new(f64::INFINITY, f64::INFINITY);
    let mut high = -low;
    for p in points {
        low = low.inf(&p);
        high = high.sup(&p);
    }
    if low.x > high.x {
        (low, high) = (Point2::origin(), Point2::origin());
    }
    let rim = flatten::Vector2::new(rim, rim);
    (low - rim, high + rim)
}

pub(crate) fn closed(points: &[Point3]) -> Vec<Point3> {
    points.iter().chain(points.first()).copied().collect()
}

/// The stretches of a line that are in sight, as places in the picture.
pub(crate) fn seen_runs(raster: &Raster, points: &[Point3]) -> Vec<Vec<Point2>> {
    let mut runs = Vec::new();
    let mut run: Vec<Point2> = Vec::new();
    for point in points {
        if raster.sees(*point, SLACK_MM) {
            run.push(raster.place(*point));
        } else if !run.is_empty() {
            runs.push(std::mem::take(&mut run));
        }
    }
    runs.push(run);
    runs.retain(|run| run.len() > 1);
    runs
}

fn polyline(svg: &mut String, points: &[Point2], stroke: f64, colour: &str) {
    let _ = write!(
        svg,
        "<polyline fill=\"none\" stroke=\"{colour}\" stroke-width=\"{stroke}\" stroke-linejoin=\"round\" points=\""
    );
    let mut last = Point2::new(f64::INFINITY, 0.0);
    for p in points {
        // Closer than a tenth of a millimetre shows nothing new.
        if (p - last).norm() > 0.1 {
            let _ = write!(svg, "{:.1},{:.1} ", p.x, p.y);
            last = *p;
        }
    }
    *svg += "\"/>";
}

/// Pixels a millimetre in strain maps.
const MAP_PER_MM: f64 = 1.5;

fn strain_maps(page: &mut Page, maps: &[(String, StrainMap)], scale: Scale) {
    page.title("Strain in each piece");
    page.put(&legend(scale));
    page.put("<div class=\"views maps\">");
    for (id, map) in maps {
        page.put(&format!(
            "<figure>{}<figcaption>Piece {}, outside facing you, front up. The ring marks the greatest strain, {}.</figcaption></figure>",
            map.svg,
            esc(id),
            percent(map.worst)
        ));
    }
    page.put("</div>");
}

/// Strain of one piece in bands, its sew and cut line over it, a ring at the greatest.
#[derive(Debug)]
pub(crate) struct StrainMap {
    /// An `svg` element without a place of its own.
    pub(crate) svg: String,
    /// Width and height, mm.
    pub(crate) size_mm: (f64, f64),
    /// Greatest strain.
    pub(crate) worst: f64,
}

/// Draws the strain of one piece.
pub(crate) fn strain_map(part: &Part<'_>, piece: Option<&Piece>, scale: Scale) -> StrainMap {
    let lines = piece.map(|piece| [&piece.sew_line_mm, &piece.cut_line_mm]);
    let mut worst = (0.0_f64, Point2::origin());
    let view = View {
        right: flatten::Vector3::x(),
        up: flatten::Vector3::y(),
    };
    let edge = lines.iter().flatten().flat_map(|line| line.iter().copied());
    let (low, high) = frame(part.uv.iter().copied().chain(edge), RIM_MM);
    let mut raster = Raster::new(view, low, high, MAP_PER_MM);
    let laid: Vec<Point3> = part.uv.iter().copied().map(lift).collect();
    let colour = |face: usize| scale.colour(part.strain[face]);
    raster.surface(&laid, part.mesh.faces(), colour, false, 0.0);
    for (corners, strain) in part.mesh.faces().iter().zip(&part.strain) {
        if *strain > worst.0 {
            let flat = corners.map(|v| part.uv[v as usize].coords);
            let middle = (flat[0] + flat[1] + flat[2]) / 3.0;
            worst = (*strain, middle.into());
        }
    }
    let (width, height) = raster.size_mm();
    let mut svg = open_svg(width, height, &raster);
    for (line, stroke) in lines.iter().flatten().zip([0.6, 1.0]) {
        let places: Vec<_> = line
            .iter()
            .chain(line.first())
            .map(|p| raster.place(lift(*p)))
            .collect();
        polyline(&mut svg, &places, stroke, "#000");
    }
    let at = raster.place(lift(worst.1));
    let _ = write!(
        svg,
        "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"4\" fill=\"none\" stroke=\"#000\"/></svg>",
        at.x, at.y
    );
    StrainMap {
        svg,
        size_mm: (width, height),
        worst: worst.0,
    }
}

fn lift(p: Point2) -> Point3 {
    Point3::new(p.x, p.y, 0.0)
}

/// The bands with their strains; the limit has a tick of its own.
pub(crate) fn legend(scale: Scale) -> String {
    let mut svg = String::from(
        "<figure style=\"max-width:34rem\"><svg viewBox=\"0 0 340 44\" role=\"img\" font-family=\"sans-serif\" font-size=\"9\">",
    );
    for band in 0..BANDS {
        let [r, g, b] = Scale::of_band(band);
        let x = 10 + 40 * band;
        let _ = write!(
            svg,
            "<rect x=\"{x}\" y=\"14\" width=\"40\" height=\"14\" fill=\"rgb({r},{g},{b})\" stroke=\"#000\" stroke-width=\".4\"/>"
        );
    }
    for border in 0..BANDS {
        let value = trimmed(100.0 * scale.band_width() * border as f64, 2);
        let _ = write!(
            svg,
            "<text x=\"{}\" y=\"40\" text-anchor=\"middle\">{value}</text>",
            10 + 40 * border
        );
    }
    let middle = 10 + 40 * (BANDS / 2);
    let _ = write!(
        svg,
        "<path d=\"M{middle} 10v22\" stroke=\"#000\" stroke-width=\"2\"/><text x=\"{middle}\" y=\"8\" text-anchor=\"middle\" font-weight=\"bold\">limit</text></svg>"
    );
    svg + "<figcaption>Strain in %: how much the flat material must stretch or be crowded to lie on the head.</figcaption></figure>"
}

fn dart_table(page: &mut Page, record: &Record) {
    if record.layout.darts.is_empty() && record.layout.seams.is_empty() {
        return;
    }
    page.title("Darts and seams, in sewing order");
    let mut rows = Vec::new();
    for dart in &record.layout.darts {
        rows.push(vec![
            dart.id.clone(),
            format!("{} {}", spoken(&dart.from), signed_mm(dart.along_mm)),
            format_mm_and_inch(dart.depth_mm),
            format_mm_and_inch(dart.take_up_mm),
            format_mm_and_inch(dart.legs_mm[0]),
            format_mm_and_inch(dart.legs_mm[1]),
        ]);
    }
    for seam in &record.layout.seams {
        rows.push(vec![
            seam.id.clone(),
            "seam".into(),
            format_mm_and_inch(seam.length_mm),
            String::new(),
            format_mm_and_inch(seam.sides_mm[0]),
            format_mm_and_inch(seam.sides_mm[1]),
        ]);
    }
    page.table(
        &[
            "No.",
            "Mouth, + to the client's left",
            "#Length on the head",
            "#Take-up",
            "#Left side",
            "#Right side",
        ],
        &rows,
    );
    page.put(&format!(
        "<p>To sew in all: {}.</p>",
        format_mm_and_inch(record.layout.seam_length_mm)
    ));
}

fn needs(page: &mut Page, record: &Record) {
    page.title("What it takes");
    let need = &record.need;
    page.put(&format!("<p>Cloth: {}.</p>", esc(&cloth(record))));
    if let Some(stock) = &need.stock {
        page.put(&lay_picture(stock, &record.pieces));
    }
    page.put(&format!(
        "<p>Ribbon for all finished edges, nothing added for joins: {}.</p>",
        format_mm_and_inch(need.ribbon_mm)
    ));
    let mut columns = vec!["Zone", "#Area"];
    if need.hair.is_some() {
        columns.extend(["#Hairs on a cm²", "#Hairs", "#Weight"]);
    }
    let rows: Vec<Vec<String>> = need
        .zones
        .iter()
        .map(|zone| {
            let mut row = vec![
                spoken(&zone.name),
                format!("{} cm²", trimmed(zone.area_mm2 / 100.0, 1)),
            ];
            if let (Some(density), Some(hairs), Some(grams)) =
                (zone.hairs_per_cm2, zone.hairs, zone.grams)
            {
                row.extend([
                    trimmed(density, 1),
                    thousands(hairs),
                    format!("{} g", trimmed(grams, 1)),
                ]);
            }
            row
        })
        .collect();
    page.table(&columns, &rows);
    page.put("<p>Zones by direction from the middle between the ears' tops: the top is within 45° of straight up; below it front and back are a quarter of the way round each, the sides the rest.</p>");
    if let Some(hair) = &need.hair {
        page.put(&format!(
            "<p>{} hairs, {} g in all: each {} long and {} folded back, {} mm thick; weight = π/4 · thickness² · length · 1.32 g/cm³ (the density of hair is from memory). Nothing is added for waste; 10 to 20 % more is common practice, no source.</p>",
            thousands(hair.hairs),
            trimmed(hair.grams, 1),
            format_mm_and_inch(hair.length_mm),
            format_mm_and_inch(hair.fold_mm),
            trimmed(hair.thickness_mm, 3),
        ));
    }
}

/// The pieces on the stock, small; the grain runs up the picture.
fn lay_picture(stock: &StockUsed, pieces: &[Piece]) -> String {
    const GAP_MM: f64 = 40.0;
    let length = stock.sheet_length_mm.unwrap_or(stock.length_mm);
    let (step, count) = (stock.width_mm + GAP_MM, stock.sheets.max(1));
    let (width, height) = (step * count as f64 - GAP_MM, length);
    let mut svg = format!(
        "<figure class=\"lay\"><svg viewBox=\"-4 -4 {:.0} {:.0}\" role=\"img\" font-family=\"sans-serif\" font-size=\"36\" font-weight=\"bold\">",
        width + 8.0,
        height + 8.0
    );
    for sheet in 0..count {
        let _ = write!(
            svg,
            "<rect x=\"{:.1}\" y=\"0\" width=\"{:.1}\" height=\"{height:.1}\" fill=\"#eee\" stroke=\"#000\" stroke-width=\"2\"/>",
            step * sheet as f64,
            stock.width_mm
        );
    }
    for laid in &stock.laid {
        let Some(piece) = pieces.iter().find(|piece| piece.id == laid.piece) else {
            continue;
        };
        let x0 = step * (laid.sheet - 1) as f64;
        let mut points = stock.outline(laid, piece);
        points.extend(points.first().copied());
        let places: Vec<_> = points
            .iter()
            .map(|p| Point2::new(x0 + p.x, height - p.y))
            .collect();
        polyline(&mut svg, &places, 2.5, "#000");
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            x0 + laid.x_mm + 0.5 * laid.width_mm,
            height - laid.y_mm - 0.5 * laid.height_mm,
            esc(&laid.piece)
        );
    }
    let sold = if stock.sheet_length_mm.is_some() {
        "sheet"
    } else {
        "roll"
    };
    svg + &format!(
        "</svg><figcaption>The pieces on the {sold}, {} wide; the grain runs up. {:.0} mm are left between pieces.</figcaption></figure>",
        format_mm_and_inch(stock.width_mm),
        flatten::piece::stock::BETWEEN_MM
    )
}

fn changes(page: &mut Page, record: &Record) {
    let Some(change) = &record.change else {
        return;
    };
    page.title(&format!(
        "Against the earlier pattern of client {}",
        change.client
    ));
    page.put(&format!("<p>{}</p>", esc(&change.moved())));
    let rows: Vec<_> = change.figures.iter().map(Pair::cells).collect();
    page.table(&["On the head", "#Earlier", "#Now", "#Change"], &rows);
}

fn signed_mm(mm: f64) -> String {
    let sign = if mm > 0.0 { "+" } else { "" };
    format!("{sign}{} mm", trimmed(mm, 0))
}

fn figures(page: &mut Page, record: &Record) {
    page.title("Figures");
    let (strain, fit, surface) = (&record.strain, &record.fit, &record.surface);
    let area = |mm2: f64| {
        format!(
            "{} cm² ({} sq in)",
            trimmed(mm2 / 100.0, 1),
            trimmed(mm2 / 645.16, 1)
        )
    };
    let cut: f64 = record
        .pieces
        .iter()
        .map(|piece| piece.measured.cut_area_mm2)
        .sum();
    let row = |name: &str, value: String| vec![name.to_string(), value];
    page.table(
        &["Figure", "#Value"],
        &[
            row("Area on the head", area(surface.area_mm2)),
            row("Area of material", area(cut)),
            row(
                "Curvature to be taken up",
                format!("{}°", trimmed(surface.total_curvature_deg, 1)),
            ),
            row("Strain, mean", percent(strain.mean)),
            row("Strain, half of the area below", percent(strain.p50)),
            row("Strain, 95 % of the area below", percent(strain.p95)),
            row("Strain, 99 % of the area below", percent(strain.p99)),
            row("Strain, greatest", percent(strain.max)),
            row("Material's limit", percent(strain.limit)),
            row("Area above the limit", area(strain.over_limit_mm2)),
            row("Greatest stretch", percent(strain.stretch_max)),
            row("Greatest crowding", percent(strain.crowding_max)),
            row(
                "Finished perimeter against the head's",
                signed_percent(fit.perimeter_error),
            ),
            row(
                "Greatest difference of lines sewn together",
                format!("{} mm", trimmed(fit.seam_mismatch_mm, 2)),
            ),
            row(
                "Flat area against the head's",
                signed_percent(fit.area_ratio - 1.0),
            ),
            row(
                "Sheets",
                format!("{} of {}", record.sheets.count, record.sheets.paper),
            ),
        ],
    );
}

fn cautions(page: &mut Page) {
    page.title("Cautions");
    page.list(&CAUTIONS);
}

fn notes(page: &mut Page, record: &Record) {
    if !record.notes.is_empty() {
        page.title("Notes");
        page.list(&record.notes);
    }
}

#[cfg(test)]
mod tests {
    use super::esc;

    #[test]
    fn nothing_from_outside_becomes_markup() {
        assert_eq!(
            esc("<img src=x onerror='alert(\"1\")'> & \u{1b}[0m"),
            "&lt;img src=x onerror=&#39;alert(&quot;1&quot;)&#39;&gt; &amp; \u{fffd}[0m"
        );
    }
}
