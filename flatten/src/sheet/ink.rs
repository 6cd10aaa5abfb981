//! Where a drawing has ink: points along every line, and the areas that cut lines enclose.
//!
//! Curves are linearised, walked and hatched by lyon in f32, which is off by less than 1e-3 mm on a
//! drawing of metres: plenty for the question "is there ink here". Printed lines never come from here.

use lyon::{
    algorithms::{
        hatching::{HatchSegment, Hatcher, HatchingOptions, RegularHatchingPattern},
        walk::{RegularPattern, WalkerEvent, walk_along_path},
    },
    geom::Angle,
    math::{Point, point},
    path::{Path as LyonPath, iterator::PathIterator},
};

use super::{
    bounds::Bounds,
    drawing::{Ink, Item, Path, Segment},
};
use crate::Point2;

/// How far a linearised curve may be from the true one, mm.
const TOLERANCE_MM: f32 = 0.02;

/// Points along the ink, no farther apart than `spacing_mm` along a line.
pub(super) fn ink_points(items: &[Item], spacing_mm: f64) -> Vec<Point2> {
    let mut points = Vec::new();
    collect(items, spacing_mm, &mut points);
    points
}

fn collect(items: &[Item], spacing_mm: f64, points: &mut Vec<Point2>) {
    for item in items {
        match item {
            Item::Line(_, path) => walk(&to_lyon(path), spacing_mm, points),
            Item::Fill(_, path) | Item::Tint(_, path) => {
                walk(&to_lyon(path), spacing_mm, points);
                for stroke in hatch(path, spacing_mm, 0.0) {
                    walk(&to_lyon(&stroke), spacing_mm, points);
                }
            }
            Item::Text(text) => {
                let corners = Path::polygon(&text.corners());
                walk(&to_lyon(&corners), spacing_mm, points);
                for stroke in hatch(&corners, spacing_mm, text.turn) {
                    walk(&to_lyon(&stroke), spacing_mm, points);
                }
            }
            Item::Group(_, inner) => collect(inner, spacing_mm, points),
            Item::Window(low, high, inner) => {
                let window = Bounds::of(&[*low, *high]);
                let mut seen = Vec::new();
                collect(inner, spacing_mm, &mut seen);
                points.extend(seen.into_iter().filter(|p| window.holds(*p)));
            }
        }
    }
}

/// The same of words alone.
pub(super) fn word_points(items: &[Item], spacing_mm: f64) -> Vec<Point2> {
    let mut points = Vec::new();
    for item in items {
        match item {
            Item::Text(_) => collect(std::slice::from_ref(item), spacing_mm, &mut points),
            Item::Group(_, inner) | Item::Window(_, _, inner) => {
                points.extend(word_points(inner, spacing_mm));
            }
            Item::Line(..) | Item::Fill(..) | Item::Tint(..) => {}
        }
    }
    points
}

/// One point for each square of a raster that has any, in order of the raster.
pub(super) fn thinned(points: &[Point2], raster_mm: f64) -> Vec<Point2> {
    let square = |p: &Point2| ((p.y / raster_mm).floor(), (p.x / raster_mm).floor());
    let mut kept = points.to_vec();
    kept.sort_by(|a, b| {
        let (a_key, b_key) = (square(a), square(b));
        a_key
            .0
            .total_cmp(&b_key.0)
            .then(a_key.1.total_cmp(&b_key.1))
            .then(a.x.total_cmp(&b.x))
            .then(a.y.total_cmp(&b.y))
    });
    kept.dedup_by(|a, b| {
        let (a_key, b_key) = (square(a), square(b));
        a_key.0.total_cmp(&b_key.0).is_eq() && a_key.1.total_cmp(&b_key.1).is_eq()
    });
    kept
}

/// Closed cut lines as polygons.
pub(super) fn cut_outlines(items: &[Item]) -> Vec<Vec<Point2>> {
    let mut outlines = Vec::new();
    for item in items {
        match item {
            Item::Line(Ink::Cut, path) => outlines.extend(polygons(path)),
            Item::Group(_, inner) | Item::Window(_, _, inner) => {
                outlines.extend(cut_outlines(inner));
            }
            _ => {}
        }
    }
    outlines
}

/// Closed stretches of a path, linearised. A stretch that ends where it began counts as closed.
fn polygons(path: &Path) -> Vec<Vec<Point2>> {
    let mut all = Vec::new();
    let mut polygon: Vec<Point2> = Vec::new();
    for event in to_lyon(path).iter().flattened(TOLERANCE_MM) {
        match event {
            lyon::path::Event::Begin { at } => polygon = vec![from_lyon(at)],
            lyon::path::Event::Line { to, .. } => polygon.push(from_lyon(to)),
            lyon::path::Event::End { last, first, close } => {
                let meets = (last - first).length() < 1e-3;
                if (close || meets) && polygon.len() > 2 {
                    all.push(std::mem::take(&mut polygon));
                }
            }
            _ => {}
        }
    }
    all
}

/// Strokes that hatch the inside of a closed path (even-odd), `spacing_mm` apart, at an angle from
/// the x axis.
#[must_use]
pub fn hatch(path: &Path, spacing_mm: f64, angle_rad: f64) -> Vec<Path> {
    let mut strokes = Vec::new();
    let lyon_path = to_lyon(path);
    if lyon_path.iter().next().is_none() || spacing_mm.is_nan() || spacing_mm <= 0.0 {
        return strokes;
    }
    let mut options = HatchingOptions::tolerance(TOLERANCE_MM);
    options.angle = Angle::radians(narrow(-angle_rad));
    options.compute_tangents = false;
    Hatcher::new().hatch_path(
        lyon_path.iter(),
        &options,
        &mut RegularHatchingPattern {
            interval: narrow(spacing_mm),
            callback: &mut |segment: &HatchSegment| {
                strokes.push(Path::line(&[
                    from_lyon(segment.a.position),
                    from_lyon(segment.b.position),
                ]));
            },
        },
    );
    strokes
}

fn walk(path: &LyonPath, spacing_mm: f64, points: &mut Vec<Point2>) {
    // The walker steps over ends; they are added first, so nothing short is lost.
    for event in path.iter() {
        match event {
            lyon::path::Event::Begin { at } => points.push(from_lyon(at)),
            lyon::path::Event::Line { to, .. } | lyon::path::Event::Cubic { to, .. } => {
                points.push(from_lyon(to));
            }
            _ => {}
        }
    }
    let mut pattern = RegularPattern {
        callback: |event: WalkerEvent<'_>| {
            points.push(from_lyon(event.position));
            true
        },
        interval: narrow(spacing_mm),
    };
    walk_along_path(path.iter(), 0.0, TOLERANCE_MM, &mut pattern);
}

fn to_lyon(path: &Path) -> LyonPath {
    let mut builder = LyonPath::builder();
    let mut open = false;
    for segment in &path.segments {
        match *segment {
            Segment::Move(p) => {
                if open {
                    builder.end(false);
                }
                builder.begin(at(p));
                open = true;
            }
            Segment::Line(p) if open => {
                builder.line_to(at(p));
            }
            Segment::Cubic(a, b, c) if open => {
                builder.cubic_bezier_to(at(a), at(b), at(c));
            }
            Segment::Close if open => {
                builder.end(true);
                open = false;
            }
            // A path that does not start with a move draws nothing.
            _ => {}
        }
    }
    if open {
        builder.end(false);
    }
    builder.build()
}

fn at(p: Point2) -> Point {
    point(narrow(p.x), narrow(p.y))
}

fn from_lyon(p: Point) -> Point2 {
    Point2::new(f64::from(p.x), f64::from(p.y))
}

/// To lyon's precision.
fn narrow(value: f64) -> f32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "lyon is f32; the loss is stated at the head"
    )]
    let narrowed = value as f32;
    narrowed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_follow_a_line_without_gaps() {
        let path = Path::circle(Point2::new(300.0, 200.0), 150.0);
        let points = ink_points(&[Item::Line(Ink::Cut, path)], 1.0);
        let around = 2.0 * std::f64::consts::PI * 150.0;
        assert!(points.len() as f64 > around - 5.0, "{}", points.len());
        for p in &points {
            let radius = (p - Point2::new(300.0, 200.0)).norm();
            assert!((radius - 150.0).abs() < 0.1, "{radius}");
        }
    }

    #[test]
    fn hatching_fills_a_square_evenly() {
        let square = Path::rectangle(Point2::new(0.0, 0.0), Point2::new(20.0, 20.0));
        let strokes = hatch(&square, 2.0, 0.0);
        assert!((9..=11).contains(&strokes.len()), "{}", strokes.len());
        for stroke in &strokes {
            assert!((stroke.bounds().width_mm() - 20.0).abs() < 1e-3);
            assert!(stroke.bounds().height_mm() < 1e-3);
        }
        assert!(hatch(&Path::default(), 2.0, 0.0).is_empty());
    }

    #[test]
    fn a_window_hides_ink() {
        let line = Path::line(&[Point2::new(0.0, 0.0), Point2::new(100.0, 0.0)]);
        let window = Item::Window(
            Point2::new(-1.0, -1.0),
            Point2::new(10.0, 1.0),
            vec![Item::Line(Ink::Sew, line)],
        );
        let points = ink_points(&[window], 1.0);
        assert!(points.iter().all(|p| p.x <= 10.0));
        assert!(points.len() > 9);
    }

    #[test]
    fn closed_cut_lines_are_areas() {
        let square = Path::rectangle(Point2::new(0.0, 0.0), Point2::new(20.0, 20.0));
        let open = Path::line(&[Point2::new(0.0, 0.0), Point2::new(5.0, 9.0)]);
        let items = [
            Item::Line(Ink::Sew, square.clone()),
            Item::Line(Ink::Cut, open),
            Item::Group("A".into(), vec![Item::Line(Ink::Cut, square)]),
        ];
        assert_eq!(cut_outlines(&items).len(), 1);
    }
}
