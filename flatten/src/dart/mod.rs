//! Where strain is let out: darts and seams, cut along geodesics.

mod cut;
mod error;
mod open;
mod place;
mod rules;
mod search;

pub use cut::{POINT_TO_EDGE_MM, cut, even};
pub use error::{CutName, DartError};
pub use place::Cutter;
pub use rules::{Breach, Ground, Near, Rules, in_words};
pub use search::{Found, Reach, SearchOptions, search, search_each};

use crate::{Point3, mesh::TriMesh, patch::Zone};

/// Where counting along an edge starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The perimeter point nearest the front landmark.
    Front,
    /// The perimeter point nearest the nape landmark.
    Nape,
    /// The perimeter point nearest the left ear landmark.
    LeftEar,
    /// The perimeter point nearest the right ear landmark.
    RightEar,
    /// The point of an opening's edge nearest the front landmark; openings count from 0.
    Opening(usize),
}

/// Which way a dart runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Towards {
    /// Square to the edge.
    Inward,
    /// To the top of the head.
    Crown,
    /// To a point on the surface.
    Point(Point3),
    /// Turned from square to the edge by this angle, radians; + leans the point the way + `along_mm`
    /// moves the mouth.
    Turned(f64),
}

/// A dart as the maker orders it.
#[derive(Debug, Clone, PartialEq)]
pub struct DartSpec {
    /// Where counting starts.
    pub from: Anchor,
    /// Mouth along the edge from there, mm: + towards the client's left at front and nape; at an
    /// ear + towards the front; on an opening + with the surface on the left.
    pub along_mm: f64,
    /// Length along the surface, mm.
    pub depth_mm: f64,
    /// Direction.
    pub towards: Towards,
}

/// A seam as the maker orders it: from edge to edge through points on the surface.
#[derive(Debug, Clone, PartialEq)]
pub struct SeamSpec {
    /// At least two points; the first and last lie on or near an edge of the patch.
    pub through: Vec<Point3>,
}

/// A set of darts and seams.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Layout {
    /// What it is called in tables and on sheets.
    pub name: String,
    /// Darts, in sewing order.
    pub darts: Vec<DartSpec>,
    /// Seams, in sewing order.
    pub seams: Vec<SeamSpec>,
}

impl Layout {
    /// A base in one piece, nothing sewn.
    #[must_use]
    pub fn without_darts() -> Self {
        Self {
            name: "no darts".to_owned(),
            ..Self::default()
        }
    }
}

/// Which side of a cut, looking from the mouth (or a seam's first point) inward, from outside the head.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Side {
    /// On the left hand.
    Left,
    /// On the right hand.
    Right,
}

/// What a panel's boundary edge is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum EdgeKind {
    /// The finished perimeter.
    Perimeter(Zone),
    /// The edge of an opening.
    Opening(usize),
    /// A leg of a dart.
    Dart(usize, Side),
    /// A side of a seam.
    Seam(usize, Side),
}

/// A closed boundary of a panel, the surface on its left.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeLoop {
    /// Panel vertices.
    pub vertices: Vec<u32>,
    /// Kind of the edge that leaves each vertex.
    pub kinds: Vec<EdgeKind>,
}

/// One connected part of the patch after the layout is cut.
#[derive(Debug, Clone)]
pub struct Panel {
    /// Its surface; cuts are boundary.
    pub mesh: TriMesh,
    /// Vertex of [`CutPatch::mesh`] that each panel vertex was: two panel vertices of one origin
    /// are the two sides of a cut.
    pub origin: Vec<u32>,
    /// Boundaries, the outer one first.
    pub loops: Vec<EdgeLoop>,
}

/// A cut as made: the path on the head, mouth first.
#[derive(Debug, Clone, PartialEq)]
pub struct CutLine {
    /// Vertices of [`CutPatch::mesh`] along the cut.
    pub path: Vec<u32>,
    /// Length on the head, mm.
    pub length_mm: f64,
}

/// The patch with a layout cut into it.
#[derive(Debug, Clone)]
pub struct CutPatch {
    /// The patch's surface with the cuts' vertices inserted, not yet opened.
    pub mesh: TriMesh,
    /// Dart paths, parallel to the layout's darts.
    pub darts: Vec<CutLine>,
    /// Seam paths, parallel to the layout's seams.
    pub seams: Vec<CutLine>,
    /// The connected parts, largest first.
    pub panels: Vec<Panel>,
}
