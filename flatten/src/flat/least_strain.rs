//! The flat map of least strain.
//!
//! In: a surface and a first map of it, usually the conformal one. Out: the map whose strain costs
//! the material least, without a flipped triangle, or the best one found and the reason it is not it.
//!
//! | start | what is done |
//! |---|---|
//! | free of flips | descent ([`super::descent`]) |
//! | with flips or windings | replaced by a convex-combination map ([`super::tutte`]), opened up by the symmetric Dirichlet energy, then descent |
//! | ends on itself although the start had no flips | once more from the convex-combination map, whose boundary is a circle |

use crate::mesh::TriMesh;

use super::{
    Energy, FlatError, FlatMap, FlatReport, coarse,
    descent::{Descent, Limits},
    overlap, tutte,
};

/// Most steps by default. Twenty are usual; a start far from the goal takes a hundred.
pub const MOST_STEPS: usize = 300;
/// Stopping rule by default: the next step would change strain by less than a hundred-thousandth.
pub const TOLERANCE: f64 = 1e-5;
/// Part of the tolerance to which a map from a circle is laid on once it has met it: such surfaces are nearly
/// closed, their tongues swing at next to no cost, and two descents of one base that both had met the
/// tolerance lay 9 mm from one another.
const ON_FROM_CIRCLE: f64 = 0.05;
/// Steps that open a convex-combination map up before the material's own energy takes over.
const OPENING_STEPS: usize = 60;

/// Edges whose length is to be kept as it is on the head, and how much that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptEdges {
    /// Edges of the mesh as vertex pairs. What is kept is the length of runs of them about as long as a
    /// triangle's side, as far as one edge begins where the one before it ends.
    pub edges: Vec<(u32, u32)>,
    /// Weight of the length-weighted mean square of their errors against the area-weighted mean of
    /// the surface's: 1 makes an error all along the edges as dear as the same strain all over.
    pub weight: f64,
    /// Error at which an edge's resistance has doubled, if it stiffens: so that it holds its own
    /// against a material that stiffens too.
    pub within: Option<f64>,
}

/// Pairs of edges that are sewn to one another and are to be of one length.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MatchedEdges {
    /// The two edges of each pair, which have one length on the head; joined to runs as in [`KeptEdges`]
    /// where the first ones run on and the second ones back.
    pub pairs: Vec<[(u32, u32); 2]>,
    /// Weight of the length-weighted mean square of their differences, as in [`KeptEdges`].
    pub weight: f64,
}

/// A point of a triangle: its three vertices and their weights.
pub type OnFace = [(u32, f64); 3];

/// A line across triangles whose length is to be kept as it is on the head: where a tape is laid.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptLine {
    /// Points of the line, no nearer to one another than cloth can be pushed aside between them.
    pub points: Vec<OnFace>,
    /// For how much of its length each straight piece between two points counts: less towards the line's ends, so
    /// that what pulls there is no single point.
    pub shares: Vec<f64>,
    /// What the pieces' lengths, for as much as they count, are to add up to, mm.
    pub length_mm: f64,
    /// Weight against the surface's mean energy, as the weight of [`KeptEdges`] by this line's part of all.
    pub weight: f64,
}

/// What least strain means and how long to look for it.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastStrainOptions {
    /// How the material resists.
    pub energy: Energy,
    /// Edges whose length is to be kept.
    pub kept: Vec<KeptEdges>,
    /// Edges that are to be as long as their partners: the legs of darts, the two sides of seams.
    pub matched: Vec<MatchedEdges>,
    /// Lines across the surface that are to keep their length.
    pub lines: Vec<KeptLine>,
    /// Most steps of the descent.
    pub most_steps: usize,
    /// Stop when a next step would change strain by less, root mean square over the area.
    pub tolerance: f64,
    /// Whether an end on itself is taken apart, and that or a start with flips tried once more from a
    /// convex-combination map. Many times as long, and in vain more often than not.
    pub rescue: bool,
}

impl Default for LeastStrainOptions {
    fn default() -> Self {
        Self {
            energy: Energy::Equal,
            kept: Vec::new(),
            matched: Vec::new(),
            lines: Vec::new(),
            most_steps: MOST_STEPS,
            tolerance: TOLERANCE,
            rescue: true,
        }
    }
}

/// Moves a flat map to where its strain costs least.
///
/// Lengths are millimetres on both sides; the start's place, turn and size do not matter. In the
/// report, `energy` is the area mean of the density with the kept edges' share. A map that did not
/// converge, or that still lies on itself, is returned with its report saying so.
///
/// # Errors
/// [`FlatError::Solve`] when the surface's equations can't be solved.
pub fn least_strain(
    mesh: &TriMesh,
    start: FlatMap,
    options: &LeastStrainOptions,
) -> Result<FlatMap, FlatError> {
    let mut descent = Descent::new(mesh, options)?;
    let limits = Limits::of(options);
    let folds = overlap::folds(mesh, &start.uv).len();
    if folds > 0 && !options.rescue {
        let report = FlatReport {
            flipped: folds,
            ..start.report
        };
        return Ok(FlatMap { report, ..start });
    }
    if folds == 0 {
        let nearer = coarse::nearer(mesh, &start.uv, options);
        let map = match &nearer {
            Some(nearer) => descent.onward(nearer, &limits),
            None => descent.run(&descent.evened(&start.uv), &limits),
        };
        if map.report.overlaps == 0 || !options.rescue {
            return Ok(map);
        }
        let other = from_circle(mesh, &mut descent, options, &limits)?;
        return Ok(if other.report.overlaps == 0 {
            other
        } else {
            map
        });
    }
    from_circle(mesh, &mut descent, options, &limits)
}

/// Starts from a map whose outer boundary is a circle.
fn from_circle(
    mesh: &TriMesh,
    descent: &mut Descent<'_>,
    options: &LeastStrainOptions,
    limits: &Limits,
) -> Result<FlatMap, FlatError> {
    let start = tutte::onto_circle(mesh)?;
    let opening = Limits {
        steps: OPENING_STEPS.min(limits.steps),
        tolerance: 1e-2,
    };
    descent.set_energy(Energy::SymmetricDirichlet);
    let opened = descent.run(&start, &opening);
    descent.set_energy(options.energy);
    let mut map = descent.run(&opened.uv, limits);
    if map.report.converged {
        let on = Limits {
            tolerance: ON_FROM_CIRCLE * limits.tolerance,
            ..*limits
        };
        let mut further = descent.run(&map.uv, &on);
        if further.report.flipped == 0 && further.report.overlaps <= map.report.overlaps {
            further.report.steps += map.report.steps;
            // To the tolerance that was asked for it was before.
            further.report.converged = true;
            map = further;
        }
    }
    map.report.steps += opened.report.steps;
    Ok(map)
}
