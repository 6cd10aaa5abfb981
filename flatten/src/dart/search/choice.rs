//! Which layout is taken of all that are looked at, and where it pays to look.

use std::{collections::BTreeMap, rc::Rc};

use crate::{Point3, job::Material};

use super::{
    super::{DartError, Layout},
    Found, Reach, SearchOptions,
    lookout::{Copies, Judge, Judged, Lookout},
    scout::{AIM, BREACH, LIES_ON_ITSELF, Scout},
};

/// A number of darts is searched when its best start is under this many limits: in twenty-four searches on
/// eight heads none met the limit that was beyond, and a third of their time had gone to such.
const HOPEFUL: f64 = 1.33;

/// A number of darts is looked at once more when it came to under this many limits.
const NEAR: f64 = 2.0;

/// A number of darts that missed the limit by no more than this is looked at once more, on another coarse copy, where
/// a greater one met it: which of two copies shows a way in is luck. Farther off, none of five second looks found one.
const MISSED: f64 = 1.05;

/// Distance kept beyond the rules on the coarse copy, mm, so that they hold on the patch itself.
const MARGIN_MM: f64 = 1.5;

/// 95th percentile of strain that each further dart must take off where the limit stays out of reach.
const DART_PRICE: f64 = 0.0005;

/// Times as much as many narrow darts take up together, above which no layout of that many has narrow ones only.
const SPLIT_MOST: f64 = 1.5;

/// Take-up above which makers rather sew two darts, mm (common practice, no source).
const WIDE_MM: f64 = 20.0;

/// What is looked for and where, with what was looked at so far.
pub(super) struct Search<'a> {
    copies: &'a Copies<'a>,
    material: &'a Material,
    tapes: &'a [Vec<Point3>],
    options: SearchOptions,
    judge: Option<Rc<Judge<'a>>>,
    lookouts: BTreeMap<Look, Lookout<'a>>,
}

/// Which coarse copy is looked at, and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Look {
    First,
    /// The finer of them.
    Again,
    /// That one, taking its time over what lies on itself.
    Patient,
}

impl<'a> Search<'a> {
    pub(super) fn new(
        copies: &'a Copies<'a>,
        material: &'a Material,
        tapes: &'a [Vec<Point3>],
        options: SearchOptions,
    ) -> Self {
        Self {
            copies,
            material,
            tapes,
            options,
            judge: None,
            lookouts: BTreeMap::new(),
        }
    }

    /// The best layout of up to `most` darts.
    pub(super) fn run(&mut self, most: usize) -> Result<Found, DartError> {
        let plain = self
            .lookout(Look::First)
            .scout
            .reach(&Layout::without_darts())?
            .reach;
        let uneven_mm = self.copies.patch.unevenness_mm();
        let mut choice = Choice::new(plain, most, uneven_mm, &self.lookout(Look::First).scout);
        if choice.found.met || most == 0 {
            return Ok(choice.found);
        }
        self.pass(Look::First, &mut choice);
        // Where no limit was met, or none with the tapes kept, everything is looked at once more.
        if choice.found.best.count() == 0 {
            self.pass(Look::Patient, &mut choice);
        } else if self.copies.differ() {
            if choice.settled {
                self.try_fewer(&mut choice);
            } else {
                self.pass(Look::Again, &mut choice);
            }
        }
        let mut found = choice.found;
        found.curve.sort_by_key(Reach::count);
        if !found.met {
            found.held_back_by = self.judge().real.held_back_by(&found.best.layout);
        }
        Ok(found)
    }

    fn lookout(&mut self, look: Look) -> &mut Lookout<'a> {
        let Self {
            copies,
            material,
            options,
            ..
        } = *self;
        self.lookouts.entry(look).or_insert_with(|| {
            let patch = match look {
                Look::First => copies.coarse(),
                Look::Again | Look::Patient => copies.patient(),
            };
            let rules = options.rules.widened(MARGIN_MM);
            let scout = Scout::new(patch, material, SearchOptions { rules, ..options });
            Lookout::new(match look {
                Look::First | Look::Again => scout,
                Look::Patient => scout.patient(),
            })
        })
    }

    fn judge(&mut self) -> Rc<Judge<'a>> {
        let judge = self.judge.get_or_insert_with(|| {
            let scout = |patch| Scout::new(patch, self.material, self.options);
            Rc::new(Judge {
                finer: scout(self.copies.judged()),
                real: scout(self.copies.patch),
                tapes: self.tapes,
            })
        });
        Rc::clone(judge)
    }

    /// Looks at all numbers of darts, fewest first, on one coarse copy: after the first time, at those that came
    /// near the limit, and at the greatest.
    fn pass(&mut self, look: Look, choice: &mut Choice) {
        let most = choice.found.most;
        let mut last = None;
        for count in self.options.fewest..=most {
            if choice.settled && !choice.may_split() {
                return;
            }
            if count < most && choice.is_far(count, self.material.limit) {
                continue;
            }
            let Some(hopeful) = self.is_hopeful(look, count, choice) else {
                continue;
            };
            let promising = !choice.settled && (hopeful || count == most);
            self.look_at(look, count, promising, choice);
            choice.last_resort |= promising && !hopeful && choice.settled;
            last = Some((count, promising));
        }
        // Where the greatest number can't be cut at all.
        if let Some((count, false)) = last
            && !choice.settled
        {
            self.look_at(look, count, true, choice);
        }
    }

    /// Whether the best start of a number of darts is near enough to the limit; none where none can be cut.
    fn is_hopeful(&mut self, look: Look, count: usize, choice: &mut Choice) -> Option<bool> {
        let limit = self.material.limit;
        let starts = self.lookout(look).starts(count, &mut choice.found.tried);
        let cost = starts.first()?.cost;
        // A start that breaks a rule may do so by little, and is often all that an odd head leaves.
        Some(cost < (HOPEFUL - AIM) * limit || (BREACH..LIES_ON_ITSELF).contains(&cost))
    }

    /// Looks once more at numbers of darts below the one found, fewest first, until some are taken: at those that
    /// missed the limit by little or did not fit, and where only the greatest number met it, which was looked at because
    /// there is none beyond, at those that have hope on the other copy.
    fn try_fewer(&mut self, choice: &mut Choice) {
        let (most, limit) = (choice.found.best.count(), self.material.limit);
        for count in self.options.fewest..most {
            let near = |r: &Reach| r.count() == count && r.p95 <= MISSED * limit;
            let again = choice.found.curve.iter().any(near)
                || choice.last_resort
                    && !choice.is_far(count, limit)
                    && self.is_hopeful(Look::Again, count, choice) == Some(true);
            if again {
                self.look_at(Look::Again, count, true, choice);
            }
            if choice.found.best.count() < most {
                return;
            }
        }
    }

    /// Looks at one number of darts; moves the darts about first where it is promising.
    fn look_at(&mut self, look: Look, count: usize, promising: bool, choice: &mut Choice) {
        let judge = self.judge();
        let Found {
            uneven_mm, tried, ..
        } = &mut choice.found;
        let lookout = self.lookout(look);
        let judged = lookout.reached(count, promising, *uneven_mm, &judge, tried);
        choice.take(judged, &judge);
    }
}

/// What is taken so far.
struct Choice {
    found: Found,
    /// Whether the best one meets the limit and fits, so that only a smaller number could be better.
    settled: bool,
    /// Whether it was looked at without hope, for there are no more darts.
    last_resort: bool,
}

impl Choice {
    fn new(plain: Reach, most: usize, uneven_mm: f64, scout: &Scout<'_>) -> Self {
        Self {
            found: Found {
                met: scout.meets(&plain),
                curve: vec![plain.clone()],
                best: plain,
                uneven_mm,
                tried: 1,
                most,
                held_back_by: Vec::new(),
            },
            settled: false,
            last_resort: false,
        }
    }

    /// Whether a number of darts was far from the limit when it was looked at.
    fn is_far(&self, count: usize, limit: f64) -> bool {
        let seen = self.found.curve.iter().find(|r| r.count() == count);
        seen.is_some_and(|r| r.p95 > NEAR * limit)
    }

    /// Whether more darts than the best layout has could all be narrow where it has a wide one: what the darts take up
    /// together stays about the same.
    fn may_split(&self) -> bool {
        let take_up_mm = &self.found.best.take_up_mm;
        let all_mm: f64 = take_up_mm.iter().sum();
        wide(&self.found.best) && all_mm < SPLIT_MOST * WIDE_MM * self.found.most as f64
    }

    /// Takes the best of what a number of darts reaches where that is better than what was found before.
    fn take(&mut self, judged: &[Judged], judge: &Judge<'_>) {
        let meets = |j: &Judged| judge.finer.meets(&j.reach);
        let Found { best, met, .. } = &self.found;
        let better = |j: &Judged| {
            let reach = &j.reach;
            if !self.settled {
                meets(j) || !met && pays(reach, best)
            } else if reach.count() < best.count() {
                !splits(best, reach)
            } else {
                splits(reach, best)
            }
        };
        // Cutting the patch itself takes long on a fine scan, so only what may be chosen is cut.
        let sound = |j: &Judged| judge.real.can_cut(&j.reach.layout);
        let fitting = judge.first_fitting(judged.iter().filter(|&j| better(j)), sound);
        let chosen = fitting.or_else(|| {
            let mut others = judged.iter().filter(|_| !met);
            others.find(|&j| better(j) && sound(j))
        });
        let told = chosen.or_else(|| judged.iter().find(|&j| !better(j) || sound(j)));
        let Some(Judged { reach, .. }) = told else {
            return;
        };
        if let Some(chosen) = chosen {
            (self.settled, self.found.met) = (fitting.is_some(), meets(chosen));
            self.found.best = reach.clone();
        }
        let same = |r: &Reach| r.count() == reach.count();
        match self.found.curve.iter_mut().find(|r| same(r)) {
            Some(other) if judge.finer.price(reach) < judge.finer.price(other) => {
                *other = reach.clone();
            }
            Some(_) => {}
            None => self.found.curve.push(reach.clone()),
        }
    }
}

/// Whether a layout takes off enough strain for the darts it has more.
fn pays(reach: &Reach, than: &Reach) -> bool {
    let more = reach.count() as f64 - than.count() as f64;
    reach.p95 + DART_PRICE * more.max(0.0) < than.p95
}

/// Whether a layout has a wide dart.
fn wide(reach: &Reach) -> bool {
    reach.take_up_mm.iter().any(|&mm| mm > WIDE_MM)
}

/// Whether a layout has no wide dart where the other one has.
fn splits(reach: &Reach, than: &Reach) -> bool {
    wide(than) && !wide(reach)
}
