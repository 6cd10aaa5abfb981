//! The automatic layout: fewest darts, best placed.
//!
//! In: a patch, a material, the rules of the craft. Out: a layout and what it reaches.
//!
//! # Method
//! A layout of mirror pairs is a handful of numbers ([`genes`]). For each number of
//! darts a covariance-matrix search ([`evolve`]) moves them, starting from layouts that
//! long searches found good on average heads ([`starts`]); every candidate is really cut
//! and laid flat, on a coarse copy of the patch, with a margin beyond the rules. The best that keeps them
//! on the patch itself is taken. The cost is the 95th percentile of strain until the limit is met, from there on
//! the length to be sewn, plus what breaks a rule. The first number of darts that meets the limit wins, or a
//! greater one that also does and has no dart over 20 mm wide where the first has.
//! The curve of strain against length that comes with it is the yardstick of Sharp & Crane 2018,
//! Variational surface cutting, ACM TOG 37(4).

mod candidates;
mod evolve;
mod genes;
mod scout;
mod starts;

use rayon::prelude::*;

use crate::{
    job::Material,
    patch::{Coarsener, Patch},
};

use super::{DartError, Layout, Near, Rules};

use self::{
    candidates::Candidate,
    scout::{AIM, BREACH, LIES_ON_ITSELF, Scout},
};

/// Side of the coarse copy's triangles, mm: a few hundred vertices on a full base. What is chosen is judged on a finer copy.
const COARSE_STEP_MM: f64 = 13.0;

/// The same for a second look, where a limit was missed: what one copy can't see another may.
const PATIENT_STEP_MM: f64 = 9.0;

/// Side of the triangles that the result of a search is judged on, mm.
const JUDGED_STEP_MM: f64 = 4.5;

/// A number of darts is searched when its best start is under this many limits: moving a good start about
/// seldom takes off a third of its strain.
const HOPEFUL: f64 = 1.4;

/// A number of darts is looked at once more when it came to under this many limits.
const NEAR: f64 = 2.0;

/// A number of darts that missed the limit by no more than this is looked at once more, on another coarse copy, where
/// a greater one met it: which of two copies shows a way in is luck.
const MISSED: f64 = 1.15;

/// Part of the limit within which it is then taken: so near the limit that cloth has no room left to bring the tapes
/// of the sewn base to the head's, one dart less is no gain.
const ROOM: f64 = 0.94;

/// Candidates of each promising number of darts that are judged on a finer copy.
const JUDGED: usize = 3;

/// Distance kept beyond the rules on the coarse copy, mm, so that they hold on the patch itself.
const MARGIN_MM: f64 = 1.5;

/// 95th percentile of strain that each further dart must take off where the limit stays out of reach.
const DART_PRICE: f64 = 0.0005;

/// Take-up above which makers rather sew two darts, mm (common practice, no source).
const WIDE_MM: f64 = 20.0;

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
    /// Generations a number of darts is searched for; more is slower and better.
    pub generations: usize,
    /// Candidates a generation.
    pub population: usize,
    /// First step of the search, in fractions of the range of mouths, leans and depths.
    pub step: f64,
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
            generations: 8,
            population: 8,
            step: 0.1,
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
    let copies = Coarsener::new(patch);
    let coarse = copies.copy(COARSE_STEP_MM);
    let scout = Scout::new(
        coarse.as_ref().unwrap_or(patch),
        material,
        SearchOptions {
            rules: options.rules.widened(MARGIN_MM),
            ..*options
        },
    );
    let plain = scout.reach(&Layout {
        name: "no darts".to_owned(),
        ..Layout::default()
    })?;
    let found = Found {
        met: scout.meets(&plain),
        curve: vec![plain.clone()],
        best: plain,
        uneven_mm: patch.unevenness_mm(),
        tried: 1,
        most: options.most,
        held_back_by: Vec::new(),
    };
    if found.met || options.most == 0 {
        return Ok(found);
    }
    let copy = copies.copy(JUDGED_STEP_MM);
    let mut search = Search {
        finer: Scout::new(copy.as_ref().unwrap_or(patch), material, *options),
        real: Scout::new(patch, material, *options),
        found,
    };
    search.pass(&scout);
    let fewer = search.fewer_that_came_near(material);
    if !(search.found.met && fewer.is_empty()) {
        let finer = copies.copy(PATIENT_STEP_MM);
        let again = Scout::new(finer.as_ref().unwrap_or(patch), material, scout.options);
        if search.found.met {
            search.try_fewer(&again, &fewer);
        } else {
            let nothing = search.found.best.count() == 0;
            search.pass(&if nothing { again.patient() } else { again });
        }
    }
    let (mut found, real) = (search.found, search.real);
    found.curve.sort_by_key(Reach::count);
    if !found.met {
        found.held_back_by = real.held_back_by(&found.best.layout);
    }
    Ok(found)
}

/// What was found so far, and the copies it is judged on.
struct Search<'a> {
    finer: Scout<'a>,
    real: Scout<'a>,
    found: Found,
}

impl Search<'_> {
    /// Looks at all numbers of darts, fewest first, on one coarse copy: after the first time, at those that came
    /// near the limit, and at the greatest.
    fn pass(&mut self, scout: &Scout<'_>) {
        let most = scout.options.most;
        let far = |count: usize| {
            let curve = &self.found.curve;
            let earlier = curve.iter().find(|r| r.count() == count);
            earlier.is_some_and(|r| r.p95 > NEAR * scout.material.limit)
        };
        let counts: Vec<usize> = (scout.options.fewest..=most)
            .filter(|&count| count == most || !far(count))
            .collect();
        let starts: Vec<Vec<Candidate>> = counts
            .into_iter()
            .map(|count| scout.starts(count, &mut self.found.tried))
            .collect();
        let last = starts.iter().rposition(|s| !s.is_empty());
        for (k, candidates) in starts.into_iter().enumerate() {
            let Some(first) = candidates.first() else {
                continue;
            };
            // A start that breaks a rule may do so by little, and is often all that an odd head leaves.
            let hopeful = first.cost < (HOPEFUL - AIM) * scout.material.limit
                || (BREACH..LIES_ON_ITSELF).contains(&first.cost);
            let promising = !self.found.met && (hopeful || Some(k) == last);
            self.look(scout, candidates, promising);
        }
    }

    /// Numbers of darts below the one found that missed the limit by little, fewest first.
    fn fewer_that_came_near(&self, material: &Material) -> Vec<usize> {
        let most = self.found.best.count();
        let near = |r: &&Reach| r.count() < most && r.p95 <= MISSED * material.limit;
        let mut counts: Vec<usize> = self
            .found
            .curve
            .iter()
            .filter(near)
            .map(Reach::count)
            .collect();
        counts.sort_unstable();
        counts
    }

    /// Looks once more at fewer darts than were found, until some are taken.
    fn try_fewer(&mut self, scout: &Scout<'_>, counts: &[usize]) {
        let most = self.found.best.count();
        for &count in counts {
            let candidates = scout.starts(count, &mut self.found.tried);
            if !candidates.is_empty() {
                self.look(scout, candidates, true);
            }
            if self.found.best.count() < most {
                return;
            }
        }
    }

    /// Looks at one number of darts, and takes the best of it where that is better than what was found before;
    /// moves the darts about first where it is promising.
    fn look(&mut self, scout: &Scout<'_>, mut candidates: Vec<Candidate>, promising: bool) {
        let Self { finer, real, found } = self;
        if promising {
            scout.improve(&mut candidates, found.uneven_mm, &mut found.tried);
        }
        // What the coarse copy lets pass may come too near an edge on the patch itself, and a long cut may
        // be seen otherwise by a finer mesh: of the best few that hold there, the best there counts. The rest
        // is for the curve, and told as the coarse copy sees it.
        let (judge, judged) = if promising {
            (&*finer, JUDGED)
        } else {
            (scout, 1)
        };
        let holds = |c: &&Candidate| finer.keeps_rules(&c.layout) && real.keeps_rules(&c.layout);
        let held: Vec<&Candidate> = candidates.iter().filter(holds).take(judged).collect();
        found.tried += held.len();
        let mut reached: Vec<Reach> = held
            .into_par_iter()
            .filter_map(|c| judge.reach_of(c).ok())
            .collect();
        reached.sort_by(|a, b| judge.price(a).total_cmp(&judge.price(b)));
        let better = |reach: &Reach| {
            if found.met {
                // With promise, once the limit is met, only smaller numbers are looked at.
                let room = ROOM * judge.material.limit;
                let fewer = promising && reach.count() < found.best.count();
                judge.meets(reach)
                    && if fewer {
                        reach.p95 <= room && !splits(&found.best, reach)
                    } else {
                        splits(reach, &found.best)
                    }
            } else {
                judge.meets(reach) || pays(reach, &found.best)
            }
        };
        // Cutting the patch itself takes long on a fine scan, so only what may be chosen is cut.
        let sound = |reach: &Reach| !better(reach) || real.can_cut(&reach.layout);
        let Some(reach) = reached.into_iter().find(sound) else {
            return;
        };
        if better(&reach) {
            found.met = judge.meets(&reach);
            found.best = reach.clone();
        }
        let same = |r: &Reach| r.count() == reach.count();
        match found.curve.iter_mut().find(|r| same(r)) {
            Some(other) if judge.price(&reach) < judge.price(other) => *other = reach,
            Some(_) => {}
            None => found.curve.push(reach),
        }
    }
}

/// Whether a layout takes off enough strain for the darts it has more.
fn pays(reach: &Reach, than: &Reach) -> bool {
    let more = reach.count() as f64 - than.count() as f64;
    reach.p95 + DART_PRICE * more.max(0.0) < than.p95
}

/// Whether a layout has no wide dart where the other one has.
fn splits(reach: &Reach, than: &Reach) -> bool {
    let wide = |r: &Reach| r.take_up_mm.iter().any(|&mm| mm > WIDE_MM);
    wide(than) && !wide(reach)
}
