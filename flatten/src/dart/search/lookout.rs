//! One coarse copy of a patch, with what was looked at on it, and the copies that judge what comes of it.

use std::{cell::OnceCell, collections::BTreeMap, sync::OnceLock};

use rayon::prelude::*;

use crate::{
    Point2, Point3,
    dart::{CutLine, CutPatch, Panel},
    flat::{self, FlatMap, StrainField},
    patch::{Coarsener, Patch},
};

use super::{
    Reach,
    candidates::Candidate,
    scout::{Laid, Scout, take_up},
    unseen::Unseen,
};

/// Side of the coarse copy's triangles, mm: a few hundred vertices on a full base. What is chosen is judged on a finer copy.
const COARSE_STEP_MM: f64 = 13.0;

/// The same for a second look, where a limit was missed: what one copy can't see another may.
const PATIENT_STEP_MM: f64 = 9.0;

/// Side of the triangles that the result of a search is judged on, mm.
const JUDGED_STEP_MM: f64 = 4.5;

/// Candidates of each promising number of darts that are judged on a finer copy, at a time.
const JUDGED: usize = 5;

/// Candidates are moved about and judged in turns: after each the best one has to come to under this many limits for
/// another turn, which takes off a twentieth of its strain, seldom a tenth.
const IN_REACH: [f64; 3] = [1.12, 1.06, 0.0];

/// Candidates whose darts all lie within this of one another are as good as one, mm: what a copy sees wrongly of the
/// one it sees wrongly of the other.
const DISTINCT_MM: f64 = 5.0;

/// Distance from a dart's point at which its legs are looked at, mm, and the least distance between them there as a
/// part of it. Darts of good layouts open by 0.1 and more, one that closed on the fine mesh by 0.05.
const POINT_MM: f64 = 12.0;
const LEAST_OPENING: f64 = 0.08;

/// The copies of a patch that a search works on, each made when it is first asked for.
pub(super) struct Copies<'a> {
    pub(super) patch: &'a Patch,
    coarsener: Coarsener<'a>,
    made: [OnceCell<Option<Patch>>; 3],
}

impl<'a> Copies<'a> {
    pub(super) fn new(patch: &'a Patch) -> Self {
        Self {
            patch,
            coarsener: Coarsener::new(patch),
            made: Default::default(),
        }
    }

    /// Where candidates are tried first: a patch no finer than the second copy would be is so itself, for it hides
    /// nothing.
    pub(super) fn coarse(&self) -> &Patch {
        if self.differ() {
            self.copy(0, COARSE_STEP_MM)
        } else {
            self.patch
        }
    }

    /// Whether a second look sees anything that the first did not.
    pub(super) fn differ(&self) -> bool {
        self.coarsener.thins(PATIENT_STEP_MM)
    }

    /// Where they are tried once more.
    pub(super) fn patient(&self) -> &Patch {
        self.copy(1, PATIENT_STEP_MM)
    }

    /// Where the best of them are judged.
    pub(super) fn judged(&self) -> &Patch {
        self.copy(2, JUDGED_STEP_MM)
    }

    /// The patch itself where it is no finer than the copy would be.
    fn copy(&self, which: usize, step_mm: f64) -> &Patch {
        let made = self.made[which].get_or_init(|| self.coarsener.copy(step_mm));
        made.as_ref().unwrap_or(self.patch)
    }
}

/// What the best candidates are judged on.
pub(super) struct Judge<'a> {
    /// The finer copy.
    pub(super) finer: Scout<'a>,
    /// The patch itself.
    pub(super) real: Scout<'a>,
    /// The tapes that a maker lays over the sewn base, on the head.
    pub(super) tapes: &'a [Vec<Point3>],
}

impl Judge<'_> {
    /// Whether a layout breaks no rule.
    fn allows(&self, candidate: &Candidate) -> bool {
        [&self.finer, &self.real]
            .iter()
            .all(|scout| scout.keeps_rules(&candidate.layout))
    }

    /// The first few candidates that break no rule here and are like none of `held` and one another.
    fn distinct(
        &self,
        candidates: &[Candidate],
        held: &[Candidate],
        most: usize,
    ) -> Vec<Candidate> {
        let mut found: Vec<Candidate> = Vec::new();
        for candidate in candidates {
            let alike = |other: &Candidate| other.is_within_mm(DISTINCT_MM, candidate);
            if !held.iter().chain(&found).any(alike) && self.allows(candidate) {
                found.push(candidate.clone());
                if found.len() == most {
                    break;
                }
            }
        }
        found
    }

    /// Whether its darts open and the tapes can be brought to their length on the head within the material's limit.
    /// `map` is that of its panel as far as it is known.
    fn fits(&self, reach: &Reach, map: Option<FlatMap>) -> bool {
        let material = self.finer.material;
        let off = || {
            let cut = self.finer.cutter.cut(&reach.layout).ok()?;
            let (laid, off) =
                flat::lay_along_quickly(map, &cut.panels, material, self.tapes).ok()?;
            let (maps, fields): (Vec<_>, Vec<_>) = laid.into_iter().unzip();
            let p95 = StrainField::joined(&fields).summary(material.limit).p95;
            let sides: Vec<_> = cut
                .panels
                .iter()
                .zip(maps.iter().map(|m| &m.uv[..]))
                .collect();
            let open = cut.darts.iter().all(|dart| opens(&cut, &sides, dart));
            (open && p95 <= material.limit).then_some(off)
        };
        off().is_some_and(|off| off <= flat::TAPE_WITHIN)
    }

    /// The first of those that meet the limit that fits and is `sound` too. After one that does not, as many are asked
    /// at a time as there are threads: bringing tapes to their length takes long and keeps little more than one busy.
    pub(super) fn first_fitting<'j>(
        &self,
        judged: impl Iterator<Item = &'j Judged>,
        sound: impl Fn(&Judged) -> bool,
    ) -> Option<&'j Judged> {
        let meeting: Vec<_> = judged.filter(|j| self.finer.meets(&j.reach)).collect();
        let (first, others) = meeting.split_at(meeting.len().min(1));
        let at_a_time = others.chunks(rayon::current_num_threads());
        std::iter::once(first).chain(at_a_time).find_map(|some| {
            let fits: Vec<bool> = some.par_iter().map(|j| j.fits(self)).collect();
            let fitting = some.iter().zip(fits).filter(|&(_, fits)| fits);
            fitting.map(|(&j, _)| j).find(|j| sound(j))
        })
    }
}

/// Whether a dart takes something up from its point on. Legs that want to close over one another there are held apart
/// by a hair when laid on a finer mesh, and no cloth is drawn between them.
fn opens(cut: &CutPatch, sides: &[(&Panel, &[Point2])], dart: &CutLine) -> bool {
    let mut way_mm = 0.0;
    let from_point = dart.path.windows(2).rev();
    for side in from_point {
        way_mm += nalgebra::distance(&cut.mesh.position(side[0]), &cut.mesh.position(side[1]));
        if way_mm >= POINT_MM {
            return take_up(sides, side[0]) >= LEAST_OPENING * way_mm;
        }
    }
    true
}

/// What a layout reaches, and whether it fits, once that was asked.
#[derive(Debug)]
pub(super) struct Judged {
    pub(super) reach: Reach,
    /// Its map on the finer copy where it was laid there as one panel.
    map: Option<FlatMap>,
    fits: OnceLock<bool>,
}

impl Judged {
    /// Whether its darts open and tapes over the sewn base are as long as on the head.
    pub(super) fn fits(&self, judge: &Judge<'_>) -> bool {
        let ask = || judge.fits(&self.reach, self.map.clone());
        *self.fits.get_or_init(ask)
    }
}

/// A coarse copy and what was looked at on it, which is the same for every greatest number of darts.
pub(super) struct Lookout<'a> {
    pub(super) scout: Scout<'a>,
    starts: BTreeMap<usize, Vec<Candidate>>,
    reached: BTreeMap<(usize, bool), Vec<Judged>>,
}

impl<'a> Lookout<'a> {
    pub(super) fn new(scout: Scout<'a>) -> Self {
        Self {
            scout,
            starts: BTreeMap::new(),
            reached: BTreeMap::new(),
        }
    }

    /// The known starts for a number of darts, best first.
    pub(super) fn starts(&mut self, count: usize, tried: &mut usize) -> &[Candidate] {
        let scout = &self.scout;
        self.starts
            .entry(count)
            .or_insert_with(|| scout.starts(count, tried))
    }

    /// What the best layouts of a number of darts reach, best first; their darts are moved about before where it
    /// is promising.
    ///
    /// What the coarse copy lets pass may come too near an edge on the patch itself, and a long cut may be seen
    /// otherwise by a finer mesh: the best few that hold there are judged there. Without promise the best is for
    /// the curve, and told as the coarse copy sees it.
    pub(super) fn reached(
        &mut self,
        count: usize,
        promising: bool,
        uneven_mm: f64,
        judge: &Judge<'_>,
        tried: &mut usize,
    ) -> &[Judged] {
        let key = (count, promising);
        if !self.reached.contains_key(&key) {
            let candidates = self.starts(count, tried).to_vec();
            let mut reached = if promising {
                self.moved_about(candidates, uneven_mm, judge, tried)
            } else {
                let best = judge.distinct(&candidates, &[], 1);
                *tried += best.len();
                let seen = best.iter().filter_map(|c| self.scout.reach_of(c).ok());
                seen.collect()
            };
            let seen = if promising { &judge.finer } else { &self.scout };
            reached.sort_by(|a, b| seen.price(&a.reach).total_cmp(&seen.price(&b.reach)));
            let judged = |laid: Laid| Judged {
                reach: laid.reach,
                map: laid.maps.into_iter().next().filter(|_| promising),
                fits: OnceLock::new(),
            };
            self.reached
                .insert(key, reached.into_iter().map(judged).collect());
        }
        &self.reached[&key]
    }

    /// What the best candidates reach on the finer copy after their darts are moved about here, in turns: what the
    /// finer copy shows beyond this one is learnt from, until the limit is met.
    fn moved_about(
        &self,
        mut candidates: Vec<Candidate>,
        uneven_mm: f64,
        judge: &Judge<'_>,
        tried: &mut usize,
    ) -> Vec<Laid> {
        let finer = &judge.finer;
        let (mut held, mut reached) = (Vec::new(), Vec::new());
        let mut unseen = Unseen::default();
        for in_reach in IN_REACH {
            self.scout
                .improve(&mut candidates, &unseen, uneven_mm, tried);
            let best = judge.distinct(&candidates, &held, JUDGED);
            *tried += best.len();
            let judged: Vec<Option<Laid>> =
                best.par_iter().map(|c| finer.reach_of(c).ok()).collect();
            for (candidate, laid) in best.iter().zip(&judged) {
                let fine = laid.as_ref().map_or(f64::INFINITY, |l| l.reach.p95);
                unseen.learn(candidate.place(), candidate.seen.p95, fine);
            }
            held.extend(best);
            reached.extend(judged.into_iter().flatten());
            let far = |l: &Laid| l.reach.p95 > in_reach * finer.material.limit;
            if reached.iter().any(|l| finer.meets(&l.reach)) || reached.iter().all(far) {
                break;
            }
        }
        reached
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dart::{
        self,
        search::scout::tests::{full_base, lace},
    };

    #[test]
    fn a_dart_whose_legs_lie_on_one_another_towards_its_point_does_not_open() {
        let (patch, material) = (full_base(), lace(0.03));
        let cut = dart::cut(&patch, &dart::even(&patch, 4)).unwrap();
        let panel = &cut.panels[0];
        let (map, _) = flat::lay(panel, &material).unwrap();
        let dart = &cut.darts[1];
        assert!(opens(&cut, &[(panel, &map.uv[..])], dart));
        // The two sides of its last 40 mm put on one another.
        let point = cut.mesh.position(dart.path[dart.path.len() - 1]);
        let mut closed = map.uv;
        for &v in &dart.path {
            if nalgebra::distance(&point, &cut.mesh.position(v)) < 40.0 {
                let sides: Vec<usize> = (0..closed.len())
                    .filter(|&k| panel.origin[k] == v)
                    .collect();
                closed[sides[sides.len() - 1]] = closed[sides[0]];
            }
        }
        let sides = [(panel, &closed[..])];
        assert!(!opens(&cut, &sides, dart));
        assert!(opens(&cut, &sides, &cut.darts[2]));
    }
}
