//! Readings against the mold: how far apart, how grave, and the likely cause.
//!
//! In: readings and the same paths measured on the mold. Out: a [`Comparison`] for each reading, with the likely cause of a
//! difference. Nothing is corrected here: the maker decides.
//!
//! Grades: up to 6 mm (1/4 in) two home readings agree well; above 12 mm (1/2 in) measure again
//! (common practice of the trade, no source; trained observers differ by 1.33 mm, Bushby et al. 1992).

use std::{collections::BTreeMap, fmt};

use super::TapePath;
use crate::units::format_mm_and_inch;

/// Readings by path, mm.
pub type Readings = BTreeMap<TapePath, f64>;

/// Largest difference that is fine, mm.
pub const FINE_MM: f64 = 6.0;

/// Largest difference that only asks; above it the mold and the tape cannot both be right, mm.
pub const ASK_MM: f64 = 12.0;

/// How grave a difference is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Grade {
    /// Up to [`FINE_MM`].
    Fine,
    /// Up to [`ASK_MM`]: ask the client.
    Ask,
    /// More: stop and measure again.
    Stop,
}

impl Grade {
    /// Grade of a difference, mm.
    #[must_use]
    pub fn of(difference_mm: f64) -> Self {
        match difference_mm.abs() {
            d if d <= FINE_MM => Self::Fine,
            d if d <= ASK_MM => Self::Ask,
            _ => Self::Stop,
        }
    }
}

/// A likely cause of a difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cause {
    /// The number is in another unit than the file says: the mold is this many times the reading.
    Unit {
        /// Mold over reading: 2.54, 10, 25.4 or one over these.
        ratio: f64,
    },
    /// Two readings stand in each other's place.
    SwappedWith(TapePath),
    /// All paths are off by one factor.
    UniformScale {
        /// The mold times this fits the readings.
        factor: f64,
    },
    /// Girth and a path over the top are both too big on the mold: hair under the wrap.
    HairBulk {
        /// Thickness that would explain the girth, mm.
        thickness_mm: f64,
    },
    /// Front to nape alone is off: the neck was bent while the nape was wrapped or measured.
    BentNeck,
    /// None of these: take the reading again on the path drawn.
    ReadAgain,
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unit { ratio } => {
                let slip = UNIT_SLIPS
                    .iter()
                    .min_by(|a, b| {
                        (a.0 / ratio)
                            .ln()
                            .abs()
                            .total_cmp(&(b.0 / ratio).ln().abs())
                    })
                    .map_or("another unit", |slip| slip.1);
                write!(f, "it fits if it was {slip}")
            }
            Self::SwappedWith(other) => {
                write!(f, "it fits if it changed places with {}", other.name())
            }
            Self::UniformScale { factor } => {
                let share = 100.0 * (1.0 / factor - 1.0);
                write!(
                    f,
                    "every tape is {:.1} % {} on the mold, as if the scan had another size; the mold times {factor:.4} would fit and is left as it is",
                    share.abs(),
                    if share > 0.0 { "longer" } else { "shorter" },
                )
            }
            Self::HairBulk { thickness_mm } => {
                write!(
                    f,
                    "as if hair about {thickness_mm:.0} mm thick lay under the wrap"
                )
            }
            Self::BentNeck => write!(
                f,
                "as if the neck was bent while the mold or this tape was taken"
            ),
            Self::ReadAgain => write!(f, "none of the usual causes fits"),
        }
    }
}

/// One reading beside the mold.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// The path.
    pub path: TapePath,
    /// What the helper read, mm.
    pub read_mm: f64,
    /// The same path on the mold, mm.
    pub mold_mm: f64,
    /// Mold less reading, mm.
    pub difference_mm: f64,
    /// How grave.
    pub grade: Grade,
    /// Likely cause of a difference that is not fine.
    pub cause: Option<Cause>,
}

impl Comparison {
    /// The difference in one sentence, with what to do about it and its likely cause; nothing when it
    /// is fine.
    #[must_use]
    pub fn sentence(&self) -> Option<String> {
        let verb = match (self.grade, self.cause) {
            (Grade::Fine, _) => return None,
            (_, Some(Cause::Unit { .. } | Cause::SwappedWith(_))) => {
                "stop: correct how it was written down, or measure again"
            }
            (Grade::Ask, _) => "ask the client before cutting",
            (Grade::Stop, _) => "stop: measure again before anything is cut",
        };
        let cause = self
            .cause
            .as_ref()
            .map_or(String::new(), |cause| format!(" ({cause})"));
        Some(format!(
            "the tape {} was read as {}, the mold has {}: {verb}{cause}",
            self.path.name(),
            format_mm_and_inch(self.read_mm),
            format_mm_and_inch(self.mold_mm),
        ))
    }
}

/// What readings become when a unit was taken for another: mold over reading, and the words.
const UNIT_SLIPS: [(f64, &str); 6] = [
    (2.54, "read in inches and written down as centimetres"),
    (1.0 / 2.54, "read in centimetres and written down as inches"),
    (10.0, "read in centimetres and written down as millimetres"),
    (0.1, "read in millimetres and written down as centimetres"),
    (25.4, "read in inches and written down as millimetres"),
    (1.0 / 25.4, "read in millimetres and written down as inches"),
];

/// How close a ratio must be to a unit's: heads differ less than this from reading to reading.
const UNIT_CLOSE: f64 = 0.05;

/// Compares every reading whose path was measured on the mold, in the order of [`TapePath::ALL`].
///
/// # Method
/// Causes are looked for in this order, and a reading that has one is left out of the next: a unit's
/// ratio; two readings that both fit exchanged; one factor for all (at least three readings, each
/// within 6 mm after it); hair under the wrap; a bent neck.
#[must_use]
pub fn compare(readings: &Readings, mold: &Readings) -> Vec<Comparison> {
    let mut rows: Vec<Comparison> = readings
        .iter()
        .filter_map(|(&path, &read_mm)| {
            let mold_mm = *mold.get(&path)?;
            let difference_mm = mold_mm - read_mm;
            Some(Comparison {
                path,
                read_mm,
                mold_mm,
                difference_mm,
                grade: Grade::of(difference_mm),
                cause: None,
            })
        })
        .collect();
    unit_slips(&mut rows);
    swaps(&mut rows);
    uniform_scale(&mut rows);
    hair_bulk(&mut rows);
    bent_neck(&mut rows);
    for row in rows.iter_mut().filter(|row| open(row)) {
        row.cause = Some(Cause::ReadAgain);
    }
    rows
}

/// The gravest difference; fine when there is nothing to compare.
#[must_use]
pub fn worst(rows: &[Comparison]) -> Grade {
    rows.iter()
        .map(|row| row.grade)
        .max()
        .unwrap_or(Grade::Fine)
}

/// Off and not explained yet.
fn open(row: &Comparison) -> bool {
    row.grade != Grade::Fine && row.cause.is_none()
}

fn unit_slips(rows: &mut [Comparison]) {
    for row in rows.iter_mut().filter(|row| open(row)) {
        let ratio = row.mold_mm / row.read_mm;
        let close = |slip: f64| (ratio / slip - 1.0).abs() < UNIT_CLOSE;
        row.cause = UNIT_SLIPS
            .iter()
            .find(|slip| close(slip.0))
            .map(|_| Cause::Unit { ratio });
    }
}

fn swaps(rows: &mut [Comparison]) {
    for i in 0..rows.len() {
        for j in (i + 1)..rows.len() {
            let crossed = |a: usize, b: usize| Grade::of(rows[a].mold_mm - rows[b].read_mm);
            if open(&rows[i])
                && open(&rows[j])
                && crossed(i, j) == Grade::Fine
                && crossed(j, i) == Grade::Fine
            {
                rows[i].cause = Some(Cause::SwappedWith(rows[j].path));
                rows[j].cause = Some(Cause::SwappedWith(rows[i].path));
            }
        }
    }
}

fn uniform_scale(rows: &mut [Comparison]) {
    let fitted: Vec<usize> = (0..rows.len())
        .filter(|&i| rows[i].cause.is_none())
        .collect();
    if fitted.len() < 3 || !fitted.iter().any(|&i| open(&rows[i])) {
        return;
    }
    let sum = |f: &dyn Fn(&Comparison) -> f64| fitted.iter().map(|&i| f(&rows[i])).sum::<f64>();
    let factor = sum(&|r| r.read_mm * r.mold_mm) / sum(&|r| r.mold_mm * r.mold_mm);
    let fits = |r: &Comparison| Grade::of(r.mold_mm * factor - r.read_mm) == Grade::Fine;
    // all off the same way, as a scale must
    let same_way = fitted
        .iter()
        .all(|&i| (rows[i].mold_mm - rows[i].read_mm) * (1.0 - factor) > 0.0);
    if same_way && fitted.iter().all(|&i| fits(&rows[i])) {
        for i in fitted {
            if rows[i].grade != Grade::Fine {
                rows[i].cause = Some(Cause::UniformScale { factor });
            }
        }
    }
}

fn hair_bulk(rows: &mut [Comparison]) {
    let big = |row: &&Comparison| row.difference_mm > FINE_MM && row.cause.is_none();
    let round = |p: TapePath| matches!(p, TapePath::Girth | TapePath::HeadGirth);
    let over = |p: TapePath| {
        matches!(
            p,
            TapePath::FrontToNape | TapePath::EarToEarOver | TapePath::CoronalArc
        )
    };
    let girth = rows.iter().filter(big).find(|row| round(row.path));
    let top = rows.iter().filter(big).any(|row| over(row.path));
    let (Some(girth), true) = (girth, top) else {
        return;
    };
    // a layer of even thickness adds its own circumference to a girth
    let thickness_mm = girth.difference_mm / std::f64::consts::TAU;
    for row in rows.iter_mut() {
        if row.difference_mm > FINE_MM
            && row.cause.is_none()
            && (round(row.path) || over(row.path) || row.path == TapePath::TempleToTempleBack)
        {
            row.cause = Some(Cause::HairBulk { thickness_mm });
        }
    }
}

fn bent_neck(rows: &mut [Comparison]) {
    let fine = rows.iter().filter(|row| row.grade == Grade::Fine).count();
    let off = rows.iter().filter(|row| open(row)).count();
    if off == 1 && fine >= 2 {
        for row in rows.iter_mut().filter(|row| open(row)) {
            if row.path == TapePath::FrontToNape {
                row.cause = Some(Cause::BentNeck);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use TapePath::{EarToEarForehead, EarToEarOver, FrontToNape, Girth, Nape, TempleToTempleBack};

    const MOLD: [(TapePath, f64); 6] = [
        (Girth, 587.0),
        (FrontToNape, 346.0),
        (EarToEarForehead, 295.0),
        (EarToEarOver, 315.0),
        (TempleToTempleBack, 412.0),
        (Nape, 133.0),
    ];

    fn causes(read: &[(TapePath, f64)]) -> Vec<(TapePath, Option<Cause>)> {
        let rows = compare(&read.iter().copied().collect(), &MOLD.into_iter().collect());
        rows.into_iter().map(|r| (r.path, r.cause)).collect()
    }

    #[test]
    fn grades_change_at_six_and_twelve_millimetres() {
        assert_eq!(Grade::of(-6.0), Grade::Fine);
        assert_eq!(Grade::of(6.1), Grade::Ask);
        assert_eq!(Grade::of(-12.0), Grade::Ask);
        assert_eq!(Grade::of(12.1), Grade::Stop);
    }

    #[test]
    fn readings_that_fit_have_no_cause() {
        assert!(causes(&MOLD).iter().all(|(_, cause)| cause.is_none()));
    }

    #[test]
    fn inches_read_as_centimetres_are_told() {
        let found = causes(&[(Girth, 231.0), (FrontToNape, 346.0), (Nape, 130.0)]);
        let Some(Cause::Unit { ratio }) = found[0].1 else {
            panic!("{found:?}")
        };
        assert!((ratio - 2.54).abs() < 0.01);
        let words = Cause::Unit { ratio }.to_string();
        assert!(
            words.contains("read in inches and written down as centimetres"),
            "{words}"
        );
        assert_eq!(found[1].1, None);
    }

    #[test]
    fn two_swapped_fields_are_told() {
        let found = causes(&[(Girth, 585.0), (FrontToNape, 316.0), (EarToEarOver, 345.0)]);
        assert_eq!(found[1].1, Some(Cause::SwappedWith(EarToEarOver)));
        assert_eq!(found[2].1, Some(Cause::SwappedWith(FrontToNape)));
    }

    #[test]
    fn a_mold_at_another_scale_is_told_and_left_alone() {
        let read: Vec<_> = MOLD.iter().map(|&(p, v)| (p, v * 0.97)).collect();
        let found = causes(&read);
        let Some(Cause::UniformScale { factor }) = found[0].1 else {
            panic!("{found:?}")
        };
        assert!((factor - 0.97).abs() < 1e-9);
    }

    #[test]
    fn hair_under_the_wrap_shows_round_and_over_but_not_at_the_nape() {
        let found = causes(&[
            (Girth, 568.0),
            (FrontToNape, 332.0),
            (EarToEarForehead, 295.0),
            (EarToEarOver, 302.0),
            (Nape, 135.0),
        ]);
        let bulk = |c: &Option<Cause>| matches!(c, Some(Cause::HairBulk { .. }));
        assert!(
            bulk(&found[0].1) && bulk(&found[1].1) && bulk(&found[3].1),
            "{found:?}"
        );
        assert!(found[2].1.is_none() && found[4].1.is_none());
    }

    #[test]
    fn front_to_nape_alone_points_to_the_neck() {
        let found = causes(&[(Girth, 585.0), (FrontToNape, 362.0), (EarToEarOver, 314.0)]);
        assert_eq!(found[1].1, Some(Cause::BentNeck));
    }
}
