//! From triangles as read to one shell that can be trusted.
//!
//! In: a [`RawScan`] in the file's unit. Out: a [`CleanMesh`] in millimetres and a [`MendReport`] that names every act
//! with count and place; or [`MendError`] with the place, where mending would be guessing.
//!
//! In this order:
//! 1. weld vertices that lie in one place, drop faces that lose a corner or are there twice;
//! 2. pair faces along edges; at an edge with more than two, the pair that runs on most smoothly stays;
//! 3. turn all faces one way, part the shells, keep the head's, turn it outward;
//! 4. settle the unit from the girth;
//! 5. part vertices at which two fans touch;
//! 6. fill small holes along the surface's curvature, leave the rim and large ones open;
//! 7. collapse needles and flip caps within [`SHAPE_KEPT_MM`].
//!
//! Paint goes with vertices and faces all the way. Cost: linear in the triangles but for small sorts;
//! a million triangles take some tenths of a second. It does not smooth, remesh or invent surface beyond small holes.

mod draft;
mod edges;
mod fans;
mod holes;
mod shell;
mod slivers;
mod weld;

use crate::{
    Point3, Vector3,
    scan::{RawScan, ScanUnits, Settled, UnitError, settle_units},
};

use super::{CleanMesh, MeshError};
use draft::Draft;

pub(super) use edges::EdgeTable;

/// A hole whose rim is longer than this is not filled, mm: about a thumb's width across. Longer ones
/// are the open side of a mold or a part that was not scanned, and nobody should guess at those.
pub const HOLE_FILLED_MM: f64 = 60.0;

/// Taking slivers out moves the surface by no more than this, mm: a tenth of what a hand cuts to.
pub const SHAPE_KEPT_MM: f64 = 0.05;

/// What mending may assume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MendOptions {
    /// The scan's unit.
    pub units: ScanUnits,
    /// The head's axis towards its top in the scan's axes, when landmarks tell it.
    pub up: Option<Vector3>,
    /// Longest rim of a hole that is filled, mm.
    pub hole_filled_mm: f64,
}

impl Default for MendOptions {
    fn default() -> Self {
        Self {
            units: ScanUnits::Auto,
            up: None,
            hole_filled_mm: HOLE_FILLED_MM,
        }
    }
}

/// A kind of act, the ones a person should know of first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mend {
    /// Holes too large to fill stay open.
    HoleLeft,
    /// A large flat part under or beside the head was taken away.
    Table,
    /// Holes were filled.
    HoleFilled,
    /// Faces that met others along an edge in threes or more were cut off.
    CrowdedEdge,
    /// Faces with no consistent outside were cut apart.
    TwistedEdge,
    /// Small parts apart from the head were dropped.
    Crumb,
    /// Parts that touched in one point only were parted.
    TouchingPoint,
    /// The whole shell was inside out.
    InsideOut,
    /// Faces looked the other way than their neighbours.
    Turned,
    /// Faces that were there twice.
    Duplicate,
    /// Faces without extent.
    Degenerate,
    /// Needle-like faces were collapsed or flat ones re-cut.
    Sliver,
    /// Vertices in one place became one.
    Welded,
}

impl Mend {
    fn words(self) -> &'static str {
        match self {
            Self::HoleLeft => "holes too large to fill were left open, the longest",
            Self::Table => "triangles of a table or other flat part were dropped",
            Self::HoleFilled => "holes were filled, the longest",
            Self::CrowdedEdge => "triangles that met others in threes along an edge were cut off",
            Self::TwistedEdge => "edges across which no outside could be told were cut",
            Self::Crumb => "triangles of parts apart from the head were dropped, the largest part",
            Self::TouchingPoint => "points where parts only touched were parted",
            Self::InsideOut => "triangles, all there are, faced inward and were turned",
            Self::Turned => "triangles faced another way than their neighbours and were turned",
            Self::Duplicate => "triangles were there twice",
            Self::Degenerate => "triangles had no extent",
            Self::Sliver => "slivers were taken out",
            Self::Welded => "vertices lay in one place with another and were joined",
        }
    }
}

/// Something that was done to the scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MendAct {
    /// What.
    pub what: Mend,
    /// How often; vertices, faces, edges or holes as the kind says.
    pub count: usize,
    /// Where the first or largest was, in the scan's own unit and axes.
    pub place: Point3,
}

impl std::fmt::Display for MendAct {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (count, words, p) = (self.count, self.what.words(), self.place);
        write!(
            f,
            "{count} {words} near ({:.4}, {:.4}, {:.4})",
            p.x, p.y, p.z
        )
    }
}

/// What was done, most important first.
#[derive(Debug, Clone, PartialEq)]
pub struct MendReport {
    /// Acts, one of a kind.
    pub acts: Vec<MendAct>,
    /// The scan's unit and girth.
    pub settled: Settled,
}

impl MendReport {
    /// The act of a kind, if there was one.
    #[must_use]
    pub fn act(&self, what: Mend) -> Option<&MendAct> {
        self.acts.iter().find(|act| act.what == what)
    }
}

/// Why a scan can't be mended safely. Places are in the scan's own unit and axes.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MendError {
    /// Only crumbs, flat parts or faces without extent.
    #[error(
        "the scan has no surface of a head: nothing is left of {triangles} triangles but flat or empty parts"
    )]
    NothingLeft {
        /// Triangles there were.
        triangles: usize,
    },
    /// Which of several shells is the head can't be told.
    #[error(
        "the scan has two large parts that do not hang together, {:.0} % and {:.0} % of its surface, the second near ({:.4}, {:.4}, {:.4}); delete what is not the head, or join them, and export again",
        100.0 * shares[0], 100.0 * shares[1], place.x, place.y, place.z
    )]
    TwoShells {
        /// Their shares of the whole surface.
        shares: [f64; 2],
        /// A point on the second.
        place: Point3,
    },
    /// The size is no head's.
    #[error(transparent)]
    Units(#[from] UnitError),
    /// Faces are joined in a way that is no surface.
    #[error("the scan can't be made one surface: {fault}; repair it there and export again")]
    Tangled {
        /// What is left wrong, in millimetres.
        fault: MeshError,
    },
}

/// Welds, orients, keeps the head's shell, settles the unit, fills small holes and takes out slivers.
///
/// # Errors
/// [`MendError`] when no head is found, when two shells could be it, when the size is no head's, or when
/// faces are tangled beyond repair.
///
/// # Example
/// A tetrahedron of head size, one face turned over and all vertices stored per face:
/// ```
/// use flatten::{Point3, mesh::{mend, Mend, MendOptions}, scan::RawScan};
/// let corner = [(0., 0., 0.), (150., 0., 0.), (0., 150., 0.), (0., 0., 150.)];
/// let mut raw = RawScan::default();
/// for face in [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 2, 3]] {
///     let first = raw.positions.len() as u32;
///     raw.positions.extend(face.map(|k: usize| Point3::new(corner[k].0, corner[k].1, corner[k].2)));
///     raw.faces.push([first, first + 1, first + 2]);
/// }
/// let (clean, report) = mend(raw, &MendOptions::default()).unwrap();
/// assert_eq!(clean.mesh.vertex_count(), 4);
/// assert_eq!(clean.mesh.euler_characteristic(), 2);
/// assert_eq!(report.act(Mend::Turned).unwrap().count, 1);
/// ```
pub fn mend(raw: RawScan, options: &MendOptions) -> Result<(CleanMesh, MendReport), MendError> {
    let triangles = raw.faces.len();
    let mut draft = Draft::new(raw);
    weld::weld(&mut draft);
    let twins = shell::keep_one(&mut draft, triangles)?;
    let settled = settle_units(&draft.positions, &draft.faces, options.units, options.up)?;
    draft.scale_to_millimetres(settled.mm_per_unit);
    fans::part(&mut draft, twins)?;
    let mesh = holes::fill(&mut draft, options.hole_filled_mm)?;
    let mesh = slivers::take_out(&mut draft, mesh)?;
    let (paint, acts) = draft.finish();
    Ok((CleanMesh { mesh, paint }, MendReport { acts, settled }))
}

#[cfg(test)]
mod tests;
