//! What a piece is: everything needed to draw, cut, sew and print it again.
//!
//! All coordinates are the flat map's, mm: outside facing the reader, front up. They lie on a grid
//! of 0.0001 mm, so that decimal text carries them without loss and a stored piece draws the same
//! bytes again.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Point2, dart::Side, plane::Curve};

/// Width of material left beyond the sew line, mm, per stretch of edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance {
    /// Front hairline.
    pub front_mm: f64,
    /// Temples, ears and behind them.
    pub sides_mm: f64,
    /// Nape.
    pub nape_mm: f64,
    /// Into an opening.
    pub opening_mm: f64,
    /// Beside a seam.
    pub seam_mm: f64,
    /// Beside a dart leg.
    pub dart_mm: f64,
}

/// Which way the selvedge or the lesser stretch of the material lies on the piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grain {
    /// Front to back.
    #[default]
    FrontBack,
    /// Ear to ear.
    Across,
    /// Halfway between.
    Bias,
    /// The material is alike in every direction: cut any way.
    Any,
}

/// Left or right hand, looking from a mouth (or a seam's first end) inward.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Hand {
    /// On the left.
    Left,
    /// On the right.
    Right,
}

impl From<Side> for Hand {
    fn from(side: Side) -> Self {
        match side {
            Side::Left => Hand::Left,
            Side::Right => Hand::Right,
        }
    }
}

/// What a stretch of sew line is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum StretchKind {
    /// The front hairline.
    Front,
    /// Temple, ear and behind the ear on the client's left.
    Left,
    /// The nape hairline.
    Nape,
    /// Temple, ear and behind the ear on the client's right.
    Right,
    /// The edge of an opening.
    Opening,
    /// A side of a seam.
    Seam,
}

/// A stretch of sew line of one kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Stretch {
    /// What it is.
    pub kind: StretchKind,
    /// Opening or seam number, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub number: Option<usize>,
    /// Side of a seam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hand: Option<Hand>,
    /// Piece on the other side of a seam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joins: Option<String>,
    /// The line, the piece on its left.
    pub curve: Curve,
    /// Its length, mm.
    pub length_mm: f64,
    /// The same stretch on the head, mm.
    pub head_mm: f64,
    /// The same stretch as flattened, before fitting, mm.
    pub flat_mm: f64,
    /// Allowance asked beside it, mm.
    pub allowance_mm: f64,
    /// Greatest distance between the line and the flattened edge, mm.
    pub fit_error_mm: f64,
}

/// How a dart is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DartStyle {
    /// Folded: no cut into the wedge, the cut line runs across its mouth.
    Fold,
    /// Cut open, with allowances beside the legs.
    Open,
}

/// A dart as drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DartMark {
    /// `D1`, `D2`, … in sewing order.
    pub id: String,
    /// Folded or cut open.
    pub style: DartStyle,
    /// Where the legs meet.
    #[serde(with = "crate::plane::pair")]
    #[schemars(with = "[f64; 2]")]
    pub point_mm: Point2,
    /// Hole that marks the point, a little short of it.
    #[serde(with = "crate::plane::pair")]
    #[schemars(with = "[f64; 2]")]
    pub drill_mm: Point2,
    /// Legs from the mouth to the point: the one on the left hand looking inward, then the other.
    pub legs: [Curve; 2],
    /// The sew line across the mouth of a folded dart, from the end of the left leg to the right.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub cap_mm: Vec<Point2>,
    /// Fold line: from the mouth to the point.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub fold_mm: Vec<Point2>,
    /// Width at the mouth, mm.
    pub take_up_mm: f64,
    /// Lengths of the legs as drawn, mm.
    pub legs_mm: [f64; 2],
    /// Lengths of the legs as flattened, mm.
    pub legs_flat_mm: [f64; 2],
    /// Length of the cut on the head, mm.
    pub head_mm: f64,
    /// Leg towards which the take-up is folded.
    pub folds_towards: Hand,
    /// The same in words: `back` or `centre`.
    pub folds: String,
    /// Allowance beside the legs of an open dart, mm.
    pub allowance_mm: f64,
}

/// What a mark is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MarkKind {
    /// Ticks on the cut line, reaching towards the sew line.
    Notch,
    /// A tick across a leg that meets its twin on the other leg.
    Match,
    /// A cross: the crown.
    Crown,
    /// A word that says where on the head this is.
    Word,
}

/// A mark on the piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Mark {
    /// What it is.
    pub kind: MarkKind,
    /// What it marks: `front`, `nape`, `left ear`, `D1`, `S1`, …
    pub name: String,
    /// Where.
    #[serde(with = "crate::plane::pair")]
    #[schemars(with = "[f64; 2]")]
    pub at_mm: Point2,
    /// The point it reaches towards.
    #[serde(with = "crate::plane::pair")]
    #[schemars(with = "[f64; 2]")]
    pub towards_mm: Point2,
    /// Number of ticks.
    pub count: usize,
}

/// A line that helps to lay the piece: centre line, ear line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Guide {
    /// `centre` or `ear line`.
    pub name: String,
    /// Where it runs.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub path_mm: Vec<Point2>,
}

/// A place to leave alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClearPlace {
    /// What is there.
    pub reason: String,
    /// Its edge.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub outline_mm: Vec<Point2>,
}

/// A left-out area inside the piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OpeningMark {
    /// From 1.
    pub number: usize,
    /// Finished edge, clockwise.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub sew_line_mm: Vec<Point2>,
    /// Cut edge, clockwise; empty when the opening is too narrow to cut at all.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub cut_line_mm: Vec<Point2>,
    /// Allowance asked, mm.
    pub asked_mm: f64,
    /// Allowance that the opening has room for, mm.
    pub allowance_mm: f64,
}

/// Figures of one piece.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// Area inside the sew lines, darts and openings left out, mm².
    pub sew_area_mm2: f64,
    /// Area of material, mm².
    pub cut_area_mm2: f64,
    /// Finished perimeter on this piece: darts closed, seams left out, mm.
    pub perimeter_mm: f64,
    /// The same as flattened, mm.
    pub perimeter_flat_mm: f64,
    /// The same on the head, mm.
    pub perimeter_head_mm: f64,
    /// Edges of openings, mm.
    pub openings_mm: f64,
    /// Sides of seams, mm.
    pub seams_mm: f64,
    /// Darts to sew, one leg each, mm.
    pub darts_mm: f64,
    /// Greatest difference between the legs of one dart, mm.
    pub leg_mismatch_mm: f64,
    /// Greatest distance between a line and its flattened edge as trued, mm.
    pub fit_error_mm: f64,
    /// How far truing moved an end of a leg or seam, so that what is sewn together has one length, mm.
    #[serde(default)]
    pub trued_by_mm: f64,
    /// Points of the flattened edges.
    pub points_flat: usize,
    /// Cubics that took their place.
    pub cubics: usize,
    /// Least width of the margin less the width asked, tapers left out, mm.
    pub margin_least_mm: f64,
    /// Greatest width of the margin less the width asked, pointed corners and tapers left out, mm.
    pub margin_most_mm: f64,
    /// Places where the cut line crosses itself.
    pub cut_crossings: usize,
    /// Places where the sew line crosses itself.
    pub sew_crossings: usize,
    /// Material needed across the grain, mm.
    pub across_grain_mm: f64,
    /// Material needed along the grain, mm.
    pub along_grain_mm: f64,
}

/// One flat part with sew line, cut line, allowances and marks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Piece {
    /// `A`, `B`, …; the largest first.
    pub id: String,
    /// Where on the head it is.
    pub name: String,
    /// From 1.
    pub number: usize,
    /// Number of pieces.
    pub of: usize,
    /// Client number.
    pub client: String,
    /// Material's name.
    pub material: String,
    /// Date as the fitting gives it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Lay of the material.
    pub grain: Grain,
    /// Outer sew line, counter-clockwise: across the mouths of folded darts, along the legs of open ones.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub sew_line_mm: Vec<Point2>,
    /// Outer cut line, counter-clockwise.
    #[serde(with = "crate::plane::pair::list")]
    #[schemars(with = "Vec<[f64; 2]>")]
    pub cut_line_mm: Vec<Point2>,
    /// Left-out areas.
    pub openings: Vec<OpeningMark>,
    /// Typed stretches of the sew lines, in order round each ring.
    pub stretches: Vec<Stretch>,
    /// Darts of this piece.
    pub darts: Vec<DartMark>,
    /// Notches and other marks.
    pub marks: Vec<Mark>,
    /// Centre and ear lines.
    pub guides: Vec<Guide>,
    /// Places to leave alone.
    pub keep_clear: Vec<ClearPlace>,
    /// Figures.
    pub measured: Measured,
}

/// A piece with nothing on it.
#[cfg(test)]
pub(crate) fn blank() -> Piece {
    Piece {
        id: "A".into(),
        name: "base".into(),
        number: 1,
        of: 1,
        client: "0000".into(),
        material: "light lace".into(),
        date: None,
        grain: Grain::FrontBack,
        sew_line_mm: Vec::new(),
        cut_line_mm: Vec::new(),
        openings: Vec::new(),
        stretches: Vec::new(),
        darts: Vec::new(),
        marks: Vec::new(),
        guides: Vec::new(),
        keep_clear: Vec::new(),
        measured: Measured::default(),
    }
}

/// Why a piece can't be drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PieceError {
    /// Panels and maps don't belong together.
    #[error("{panels} panels came with {maps} flat maps; each panel needs its own")]
    Unmatched {
        /// Number of panels.
        panels: usize,
        /// Number of maps.
        maps: usize,
    },
    /// A map has another number of vertices than its panel.
    #[error("panel {panel} has {vertices} vertices and its flat map {placed}")]
    Unplaced {
        /// The panel.
        panel: usize,
        /// Its vertices.
        vertices: usize,
        /// Vertices the map places.
        placed: usize,
    },
    /// A boundary has no edges, or kinds are missing.
    #[error("boundary {ring} of panel {panel} has {vertices} vertices and {kinds} kinds of edge")]
    BadLoop {
        /// The panel.
        panel: usize,
        /// The boundary.
        ring: usize,
        /// Its vertices.
        vertices: usize,
        /// Its kinds.
        kinds: usize,
    },
    /// A dart's legs don't meet.
    #[error("dart D{} has {legs} legs in panel {panel}; it needs two that meet in its point", dart + 1)]
    Legs {
        /// The dart, from 0.
        dart: usize,
        /// The panel.
        panel: usize,
        /// Legs found.
        legs: usize,
    },
    /// Nothing is left after the margin was put on.
    #[error("panel {panel} has no area in the plane; the flat map has collapsed")]
    Collapsed {
        /// The panel.
        panel: usize,
    },
}
