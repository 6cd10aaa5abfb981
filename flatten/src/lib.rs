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
//! [`job`] gathers what one fitting asks for, [`draft`](mod@draft) goes the whole way; [`process`] sets up a
//! program for it.
//!
//! Inside the crate lengths are millimetres and angles radians. Head axes are RAS: x to the client's
//! right, y to the front, z up. The plane of a flat map has the outside (hair side) facing the reader.
//!
//! # From a head to pieces
//!
//! An invented client whose head is the average form; a partial base for the top, a dart at each side.
//!
//! ```
//! use flatten::{dart, flat, form, job::Material, patch::Patch};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let form = form::average_head();
//! let patch = Patch::cut(&form.mesh(4_000), form.head(), &form.top_piece_outline(), Vec::new())?;
//! let lace = Material { name: "lace".into(), limit: 0.03, tension: 1.0, crowding: 1.0 };
//!
//! let layout = dart::even(&patch, 2);
//! let cut = dart::cut(&patch, &layout)?;
//! let (map, strain) = flat::lay(&cut.panels[0], &lace)?;
//! assert_eq!((map.report.flipped, map.report.overlaps), (0, 0));
//!
//! let plain = dart::cut(&patch, &dart::Layout::default())?;
//! let (_, without) = flat::lay(&plain.panels[0], &lace)?;
//! assert!(strain.summary(lace.limit).p95 < without.summary(lace.limit).p95);
//! # Ok(())
//! # }
//! ```
//!
//! # What is promised
//!
//! - No triangle of a map is turned over and no edge crosses itself, or the map's report says so.
//! - What did not converge is a result with its evidence; what can't be used is an error that names the
//!   place. No scan file is known to make the crate panic.
//! - The same input gives the same bits with any number of threads, on one kind of processor.
//!
//! # What it does not do
//!
//! Cloth is a surface without thickness or bending; its resistance is a number in each direction. How a
//! lace creeps, shears or ravels is not computed.

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

pub mod process;

/// A point in space, millimetres.
pub type Point3 = nalgebra::Point3<f64>;
/// A displacement in space, millimetres.
pub type Vector3 = nalgebra::Vector3<f64>;
/// A point in the plane, millimetres.
pub type Point2 = nalgebra::Point2<f64>;
/// A displacement in the plane, millimetres.
pub type Vector2 = nalgebra::Vector2<f64>;
