//! From a head surface to flat cutting patterns.
//!
//! | stage | module | what comes out |
//! |---|---|---|
//! | triangles as read | [`scan`] | [`scan::RawScan`] |
//! | welded, oriented, one shell, checked | [`mesh`] | [`mesh::CleanMesh`] |
//! | perimeter and openings cut exactly | [`patch`] | [`patch::Patch`] |
//! | laid in the plane, strain known | [`flat`] | [`flat::FlatMap`] |
//! | where strain is let out | [`dart`] | [`dart::Layout`], [`dart::CutPatch`] |
//! | sew line, cut line, marks | [`piece`] | pieces |
//! | true-scale pages | [`sheet`] | [`sheet::Drawing`] |
//!
//! Beside the way: [`tape`] (readings on the surface), [`trace`] (pen line from colour), [`form`] (a
//! head from readings alone). Under it: [`plane`] (2D geometry), [`solve`] (sparse systems), [`units`].
//!
//! Inside the crate lengths are millimetres and angles radians. Head axes are RAS: x to the client's
//! right, y to the front, z up. The plane of a flat map has the outside (hair side) facing the reader.

pub mod scan;

pub mod mesh;

pub mod patch;

pub mod flat;

pub mod dart;

pub mod piece;

pub mod sheet;

pub mod tape;

pub mod trace;

pub mod form;

pub mod plane;

pub mod solve;

pub mod units;

pub mod job;

pub mod draft;

/// A point in space, millimetres.
pub type Point3 = nalgebra::Point3<f64>;
/// A displacement in space, millimetres.
pub type Vector3 = nalgebra::Vector3<f64>;
/// A point in the plane, millimetres.
pub type Point2 = nalgebra::Point2<f64>;
/// A displacement in the plane, millimetres.
pub type Vector2 = nalgebra::Vector2<f64>;
