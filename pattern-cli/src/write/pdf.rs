//! Sheets as a PDF at true scale.
//!
//! printpdf builds pages, text and bookmarks; a pass over its document sets what it cannot say: the
//! version, PrintScaling None (ISO 32000-1, table 150), and an order of objects without identifiers or
//! dates, so that the same sheets give the same bytes.
//!
//! A unit is 1/72 in (ISO 32000-1, 8.3.2.3). Coordinates are turned into units in f64 and rounded to
//! 1e-4 of a unit; printpdf's f32 is then off by at most 4.4e-5 mm at one metre.

use flatten::{
    Point2,
    sheet::{Align, Drawing, Ink, Item, Path, Segment, Sheet, Text, printable},
    units::MM_PER_INCH,
};
use printpdf::{
    BuiltinFont, Color, Greyscale, Line, LineDashPattern, LineJoinStyle, LinePoint, Op, PaintMode,
    PdfDocument, PdfFontHandle, PdfPage, PdfSaveOptions, Point, Polygon, PolygonRing, Pt, Rect,
    Rgb, TextItem, TextMatrix, WindingOrder,
};

/// Why a PDF cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// The library that lays out the file found something it cannot write.
    #[error("the sheets cannot be written as PDF: {0}")]
    Layout(String),
    /// The finished document could not be turned into bytes.
    #[error("the PDF cannot be finished: {0}")]
    Finish(#[from] lopdf::Error),
    /// Writing into memory failed.
    #[error("the PDF cannot be stored: {0}")]
    Store(#[from] std::io::Error),
}

/// Units of a PDF in a millimetre.
const UNITS_PER_MM: f64 = 72.0 / MM_PER_INCH;

/// Sheets as a PDF, one page each, with a bookmark each.
///
/// # Errors
/// When the libraries refuse; that is a defect of ours, not of the input.
pub fn pdf(sheets: &[Sheet], title: &str) -> Result<Vec<u8>, PdfError> {
    let mut document = PdfDocument::new(title);
    let pages = sheets.iter().map(|sheet| page(&sheet.drawing)).collect();
    document.with_pages(pages);
    for (index, sheet) in sheets.iter().enumerate() {
        document.add_bookmark(&sheet.name, index + 1);
    }
    let mut warnings = Vec::new();
    let finished = document.to_lopdf_document(&PdfSaveOptions::default(), &mut warnings);
    if let Some(warning) = warnings.first() {
        return Err(PdfError::Layout(warning.msg.clone()));
    }
    finish(finished)
}

fn page(drawing: &Drawing) -> PdfPage {
    let mut pen = Pen::default();
    pen.ops.push(Op::SetLineJoinStyle {
        join: LineJoinStyle::Round,
    });
    pen.items(&drawing.items);
    let sides = Rect::from_wh(units(drawing.width_mm), units(drawing.height_mm));
    PdfPage {
        media_box: sides.clone(),
        trim_box: sides.clone(),
        crop_box: sides,
        ops: pen.ops,
    }
}

/// What is being drawn with.
#[derive(Default)]
struct Pen {
    ops: Vec<Op>,
    /// Kind of line that stroke settings are set for.
    ink: Option<Ink>,
    /// Fill colour that is set.
    fill: Option<[f64; 3]>,
}

impl Pen {
    fn items(&mut self, items: &[Item]) {
        for item in items {
            match item {
                Item::Line(ink, path) => self.line(*ink, path),
                Item::Fill(gray, path) => self.filled([*gray; 3], path),
                Item::Tint(rgb, path) => self.filled(rgb.map(|c| f64::from(c) / 255.0), path),
                Item::Text(text) => self.text(text),
                Item::Group(_, inner) => self.items(inner),
                Item::Window(low, high, inner) => self.window(*low, *high, inner),
            }
        }
    }

    fn line(&mut self, ink: Ink, path: &Path) {
        if self.ink != Some(ink) {
            self.ink = Some(ink);
            let stroke = ink.stroke();
            let dashes: Vec<f32> = stroke.dash_mm.iter().map(|mm| units(*mm).0).collect();
            self.ops.extend([
                Op::SetOutlineColor {
                    col: gray(stroke.gray),
                },
                Op::SetOutlineThickness {
                    pt: units(stroke.width_mm),
                },
                Op::SetLineDashPattern {
                    dash: LineDashPattern::new(0.0, &dashes),
                },
            ]);
        }
        for (points, is_closed) in stretches(path) {
            let line = Line { points, is_closed };
            self.ops.push(Op::DrawLine { line });
        }
    }

    fn filled(&mut self, colour: [f64; 3], path: &Path) {
        self.set_fill(colour);
        let rings: Vec<PolygonRing> = stretches(path)
            .into_iter()
            .map(|(points, _)| PolygonRing { points })
            .collect();
        if rings.is_empty() {
            return;
        }
        self.ops.push(Op::DrawPolygon {
            polygon: Polygon {
                rings,
                mode: PaintMode::Fill,
                winding_order: WindingOrder::NonZero,
            },
        });
    }

    #[expect(
        clippy::float_cmp,
        reason = "the very value that was set, or another one"
    )]
    fn set_fill(&mut self, colour: [f64; 3]) {
        if self.fill == Some(colour) {
            return;
        }
        self.fill = Some(colour);
        let [r, g, b] = colour;
        let col = if r == g && g == b {
            gray(r)
        } else {
            Color::Rgb(Rgb {
                r: narrow(r),
                g: narrow(g),
                b: narrow(b),
                icc_profile: None,
            })
        };
        self.ops.push(Op::SetFillColor { col });
    }

    fn text(&mut self, text: &Text) {
        let words = printable(&text.text);
        if words.trim().is_empty() {
            return;
        }
        self.set_fill([text.gray; 3]);
        let back = match text.align {
            Align::Left => 0.0,
            Align::Middle => 0.5 * text.width_mm(),
            Align::Right => text.width_mm(),
        };
        let (sin, cos) = text.turn.sin_cos();
        let (x, y) = (text.at.x - back * cos, text.at.y - back * sin);
        let font = if text.bold {
            BuiltinFont::HelveticaBold
        } else {
            BuiltinFont::Helvetica
        };
        let turn = |value: f64| narrow((value * 1e6).round() / 1e6);
        self.ops.extend([
            Op::StartTextSection,
            Op::SetFont {
                font: PdfFontHandle::Builtin(font),
                size: units(text.size_mm),
            },
            Op::SetTextMatrix {
                matrix: TextMatrix::Raw([
                    turn(cos),
                    turn(sin),
                    turn(-sin),
                    turn(cos),
                    units(x).0,
                    units(y).0,
                ]),
            },
            Op::ShowText {
                items: vec![TextItem::Text(words)],
            },
            Op::EndTextSection,
        ]);
    }

    fn window(&mut self, low: Point2, high: Point2, inner: &[Item]) {
        self.ops.push(Op::SaveGraphicsState);
        let (ink, fill) = (self.ink, self.fill);
        let (points, _) = stretches(&Path::rectangle(low, high)).remove(0);
        self.ops.push(Op::DrawPolygon {
            polygon: Polygon {
                rings: vec![PolygonRing { points }],
                mode: PaintMode::Clip,
                winding_order: WindingOrder::NonZero,
            },
        });
        self.items(inner);
        self.ops.push(Op::RestoreGraphicsState);
        (self.ink, self.fill) = (ink, fill);
    }
}

/// A path's stretches between moves, and whether each is closed.
fn stretches(path: &Path) -> Vec<(Vec<LinePoint>, bool)> {
    let mut all: Vec<(Vec<LinePoint>, bool)> = Vec::new();
    let mut points: Vec<LinePoint> = Vec::new();
    let mut done = |points: &mut Vec<LinePoint>, closed: bool| {
        if points.len() > 1 {
            all.push((std::mem::take(points), closed));
        } else {
            points.clear();
        }
    };
    for segment in &path.segments {
        match *segment {
            Segment::Move(p) => {
                done(&mut points, false);
                points.push(at(p, false));
            }
            Segment::Line(p) => points.push(at(p, false)),
            Segment::Cubic(a, b, c) => points.extend([at(a, true), at(b, true), at(c, false)]),
            Segment::Close => done(&mut points, true),
        }
    }
    done(&mut points, false);
    all
}

fn at(p: Point2, bezier: bool) -> LinePoint {
    LinePoint {
        p: Point {
            x: units(p.x),
            y: units(p.y),
        },
        bezier,
    }
}

/// Millimetres in PDF units, rounded to 1e-4 of a unit.
fn units(mm: f64) -> Pt {
    Pt(narrow((mm * UNITS_PER_MM * 1e4).round() / 1e4))
}

fn gray(level: f64) -> Color {
    Color::Greyscale(Greyscale::new(narrow(level), None))
}

fn narrow(value: f64) -> f32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "printpdf is f32; the loss is stated at the head"
    )]
    let narrowed = value as f32;
    narrowed
}

/// Sets what printpdf cannot say and takes out what would change from run to run.
fn finish(mut document: lopdf::Document) -> Result<Vec<u8>, PdfError> {
    use lopdf::Object::{Boolean, Dictionary, Name};
    document.version = "1.7".to_owned();
    document.trailer.remove(b"ID");
    if let Ok(id) = document.trailer.get(b"Info").and_then(|o| o.as_reference()) {
        let info = document.get_dictionary_mut(id)?;
        let title = info.get(b"Title").cloned();
        *info = lopdf::Dictionary::new();
        if let Ok(title) = title {
            info.set("Title", title);
        }
    }
    let catalog = document.catalog_mut()?;
    let mut viewer = lopdf::Dictionary::new();
    viewer.set("PrintScaling", Name(b"None".to_vec()));
    viewer.set("DisplayDocTitle", Boolean(true));
    catalog.set("ViewerPreferences", Dictionary(viewer));
    catalog.set("PageMode", Name(b"UseOutlines".to_vec()));
    catalog.set("PageLayout", Name(b"SinglePage".to_vec()));
    sort_keys(&mut document.trailer);
    for object in document.objects.values_mut() {
        sort_object(object);
    }
    document.renumber_objects();
    document.compress();
    let mut bytes = Vec::new();
    document.save_to(&mut bytes)?;
    Ok(bytes)
}

fn sort_keys(dictionary: &mut lopdf::Dictionary) {
    dictionary.as_hashmap_mut().sort_keys();
    for (_, value) in dictionary.iter_mut() {
        sort_object(value);
    }
}

fn sort_object(object: &mut lopdf::Object) {
    match object {
        lopdf::Object::Dictionary(dictionary) => sort_keys(dictionary),
        lopdf::Object::Stream(stream) => sort_keys(&mut stream.dict),
        lopdf::Object::Array(values) => values.iter_mut().for_each(sort_object),
        _ => {}
    }
}
