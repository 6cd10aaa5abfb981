//! Line drawings of a head with a tape on it, for the measuring sheet and for `measure`.
//!
//! In: a surface, its landmarks and tapes. Out: items in millimetres: the head's own contour from a
//! side, the tape solid where it is seen and dashed where it runs behind.

use flatten::{
    Point2, Point3, Vector3,
    mesh::{NONE, TriMesh, index},
    patch::Head,
    sheet::{Drawing, Ink, Item, Path, Segment, Text},
    tape::{TapeLine, TapePath},
    units::format_mm_and_inch,
};

/// The side from which a head is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The face: the client's right is on the reader's left.
    Front,
    /// The back of the head.
    Back,
    /// The client's right ear, the face to the reader's right.
    Right,
    /// From above, the face up.
    Top,
}

impl Side {
    /// The side that shows a path best.
    #[must_use]
    pub fn of(path: TapePath) -> Self {
        match path {
            TapePath::Girth
            | TapePath::FrontToNape
            | TapePath::HeadGirth
            | TapePath::HeadLength => Self::Right,
            TapePath::EarToEarForehead | TapePath::EarToEarOver | TapePath::CoronalArc => {
                Self::Front
            }
            TapePath::TempleToTempleBack | TapePath::Nape => Self::Back,
            TapePath::HeadBreadth => Self::Top,
        }
    }

    /// Reader's right, up, and out of the paper, on the head's axes.
    fn axes(self, head: &Head) -> [Vector3; 3] {
        match self {
            Self::Front => [-head.right, head.up, head.forward],
            Self::Back => [head.right, head.up, -head.forward],
            Self::Right => [head.forward, head.up, head.right],
            Self::Top => [head.right, head.forward, head.up],
        }
    }
}

/// A head seen from one side, ready to be drawn at a place and scale.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// The surface.
    pub mesh: &'a TriMesh,
    /// Its landmarks.
    pub head: &'a Head,
    /// Seen from here.
    pub side: Side,
    /// Where the middle between the ears is drawn.
    pub at: Point2,
    /// Drawn size over true size.
    pub scale: f64,
}

/// Nothing lower than this below the ears' tops is drawn: a form has no face and no neck, mm.
const DEPTH_MM: f64 = 105.0;

impl Scene<'_> {
    fn centre(&self) -> Point3 {
        nalgebra::center(&self.head.left_ear, &self.head.right_ear)
    }

    /// Where a point of the head is drawn.
    #[must_use]
    pub fn place(&self, p: &Point3) -> Point2 {
        let [right, up, _] = self.side.axes(self.head);
        let d = p - self.centre();
        self.at + Point2::new(d.dot(&right), d.dot(&up)).coords * self.scale
    }

    /// The contour: edges between a triangle that faces the reader and one that does not.
    #[must_use]
    pub fn contour(&self) -> Item {
        let [_, _, out] = self.side.axes(self.head);
        let faces_reader = |f: u32| self.mesh.area_vector(f).dot(&out) > 0.0;
        let low = |p: &Point3| (p - self.centre()).dot(&self.head.up) < -DEPTH_MM;
        let mut segments = Vec::new();
        for h in 0..index(3 * self.mesh.face_count()) {
            let twin = self.mesh.twin(h);
            let behind = twin == NONE || !faces_reader(twin / 3);
            if faces_reader(h / 3) && behind {
                let (a, b) = (
                    self.mesh.position(self.mesh.tail(h)),
                    self.mesh.position(self.mesh.head(h)),
                );
                if !low(&a) && !low(&b) {
                    segments.push(Segment::Move(self.place(&a)));
                    segments.push(Segment::Line(self.place(&b)));
                }
            }
        }
        Item::Line(Ink::Furniture, Path { segments })
    }

    /// A line on the head in two kinds of ink: where it is seen, and where it runs behind.
    #[must_use]
    pub fn line(&self, points: &[Point3], seen: Ink, hidden: Option<Ink>) -> Vec<Item> {
        let [_, _, out] = self.side.axes(self.head);
        // on a rounded head what lies on the reader's side of its middle is seen
        let middle = nalgebra::center(&self.centre(), &self.head.crown);
        let near = |p: &Point3| (p - middle).dot(&out) > -6.0;
        let mut items = Vec::new();
        let pieces: Vec<[&Point3; 2]> = points.windows(2).map(|w| [&w[0], &w[1]]).collect();
        for run in pieces.chunk_by(|a, b| near(a[1]) == near(b[1])) {
            let mut path: Vec<Point2> = vec![self.place(run[0][0])];
            path.extend(run.iter().map(|w| self.place(w[1])));
            let ink = if near(run[0][1]) { Some(seen) } else { hidden };
            if let Some(ink) = ink {
                items.push(Item::Line(ink, Path::line(&path)));
            }
        }
        items
    }

    /// LEFT and RIGHT, the client's, or which way the head looks: in words in the upper corners.
    fn sides(&self) -> Vec<Item> {
        const AWAY_MM: f64 = 42.0;
        const ABOVE_MM: f64 = 40.0;
        const SIZE_MM: f64 = 2.8;
        let words = match self.side {
            Side::Front => ["RIGHT", "LEFT"],
            Side::Back | Side::Top => ["LEFT", "RIGHT"],
            Side::Right => ["BACK", "FRONT"],
        };
        let word = |away: f64, word: &str| {
            let at = self.at + Point2::new(away - 5.0, ABOVE_MM).coords;
            Item::Text(Text::new(at, SIZE_MM, word.to_string()))
        };
        vec![word(-AWAY_MM, words[0]), word(AWAY_MM, words[1])]
    }

    /// A simple ear below the hairline, a nose in the side view: so that one knows which way it looks.
    #[must_use]
    pub fn face(&self) -> Vec<Item> {
        let h = self.head;
        let p = |base: &Point3, forward: f64, up: f64| {
            self.place(&(base + h.forward * forward + h.up * up))
        };
        let curve = |points: &[Point2]| Item::Line(Ink::Furniture, Path::line(points));
        match self.side {
            Side::Right => {
                let e = &h.right_ear;
                let ear: Vec<Point2> = (0..=24)
                    .map(|i| {
                        let t = f64::from(i) / 24.0 * std::f64::consts::TAU;
                        p(
                            e,
                            -3.0 + 15.0 * t.sin() - 4.0 * t.cos(),
                            -38.0 + 32.0 * t.cos(),
                        )
                    })
                    .collect();
                let f = &h.front;
                let nose = [
                    p(f, 6.0, -66.0),
                    p(f, 9.0, -74.0),
                    p(f, 21.0, -98.0),
                    p(f, 10.0, -106.0),
                ];
                vec![curve(&ear), curve(&nose)]
            }
            Side::Front => {
                let f = &h.front;
                let at = |x: f64, z: f64| self.place(&(f + h.right * x + h.up * z));
                let nose = [
                    at(-6.0, -72.0),
                    at(-9.0, -100.0),
                    at(9.0, -100.0),
                    at(6.0, -72.0),
                ];
                let eye = |x: f64| curve(&[at(x - 13.0, -70.0), at(x, -66.0), at(x + 13.0, -70.0)]);
                vec![curve(&nose), eye(-31.0), eye(31.0)]
            }
            Side::Back | Side::Top => Vec::new(),
        }
    }
}

/// Every tape on its head, a small picture each with its length, in rows of three.
#[must_use]
pub fn paths_picture(mesh: &TriMesh, head: &Head, tapes: &[(TapePath, TapeLine)]) -> Drawing {
    const CELL: [f64; 2] = [100.0, 112.0];
    let rows = tapes.len().div_ceil(3).max(1);
    let mut drawing = Drawing {
        width_mm: 3.0 * CELL[0],
        height_mm: rows as f64 * CELL[1],
        items: Vec::new(),
    };
    for (i, (path, tape)) in tapes.iter().enumerate() {
        let x = (i % 3) as f64 * CELL[0];
        let y = drawing.height_mm - (i / 3 + 1) as f64 * CELL[1];
        let scene = Scene {
            mesh,
            head,
            side: Side::of(*path),
            at: Point2::new(x + 50.0, y + 56.0),
            scale: 0.38,
        };
        let mut items = vec![scene.contour()];
        items.extend(scene.line(&tape.points, Ink::Cut, Some(Ink::Sew)));
        let text = |dy: f64, size: f64, words: String| {
            Item::Text(Text::new(Point2::new(x + 6.0, y + dy), size, words))
        };
        items.extend(scene.sides());
        items.push(text(10.0, 4.2, path.name().to_string()));
        items.push(text(4.0, 4.2, format_mm_and_inch(tape.length_mm)));
        drawing.items.push(Item::Group(path.key().into(), items));
    }
    drawing
}
