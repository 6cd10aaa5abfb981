//! Drawings as SVG at true scale.
//!
//! One user unit is a millimetre: width and height are in mm and the viewBox has the same figures. Lines
//! are grouped by kind, each group with an id and a title; named groups of the drawing stay groups.
//! Coordinates are rounded to a thousandth of a millimetre, and the bytes depend on the drawing alone.

use std::collections::BTreeMap;

use flatten::{
    Point2,
    sheet::{Align, Drawing, Ink, Item, Path, Segment, Text},
};
use svg::{
    Node,
    node::element::{ClipPath, Group, Path as PathElement, Rectangle, Text as TextElement, Title},
};

/// A drawing as an SVG document.
#[must_use]
pub fn svg(drawing: &Drawing, title: &str) -> String {
    let width = number(drawing.width_mm);
    let height = number(drawing.height_mm);
    let mut writer = Writer {
        top: drawing.height_mm,
        ids: BTreeMap::new(),
    };
    let mut document = svg::Document::new()
        .set("width", format!("{width}mm"))
        .set("height", format!("{height}mm"))
        .set("viewBox", format!("0 0 {width} {height}"))
        .set("version", "1.1");
    if !title.is_empty() {
        document = document.add(Title::new(title));
    }
    for node in writer.items(&drawing.items, "") {
        document.append(node);
    }
    let mut text = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    text.push_str(&document.to_string());
    text.push('\n');
    text
}

struct Writer {
    /// Height of the drawing: SVG's y runs down from here.
    top: f64,
    /// How often an id was asked for.
    ids: BTreeMap<String, usize>,
}

/// Lines of one kind that may be drawn together, and the texts above them.
#[derive(Default)]
struct Stretch {
    lines: BTreeMap<Ink, Vec<String>>,
    texts: Vec<TextElement>,
}

impl Writer {
    /// Items in drawn order. Neighbouring lines are sorted by kind; nothing moves across a filled shape,
    /// a group or a window.
    fn items(&mut self, items: &[Item], within: &str) -> Vec<Box<dyn Node>> {
        let mut nodes: Vec<Box<dyn Node>> = Vec::new();
        let mut stretch = Stretch::default();
        for item in items {
            match item {
                Item::Line(ink, path) => {
                    let data = self.data(path);
                    stretch.lines.entry(*ink).or_default().push(data);
                }
                Item::Text(text) => stretch.texts.push(self.text(text)),
                Item::Fill(gray, path) => {
                    self.close(&mut stretch, within, &mut nodes);
                    nodes.push(Box::new(self.filled(path, &gray_hex(*gray))));
                }
                Item::Tint([r, g, b], path) => {
                    self.close(&mut stretch, within, &mut nodes);
                    let fill = format!("#{r:02x}{g:02x}{b:02x}");
                    nodes.push(Box::new(self.filled(path, &fill)));
                }
                Item::Group(name, inner) => {
                    self.close(&mut stretch, within, &mut nodes);
                    let id = self.id(within, name);
                    let mut group = Group::new()
                        .set("id", id.clone())
                        .add(Title::new(name.as_str()));
                    for node in self.items(inner, &id) {
                        group.append(node);
                    }
                    nodes.push(Box::new(group));
                }
                Item::Window(low, high, inner) => {
                    self.close(&mut stretch, within, &mut nodes);
                    nodes.extend(self.window(*low, *high, inner, within));
                }
            }
        }
        self.close(&mut stretch, within, &mut nodes);
        nodes
    }

    /// Writes what has gathered.
    fn close(&mut self, stretch: &mut Stretch, within: &str, nodes: &mut Vec<Box<dyn Node>>) {
        let done = std::mem::take(stretch);
        for (ink, paths) in done.lines {
            let stroke = ink.stroke();
            let mut group = Group::new()
                .set("id", self.id(within, ink.id()))
                .set("fill", "none")
                .set("stroke", gray_hex(stroke.gray))
                .set("stroke-width", number(stroke.width_mm))
                .set("stroke-linejoin", "round")
                .add(Title::new(ink.meaning()));
            if !stroke.dash_mm.is_empty() {
                let dashes: Vec<String> = stroke.dash_mm.iter().map(|d| number(*d)).collect();
                group = group.set("stroke-dasharray", dashes.join(" "));
            }
            for data in paths {
                group.append(PathElement::new().set("d", data));
            }
            nodes.push(Box::new(group));
        }
        if !done.texts.is_empty() {
            let mut group = Group::new()
                .set("id", self.id(within, "text"))
                .set("font-family", "Helvetica, Arial, sans-serif");
            for text in done.texts {
                group.append(text);
            }
            nodes.push(Box::new(group));
        }
    }

    fn window(
        &mut self,
        low: Point2,
        high: Point2,
        inner: &[Item],
        within: &str,
    ) -> [Box<dyn Node>; 2] {
        let id = self.id(within, "window");
        let clip = ClipPath::new().set("id", id.clone()).add(
            Rectangle::new()
                .set("x", number(low.x))
                .set("y", number(self.top - high.y))
                .set("width", number(high.x - low.x))
                .set("height", number(high.y - low.y)),
        );
        let mut group = Group::new().set("clip-path", format!("url(#{id})"));
        for node in self.items(inner, within) {
            group.append(node);
        }
        [Box::new(clip), Box::new(group)]
    }

    fn filled(&self, path: &Path, fill: &str) -> PathElement {
        PathElement::new()
            .set("d", self.data(path))
            .set("fill", fill)
            .set("stroke", "none")
    }

    fn text(&self, text: &Text) -> TextElement {
        let (x, y) = (number(text.at.x), number(self.top - text.at.y));
        let mut element = TextElement::new(visible(&text.text))
            .set("x", x.clone())
            .set("y", y.clone())
            .set("font-size", number(text.size_mm))
            .set("fill", gray_hex(text.gray));
        match text.align {
            Align::Left => {}
            Align::Middle => element = element.set("text-anchor", "middle"),
            Align::Right => element = element.set("text-anchor", "end"),
        }
        if text.bold {
            element = element.set("font-weight", "bold");
        }
        if text.turn.abs() > 1e-9 {
            let degrees = number(-text.turn.to_degrees());
            element = element.set("transform", format!("rotate({degrees} {x} {y})"));
        }
        element
    }

    fn data(&self, path: &Path) -> String {
        let at = |p: Point2| format!("{} {}", number(p.x), number(self.top - p.y));
        let mut parts = Vec::with_capacity(path.segments.len());
        for segment in &path.segments {
            parts.push(match *segment {
                Segment::Move(p) => format!("M{}", at(p)),
                Segment::Line(p) => format!("L{}", at(p)),
                Segment::Cubic(a, b, c) => format!("C{} {} {}", at(a), at(b), at(c)),
                Segment::Close => "Z".to_owned(),
            });
        }
        parts.join("")
    }

    /// An id that is a legal name and used once in the document.
    fn id(&mut self, within: &str, name: &str) -> String {
        let mut slug = String::new();
        for c in name.chars() {
            if c.is_ascii_alphanumeric() {
                slug.push(c.to_ascii_lowercase());
            } else if !slug.ends_with('-') && !slug.is_empty() {
                slug.push('-');
            }
        }
        let slug = slug.trim_end_matches('-');
        let wanted = match (within.is_empty(), slug.chars().next()) {
            (false, Some(_)) => format!("{within}-{slug}"),
            (false, None) => format!("{within}-group"),
            (true, Some(first)) if first.is_ascii_alphabetic() => slug.to_owned(),
            (true, _) => format!("group-{slug}").trim_end_matches('-').to_owned(),
        };
        let mut id = wanted.clone();
        while self.ids.contains_key(&id) {
            let count = self.ids.entry(wanted.clone()).or_insert(1);
            *count += 1;
            id = format!("{wanted}-{count}");
        }
        self.ids.insert(id.clone(), 1);
        id
    }
}

/// Words without characters that XML 1.0 forbids even when escaped.
fn visible(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}'))
        .collect()
}

/// Fixed at a thousandth of a millimetre, trailing zeros off.
fn number(value: f64) -> String {
    flatten::units::trimmed(value, 3)
}

fn gray_hex(gray: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to a byte"
    )]
    let level = (gray.clamp(0.0, 1.0) * 255.0).round() as u8;
    format!("#{level:02x}{level:02x}{level:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Drawing {
        let outline = Path::rectangle(Point2::new(10.0, 10.0), Point2::new(110.0, 60.0));
        Drawing {
            width_mm: 120.0,
            height_mm: 80.0,
            items: vec![
                Item::Group(
                    "Piece <A> & \"b\"".into(),
                    vec![
                        Item::Line(Ink::Cut, outline.clone()),
                        Item::Line(Ink::Sew, outline.clone()),
                        Item::Line(Ink::Cut, outline.clone()),
                        Item::Text(Text {
                            turn: 0.5,
                            ..Text::new(Point2::new(1.0 / 3.0, 20.0), 4.0, "a < b & c\u{7}")
                        }),
                    ],
                ),
                Item::Group("Piece <A> & \"b\"".into(), vec![]),
                Item::Window(
                    Point2::new(0.0, 0.0),
                    Point2::new(50.0, 50.0),
                    vec![Item::Fill(0.5, outline)],
                ),
            ],
        }
    }

    #[test]
    fn true_scale_and_upside_down() {
        let text = svg(&example(), "t");
        assert!(text.contains(r#"width="120mm""#) && text.contains(r#"height="80mm""#));
        assert!(text.contains(r#"viewBox="0 0 120 80""#));
        assert!(text.contains("M10 70L110 70L110 20L10 20Z"), "{text}");
    }

    #[test]
    fn kinds_are_groups_with_titles_and_ids_are_unique() {
        let text = svg(&example(), "t");
        assert_eq!(text.matches(r#"id="piece-a-b-cut""#).count(), 1);
        assert_eq!(text.matches(r#"id="piece-a-b-sew""#).count(), 1);
        assert_eq!(text.matches(r#"id="piece-a-b""#).count(), 1);
        assert_eq!(text.matches(r#"id="piece-a-b-2""#).count(), 1);
        assert!(text.contains("stroke-dasharray=\"4 2\""));
    }

    #[test]
    fn text_is_escaped_and_rounded() {
        let text = svg(&example(), "<script>");
        assert!(text.contains("a &lt; b &amp; c"));
        assert!(!text.contains('\u{7}') && !text.contains("<script>"));
        assert!(text.contains(r#"x="0.333""#));
        assert!(text.contains("rotate(-28.648 0.333 60)"), "{text}");
    }

    #[test]
    fn an_independent_reader_draws_it() {
        let text = svg(&example(), "t");
        let tree = resvg::usvg::Tree::from_str(&text, &resvg::usvg::Options::default()).unwrap();
        // Millimetres become CSS pixels of 1/96 in.
        let per_mm = 96.0 / 25.4;
        assert!((tree.size().width() - 120.0 * per_mm).abs() < 1e-3);
        let mut map = resvg::tiny_skia::Pixmap::new(120, 80).unwrap();
        let scale = 25.4 / 96.0;
        resvg::render(
            &tree,
            resvg::tiny_skia::Transform::from_scale(scale, scale),
            &mut map.as_mut(),
        );
        // The gray fill is shown inside its window only.
        assert!(map.pixel(30, 55).unwrap().alpha() > 200);
        assert_eq!(map.pixel(80, 55).unwrap().alpha(), 0);
    }

    #[test]
    fn the_same_drawing_gives_the_same_bytes() {
        assert_eq!(svg(&example(), "t"), svg(&example(), "t"));
    }
}
