//! Where the craft allows a dart to run.
//!
//! The distances are common practice, no source; every one can be changed. They bind the automatic
//! search. A layout that the maker gives is honoured, and what it breaks is said.

use std::{collections::BTreeMap, fmt};

use crate::{
    Point3,
    patch::{Patch, Zone},
};

use super::CutPatch;

/// Distances that a good layout keeps, mm on the head.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Mouth to the nearest front hairline.
    pub mouth_to_front_mm: f64,
    /// Any part of a dart to the front hairline.
    pub path_to_front_mm: f64,
    /// Any part to the edge of an opening it does not start on.
    pub path_to_opening_mm: f64,
    /// Any part to the top of the head.
    pub path_to_crown_mm: f64,
    /// Any part to the perimeter, once the dart is this far from its own mouth.
    pub path_to_edge_mm: f64,
    /// Between two darts.
    pub apart_mm: f64,
    /// Between the mouths of two darts: on a narrower tongue two sewing allowances of 10 mm would lie on one another.
    pub mouths_apart_mm: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            mouth_to_front_mm: 25.0,
            path_to_front_mm: 25.0,
            path_to_opening_mm: 18.0,
            path_to_crown_mm: 12.0,
            path_to_edge_mm: 14.0,
            apart_mm: 10.0,
            mouths_apart_mm: 22.0,
        }
    }
}

impl Rules {
    /// The same rules with every distance longer.
    #[must_use]
    pub fn widened(self, by_mm: f64) -> Self {
        Self {
            mouth_to_front_mm: self.mouth_to_front_mm + by_mm,
            path_to_front_mm: self.path_to_front_mm + by_mm,
            path_to_opening_mm: self.path_to_opening_mm + by_mm,
            path_to_crown_mm: self.path_to_crown_mm + by_mm,
            path_to_edge_mm: self.path_to_edge_mm + by_mm,
            apart_mm: self.apart_mm + by_mm,
            mouths_apart_mm: self.mouths_apart_mm + by_mm,
        }
    }
}

/// What a dart comes too near to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Near {
    /// Its mouth to the front hairline.
    MouthToFront,
    /// Its run to the front hairline.
    Front,
    /// An opening.
    Opening,
    /// The top of the head.
    Crown,
    /// The perimeter elsewhere than at its mouth.
    Edge,
    /// Another dart.
    Dart(usize),
    /// Its mouth to the mouth of another dart.
    Mouth(usize),
}

impl Near {
    /// The same whichever other dart it is.
    pub(super) fn kind(self) -> Self {
        match self {
            Self::Dart(_) => Self::Dart(0),
            Self::Mouth(_) => Self::Mouth(0),
            other => other,
        }
    }

    /// The rule in words: the distance that is kept.
    #[must_use]
    pub fn rule(self) -> &'static str {
        match self {
            Self::MouthToFront => "between mouths and the front hairline",
            Self::Front => "between darts and the front hairline",
            Self::Opening => "to openings",
            Self::Crown => "to the top of the head",
            Self::Edge => "between darts and the edge",
            Self::Dart(_) => "between darts",
            Self::Mouth(_) => "between mouths",
        }
    }
}

/// A rule that a dart breaks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breach {
    /// The dart, counted from 0.
    pub dart: usize,
    /// What it comes too near to.
    pub near: Near,
    /// How near, mm.
    pub distance_mm: f64,
    /// How near it may come, mm.
    pub allowed_mm: f64,
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self.near {
            Near::MouthToFront => "its mouth is near the front hairline".to_owned(),
            Near::Front => "it runs near the front hairline".to_owned(),
            Near::Opening => "it runs near an opening".to_owned(),
            Near::Crown => "it runs near the top of the head".to_owned(),
            Near::Edge => "it runs near the edge".to_owned(),
            Near::Dart(other) => format!("it runs near dart D{}", other + 1),
            Near::Mouth(other) => format!("its mouth is near that of dart D{}", other + 1),
        };
        write!(
            f,
            "dart D{}: {what}, {:.0} mm where {:.0} mm is usual",
            self.dart + 1,
            self.distance_mm,
            self.allowed_mm
        )
    }
}

/// Of one rule's breaches, told one by one at most.
const MOST_TOLD: usize = 4;

/// Breaches in sentences. Where a rule is broken in many places the worst ones are told, and how many
/// more there are.
#[must_use]
pub fn in_words(breaches: &[Breach]) -> Vec<String> {
    let mut by_kind: BTreeMap<Near, Vec<usize>> = BTreeMap::new();
    for (k, breach) in breaches.iter().enumerate() {
        by_kind.entry(breach.near.kind()).or_default().push(k);
    }
    let share = |&k: &usize| breaches[k].distance_mm / breaches[k].allowed_mm;
    let (mut told, mut more) = (Vec::new(), Vec::new());
    for (kind, mut places) in by_kind {
        if places.len() > MOST_TOLD {
            places.sort_by(|a, b| share(a).total_cmp(&share(b)));
            let rest = places.split_off(MOST_TOLD - 1).len();
            more.push(format!(
                "{rest} more places keep less than the usual distance {}",
                kind.rule()
            ));
        }
        told.extend(places);
    }
    told.sort_unstable();
    let told = told.into_iter().map(|k| breaches[k].to_string());
    told.chain(more).collect()
}

/// The places of one patch that the rules speak of, gathered once.
#[derive(Debug, Clone)]
pub struct Ground {
    front: Vec<Point3>,
    perimeter: Vec<Point3>,
    openings: Vec<Point3>,
    crown: Point3,
    rules: Rules,
}

impl Ground {
    /// Gathers hairline, edges and crown of a patch.
    #[must_use]
    pub fn new(patch: &Patch, rules: Rules) -> Self {
        let place = |&v: &u32| patch.mesh.position(v);
        let count = patch.perimeter.len();
        let is_front = |&i: &usize| {
            patch.zones[i] == Zone::Front || patch.zones[(i + count - 1) % count] == Zone::Front
        };
        Self {
            front: (0..count)
                .filter(is_front)
                .map(|i| place(&patch.perimeter[i]))
                .collect(),
            perimeter: patch.perimeter.iter().map(place).collect(),
            openings: patch.openings.iter().flatten().map(place).collect(),
            crown: patch.head.crown,
            rules,
        }
    }

    /// Nearest any dart of a cut comes to the front hairline, and to an opening it does not start on,
    /// mm; `None` where there is no such pair.
    #[must_use]
    pub fn nearest_mm(&self, cut: &CutPatch) -> [Option<f64>; 2] {
        let mut least = [f64::INFINITY; 2];
        for dart in &cut.darts {
            let path: Vec<Point3> = dart.path.iter().map(|&v| cut.mesh.position(v)).collect();
            least[0] = least[0].min(nearest(&path, &self.front));
            if nearest(&path[..1], &self.openings) > 1e-6 {
                least[1] = least[1].min(nearest(&path, &self.openings));
            }
        }
        least.map(|mm| mm.is_finite().then_some(mm))
    }

    /// All rules that the darts of a cut break, dart by dart.
    #[must_use]
    pub fn breaches(&self, cut: &CutPatch) -> Vec<Breach> {
        let place = |&v: &u32| cut.mesh.position(v);
        let paths = cut.darts.iter().map(|d| d.path.iter().map(place).collect());
        self.breaches_of(&paths.collect::<Vec<_>>())
    }

    /// The same of darts that are not cut yet, given as points along them from the mouth.
    pub(super) fn breaches_of(&self, paths: &[Vec<Point3>]) -> Vec<Breach> {
        let mut found = Vec::new();
        for (dart, path) in paths.iter().enumerate() {
            self.of_mouth(dart, path[0], paths.iter().map(|p| p[0]), &mut found);
            self.of_run(path, &paths[..dart], &mut found);
        }
        found
    }

    /// Rules that the mouth of a dart breaks; `mouths` are those of all darts before it, at least.
    pub(super) fn of_mouth(
        &self,
        dart: usize,
        mouth: Point3,
        mouths: impl Iterator<Item = Point3>,
        found: &mut Vec<Breach>,
    ) {
        let (r, mouth) = (&self.rules, [mouth]);
        let to_front = r.mouth_to_front_mm;
        found.extend(breach(
            dart,
            Near::MouthToFront,
            &mouth,
            &self.front,
            to_front,
        ));
        for (other, place) in mouths.take(dart).enumerate() {
            let near = Near::Mouth(other);
            found.extend(breach(dart, near, &mouth, &[place], r.mouths_apart_mm));
        }
    }

    /// Rules that a dart breaks on its way from the mouth, after the `earlier` ones.
    pub(super) fn of_run(&self, path: &[Point3], earlier: &[Vec<Point3>], found: &mut Vec<Breach>) {
        let (dart, r) = (earlier.len(), &self.rules);
        let mut check = |near, from: &[Point3], to: &[Point3], allowed_mm: f64| {
            found.extend(breach(dart, near, from, to, allowed_mm));
        };
        check(Near::Front, path, &self.front, r.path_to_front_mm);
        if nearest(&path[..1], &self.openings) > 1e-6 {
            check(Near::Opening, path, &self.openings, r.path_to_opening_mm);
        }
        check(Near::Crown, path, &[self.crown], r.path_to_crown_mm);
        let away = beyond(path, 1.5 * r.path_to_edge_mm);
        let away = if away.is_empty() {
            &path[path.len() - 1..]
        } else {
            away
        };
        check(Near::Edge, away, &self.perimeter, r.path_to_edge_mm);
        for (other, other_path) in earlier.iter().enumerate() {
            check(Near::Dart(other), path, other_path, r.apart_mm);
        }
    }
}

/// The breach of a rule, if it is one.
fn breach(
    dart: usize,
    near: Near,
    from: &[Point3],
    to: &[Point3],
    allowed_mm: f64,
) -> Option<Breach> {
    let distance_mm = nearest_within(from, to, allowed_mm);
    (distance_mm < allowed_mm).then_some(Breach {
        dart,
        near,
        distance_mm,
        allowed_mm,
    })
}

/// The part of a path that is farther than a length from its start.
fn beyond(path: &[Point3], length: f64) -> &[Point3] {
    let first = path
        .iter()
        .position(|p| nalgebra::distance(p, &path[0]) > length);
    first.map_or(&[], |i| &path[i..])
}

/// Least distance between the points of a path and a set of points; infinite when one is empty.
fn nearest(path: &[Point3], places: &[Point3]) -> f64 {
    nearest_within(path, places, f64::INFINITY)
}

/// The same where it is less than `enough`; else some distance that is no less.
///
/// On the way along the path the distance shrinks by no more than the way itself, so places from which one that
/// counts can't have been reached yet are passed over.
fn nearest_within(path: &[Point3], places: &[Point3], enough: f64) -> f64 {
    let (mut least, mut out_of_reach) = (f64::INFINITY, 0.0);
    let mut before: Option<&Point3> = None;
    for p in path {
        out_of_reach -= before.map_or(0.0, |before| nalgebra::distance(before, p));
        before = Some(p);
        if out_of_reach > 0.0 {
            continue;
        }
        let squares = places.iter().map(|q| nalgebra::distance_squared(p, q));
        let distance = squares.fold(f64::INFINITY, f64::min).sqrt();
        least = least.min(distance);
        out_of_reach = distance - least.min(enough);
    }
    least
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_breaches_are_counted_and_the_worst_are_told() {
        let breach = |dart: usize, near, distance_mm| Breach {
            dart,
            near,
            distance_mm,
            allowed_mm: 10.0,
        };
        let mut all = vec![breach(0, Near::Crown, 3.0)];
        all.extend((1..40_u8).map(|k| breach(k.into(), Near::Dart(0), 9.0 - 0.2 * f64::from(k))));
        let words = in_words(&all);
        assert_eq!(words.len(), 5);
        assert!(words[0].contains("D1: it runs near the top of the head"));
        assert!(words[1].contains("D38") && words[3].contains("D40"));
        assert_eq!(
            words[4],
            "36 more places keep less than the usual distance between darts"
        );
        assert_eq!(in_words(&all[..5]).len(), 5);
    }
}
