//! What the base covers: perimeter and openings cut exactly from the mold.

mod align;
mod coarse;
mod curve;
mod cut;
mod edge;
mod error;
mod head;
mod mirror;
mod offset;

pub use align::align;
pub use coarse::Coarsener;
pub(crate) use curve::smooth_through;
pub use curve::{CORNER_RAD, SMOOTH_GAP_MM};
pub use edge::{Edge, EdgePlace};
pub use error::{Drawn, PatchError};
pub(crate) use head::top;

use crate::{Point3, Vector3, mesh::TriMesh};

/// Points farther off the mold than this are refused, mm.
pub const REACH_MM: f64 = 10.0;

/// Where the head is in the scan's coordinates: landmarks and the axes they fix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Head {
    /// Centre of the front hairline.
    pub front: Point3,
    /// Centre of the nape hairline.
    pub nape: Point3,
    /// Where the scalp meets the top of the client's left ear.
    pub left_ear: Point3,
    /// Where the scalp meets the top of the client's right ear.
    pub right_ear: Point3,
    /// Top of the head.
    pub crown: Point3,
    /// Unit vector to the client's right.
    pub right: Vector3,
    /// Unit vector to the front.
    pub forward: Vector3,
    /// Unit vector up the head.
    pub up: Vector3,
}

/// Stretch of the perimeter, by the landmark it belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Zone {
    /// The front hairline, temple to temple.
    Front,
    /// Temple, ear and behind the ear on the client's left.
    Left,
    /// The nape hairline, corner to corner.
    Nape,
    /// Temple, ear and behind the ear on the client's right.
    Right,
}

/// Lines drawn on the mold, as points on or near its surface.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outline {
    /// Perimeter in order round the head, either way.
    pub perimeter: Vec<Point3>,
    /// Openings, each in order round it.
    pub openings: Vec<Vec<Point3>>,
}

/// A disc on the surface in which nothing is cut or sewn.
#[derive(Debug, Clone, PartialEq)]
pub struct KeepClear {
    /// Centre on the surface.
    pub centre: Point3,
    /// Radius along the surface, mm.
    pub radius_mm: f64,
    /// What is there, in the maker's words.
    pub reason: String,
}

/// The part of the mold that the base covers: one connected surface, its perimeter and openings
/// running along mesh edges.
#[derive(Debug, Clone)]
pub struct Patch {
    /// The surface; every vertex is used.
    pub mesh: TriMesh,
    /// Perimeter vertices with the surface on the left, starting at the one nearest the front landmark.
    pub perimeter: Vec<u32>,
    /// Loops of the openings that don't reach the perimeter, the surface on the left, each starting at
    /// the vertex nearest the front landmark.
    pub openings: Vec<Vec<u32>>,
    /// Zone of the perimeter edge that leaves each perimeter vertex, parallel to `perimeter`.
    pub zones: Vec<Zone>,
    /// Landmarks and axes.
    pub head: Head,
    /// Places to leave alone.
    pub keep_clear: Vec<KeepClear>,
    /// Which of the maker's openings the edges belong to.
    pub numbers: OpeningNumbers,
    /// Face of the mold that each face lies in; empty for a patch that was not cut from one.
    pub face_source: Vec<u32>,
}

/// The maker's numbers of openings, counted from 0. The default is: none reaches the perimeter, and
/// the loops are all openings in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OpeningNumbers {
    /// For each perimeter edge, the opening it runs round (an opening that reaches the perimeter).
    pub along_perimeter: Vec<Option<usize>>,
    /// For each loop of [`Patch::openings`], the opening it is.
    pub of_loops: Vec<usize>,
}
