//! The automatic layout: fewest darts, best placed.
//!
//! In: a patch, a material, the rules of the craft. Out: a layout and what it reaches.
//!
//! # Method
//! A layout of mirror pairs is a handful of numbers ([`genes`]). For each number of
//! darts a search that asks a model first ([`surrogate`]) moves them, starting from layouts that
//! long searches found good on average heads ([`starts`]); every candidate is really cut
//! and laid flat, on a coarse copy of the patch, with a margin beyond the rules. The best few that keep them
//! on the patch itself are judged on a finer copy, and what that shows beyond the coarse one ([`unseen`]) counts when
//! the darts are moved about again. The best is taken. The cost is the 95th percentile of strain until the limit is met, from there on
//! the length to be sewn, plus what breaks a rule. The first number of darts that meets the limit, with
//! darts that open from their points on and the tapes over the sewn base kept, wins, or a greater one that also does
//! and has no dart over 20 mm wide where the first has.
//! The curve of strain against length that comes with it is the yardstick of Sharp & Crane 2018,
//! Variational surface cutting, ACM TOG 37(4).

mod candidates;
mod choice;
mod evolve;
mod genes;
mod lookout;
mod scout;
mod starts;
mod surrogate;
mod unseen;

use crate::{Point3, job::Material, patch::Patch};

use super::{DartError, Layout, Near, Rules};

use self::{choice::Search, lookout::Copies};

/// What the automatic layout may do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SearchOptions {
    /// Fewest darts that are tried beside none.
    pub fewest: usize,
    /// Most darts.
    pub most: usize,
    /// Greatest relative difference between the finished perimeter and the head's.
    pub perimeter_limit: f64,
    /// Distances to keep.
    pub rules: Rules,
    /// Most rounds of moving the darts of a number about before they are judged; more is slower and better.
    pub rounds: usize,
    /// Layouts that are tried in a round.
    pub batch: usize,
    /// First deviation of the moves, in fractions of the range of mouths, leans and depths.
    pub width: f64,
    /// Starts grown from nothing beside the known ones; for finding those, none are needed on a head.
    pub restarts: usize,
}

impl Default for SearchOptions {
    fn default() -> Self {
        Self {
            fewest: 1,
            most: 8,
            perimeter_limit: 0.005,
            rules: Rules::default(),
            rounds: 16,
            batch: 4,
            width: 0.03,
            restarts: 0,
        }
    }
}

/// What one layout reaches, as far as the search looks.
#[derive(Debug, Clone, PartialEq)]
pub struct Reach {
    /// The layout.
    pub layout: Layout,
    /// Mouth, lean and depth of each mirror pair as the search counts them: mouth 0 at the front
    /// landmark, ½ at the ear, 1 at the nape; lean in radians, + to the front; depth in
    /// front-to-nape arcs. Empty for layouts that did not come from the search.
    pub genes: Vec<[f64; 3]>,
    /// 95th percentile of strain.
    pub p95: f64,
    /// Relative difference of the finished perimeter.
    pub perimeter_error: f64,
    /// Length of all darts, mm.
    pub length_mm: f64,
    /// Width between the legs of each dart at its mouth, mm.
    pub take_up_mm: Vec<f64>,
}

impl Reach {
    fn count(&self) -> usize {
        self.layout.darts.len()
    }
}

/// The layout that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The layout and what it reaches on the coarse copy.
    pub best: Reach,
    /// Whether it meets the material's limit and the perimeter's there.
    pub met: bool,
    /// Best of each number of darts looked at, fewest first: strain against length.
    pub curve: Vec<Reach>,
    /// How far the head is from its mirror image at the perimeter, mm.
    pub uneven_mm: f64,
    /// Layouts cut and laid flat.
    pub tried: usize,
    /// Most darts that were allowed.
    pub most: usize,
    /// Rules that the best layout keeps by no more than 3 mm where the limit was not met: what it might
    /// have had more room from.
    pub held_back_by: Vec<Near>,
}

/// Finds the layout with the fewest darts that meets the material's limit, or the best there is.
///
/// Deterministic: the same patch gives the same layout with any number of threads.
///
/// # Errors
/// [`DartError`] when not even the patch without darts can be cut.
pub fn search(
    patch: &Patch,
    material: &Material,
    options: &SearchOptions,
) -> Result<Found, DartError> {
    let mut found = search_each(patch, material, &[], options, &[options.most])?;
    Ok(found.remove(0))
}

/// The same for several greatest numbers of darts, `most`, for little more than the time of one; the options' is
/// not looked at.
///
/// `tapes` are lines on the head that a maker lays over the sewn base too: a layout on which they can't be
/// brought to their length within the material's limit, or with a dart whose legs close over one another towards its
/// point, is taken only where no other meets that limit.
///
/// # Errors
/// As [`search`].
pub fn search_each(
    patch: &Patch,
    material: &Material,
    tapes: &[Vec<Point3>],
    options: &SearchOptions,
    most: &[usize],
) -> Result<Vec<Found>, DartError> {
    let copies = Copies::new(patch);
    let mut search = Search::new(&copies, material, tapes, *options);
    most.iter().map(|&most| search.run(most)).collect()
}
