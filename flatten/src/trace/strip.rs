//! The surface along a rough ring, unrolled, and the pen's way through it.
//!
//! In: a ring along the line, a few millimetres wrong at most. Out: which track of the unrolled strip
//! the pen follows at each step, and where there is ink on it.
//!
//! # Method
//! Across the ring the strength of ink is read on parallel tracks. A step of a track is as ink-like as
//! its middle is darker than the darker of the two sides, a pen's width away, so that a patch or its
//! edge is not ink-like (see `crest`). The way is the closed one that gathers most of this with little
//! swerving, by dynamic programming (Amini, Weymouth & Jain 1990, "Using dynamic programming for
//! solving variational problems in vision", IEEE TPAMI 12(9)): where hair or glare hides the line it
//! goes straight on. Whether there is ink at a step is settled for the whole way at once: two states
//! with what is seen beside the line as the picture of "none", and a price on each change between them,
//! so that neither a speck in a gap nor a hair over the line counts (Viterbi 1967, IEEE Trans. Inf.
//! Theory 13(2)).
//!
//! Cost: some ten microseconds a step.

use rayon::prelude::*;

use crate::{
    Point3, Vector3,
    mesh::{SurfacePoint, TriMesh},
};

use super::ink::quantile;

/// Distance of the tracks, mm.
pub(super) const PITCH_MM: f64 = 0.5;

/// The sides are looked at from here to here beyond the pen's edge, mm: clear of its soft rim.
const BESIDE_MM: [f64; 2] = [0.8, 2.3];

/// Price of moving by one track or two in a step, in steps along perfect ink.
const SWERVE: [f64; 3] = [0.0, 0.08, 0.3];

/// Price of a change between ink and none, in logarithms of likelihood.
const CHANGE: f64 = 4.0;

/// No single step says more than this, in logarithms of likelihood.
const MOST_SAID: f64 = 4.0;

/// How unevenly a pen leaves ink, as a share of its mean.
const UNEVEN: f64 = 0.25;

/// Ink shows at least this much beside the darkest hair, as a share of its strength.
const LEAST_SHOWN: f64 = 0.2;

/// The darkness beside the line is a mean over this many steps before and after.
const SIDE_STEPS: usize = 3;

/// What ink looks like is taken from this many steps before and after, and what none looks like.
const LIKE_STEPS: [usize; 2] = [60, 20];

/// Strength on a track and beside it.
#[derive(Debug, Clone, Copy)]
struct Look {
    middle: f64,
    side: f64,
}

impl Look {
    fn ink_like(&self) -> f64 {
        self.middle - self.side
    }
}

/// Strengths on tracks along a ring.
pub(super) struct Strip {
    /// Tracks on each side of the ring.
    half: usize,
    /// Steps along the ring.
    steps: usize,
    /// By step, then by track, from right to left of the ring seen from outside.
    places: Vec<Point3>,
    strengths: Vec<f64>,
}

impl Strip {
    /// Reads the strength of each vertex along a ring whose unit vectors to the left are `across`.
    pub(super) fn read(
        mesh: &TriMesh,
        strength: &[f64],
        ring: &[Point3],
        across: &[Vector3],
        half_mm: f64,
    ) -> Self {
        let half = (half_mm / PITCH_MM).ceil() as usize;
        let tracks = 2 * half + 1;
        let read: Vec<(Point3, f64)> = (0..ring.len() * tracks)
            .into_par_iter()
            .map(|k| {
                let (step, track) = (k / tracks, k % tracks);
                let off = (track as f64 - half as f64) * PITCH_MM;
                let (at, place, _) = mesh.project(ring[step] + across[step] * off);
                (place, blended(mesh, &at, strength))
            })
            .collect();
        let (places, strengths) = read.into_iter().unzip();
        Self {
            half,
            steps: ring.len(),
            places,
            strengths,
        }
    }

    fn tracks(&self) -> usize {
        2 * self.half + 1
    }

    fn row(&self, step: usize) -> &[f64] {
        &self.strengths[step * self.tracks()..(step + 1) * self.tracks()]
    }

    /// Strength in the middle and on the darker side of each track of a step, for a pen of this width.
    fn looks(&self, step: usize, width: f64) -> Vec<Look> {
        let row = self.row(step);
        let mean = |from: f64, to: f64| {
            let track = |off: f64| (off / PITCH_MM).round().clamp(0.0, row.len() as f64) as usize;
            let (from, to) = (track(from.max(0.0)), track(to).min(row.len() - 1));
            if from > to {
                return None;
            }
            Some(row[from..=to].iter().sum::<f64>() / (to - from + 1) as f64)
        };
        let inner = (0.5 * width - 0.25).max(0.0);
        let [near, far] = BESIDE_MM.map(|d| 0.5 * width + d);
        (0..row.len())
            .map(|track| {
                let at = track as f64 * PITCH_MM;
                let last = (row.len() - 1) as f64 * PITCH_MM;
                let middle = mean(at - inner, at + inner).unwrap_or(0.0);
                // Beyond the strip a side can't be seen: then the other one tells.
                let right = (at >= near).then(|| mean(at - far, at - near)).flatten();
                let left = (at + near <= last)
                    .then(|| mean(at + near, at + far))
                    .flatten();
                let side = match (left, right) {
                    (Some(l), Some(r)) => l.max(r),
                    (Some(one), None) | (None, Some(one)) => one,
                    (None, None) => 0.0,
                };
                Look { middle, side }
            })
            .collect()
    }

    /// The track that the pen follows at each step.
    pub(super) fn way(&self, width: f64) -> Vec<usize> {
        let own: Vec<Vec<f64>> = (0..self.steps)
            .into_par_iter()
            .map(|step| self.looks(step, width).iter().map(Look::ink_like).collect())
            .collect();
        // Means along the strip, heaviest in the middle: a speck is short, a line is long.
        const ALONG: [f64; 5] = [1.0, 2.0, 3.0, 2.0, 1.0];
        let n = self.steps;
        let tracks = self.tracks();
        let mut gain: Vec<Vec<f64>> = (0..n)
            .map(|step| {
                (0..tracks)
                    .map(|track| {
                        let sum: f64 = (0..ALONG.len())
                            .map(|k| ALONG[k] * own[(step + n + k - 2) % n][track])
                            .sum();
                        sum / 9.0
                    })
                    .collect()
            })
            .collect();
        let best = gain
            .iter()
            .map(|row| row.iter().copied().fold(0.0, f64::max));
        let full = quantile(best.collect(), 0.6).max(1e-6);
        for gain in gain.iter_mut().flatten() {
            *gain = (*gain / full).clamp(0.0, 1.0);
        }
        // Where the way begins is settled half way round from any beginning.
        let free = cheapest(&gain, 0, None);
        let middle = n / 2;
        cheapest(&gain, middle, Some(free[middle]))
    }

    /// Tracks on each side of the ring.
    pub(super) fn half(&self) -> usize {
        self.half
    }

    /// Place of a track at a step, moved to the ink's middle nearby if that is `centred`.
    pub(super) fn middle(&self, step: usize, track: usize, width: f64, centred: bool) -> Point3 {
        let row = self.row(step);
        if !centred {
            return self.places[step * self.tracks() + track];
        }
        let reach = (0.5 * width + 0.7) / PITCH_MM;
        let from = (track as f64 - reach).ceil().max(0.0) as usize;
        let to = ((track as f64 + reach).floor() as usize).min(row.len() - 1);
        let floor = row[from].min(row[to]).min(0.5 * row[track]);
        let (mut weights, mut moment) = (0.0, 0.0);
        for (k, &s) in row.iter().enumerate().take(to + 1).skip(from) {
            let weight = (s - floor).max(0.0);
            weights += weight;
            moment += weight * k as f64;
        }
        let at = if weights > 0.0 {
            moment / weights
        } else {
            track as f64
        };
        let low = (at.floor() as usize).min(row.len() - 1);
        let high = (low + 1).min(row.len() - 1);
        let places = &self.places[step * self.tracks()..];
        places[low] + (places[high] - places[low]) * (at - low as f64)
    }

    /// Width of a stroke of even strength that holds as much ink as there is about a track, mm.
    pub(super) fn width(&self, step: usize, track: usize) -> f64 {
        /// Half width that is looked at.
        const LOOKED_AT_MM: f64 = 3.5;
        let row = self.row(step);
        let reach = (LOOKED_AT_MM / PITCH_MM) as usize;
        let (from, to) = (
            track.saturating_sub(reach),
            (track + reach).min(row.len() - 1),
        );
        let floor = quantile(row[from..=to].to_vec(), 0.15);
        let peak = row[track] - floor;
        if peak <= 0.0 {
            return 0.0;
        }
        let sum: f64 = row[from..=to].iter().map(|s| (s - floor).max(0.0)).sum();
        sum * PITCH_MM / peak
    }

    /// Width of the dark stretch that holds a track, mm: a blot or a crossing is wider than the pen.
    pub(super) fn dark_width(&self, step: usize, track: usize) -> f64 {
        let row = self.row(step);
        let dark = |s: &&f64| **s > 0.5 * row[track];
        let left = row[track..].iter().take_while(dark).count();
        let right = row[..=track].iter().rev().take_while(dark).count();
        (left + right).saturating_sub(1) as f64 * PITCH_MM
    }

    /// Strength of a track at a step.
    pub(super) fn strength(&self, step: usize, track: usize) -> f64 {
        self.row(step)[track]
    }

    /// Where there is ink on the way that follows these tracks; ink is no weaker than `least`.
    ///
    /// What is to be expected of ink is as dark as the rest of the line nearby, whatever lies beside
    /// it: on dark hair there is less to be seen of it than on skin.
    pub(super) fn inked_along(&self, way: &[usize], width: f64, least: f64) -> Inked {
        let n = self.steps;
        let rows: Vec<Vec<Look>> = (0..n)
            .into_par_iter()
            .map(|step| self.looks(step, width))
            .collect();
        let own: Vec<Look> = rows.iter().zip(way).map(|(row, t)| row[*t]).collect();
        let usual = quantile(own.iter().map(|look| look.middle).collect(), 0.5);
        let around = |step: usize, reach: usize| {
            let reach = reach.min(n / 2);
            (0..=2 * reach).map(move |k| (step + n + k - reach) % n)
        };
        // Tracks beside the line that neither it nor its sides reach.
        let clear = ((width + BESIDE_MM[1]) / PITCH_MM).ceil() as usize;
        let said: Vec<(f64, f64, f64)> = (0..n)
            .into_par_iter()
            .map(|step| {
                let dark = around(step, LIKE_STEPS[0]).map(|k| own[k].middle).collect();
                let dark = quantile(dark, 0.65).max(0.4 * usual).max(least);
                let sides: Vec<f64> = around(step, SIDE_STEPS).map(|k| own[k].side).collect();
                let side = sides.iter().sum::<f64>() / sides.len().max(1) as f64;
                let ink = (dark - side).max(LEAST_SHOWN * dark);
                let beside: Vec<f64> = around(step, LIKE_STEPS[1])
                    .flat_map(|k| {
                        let row = &rows[k];
                        let right = way[k].saturating_sub(clear);
                        let left = (way[k] + clear).min(row.len());
                        row[..right].iter().chain(&row[left..])
                    })
                    .map(Look::ink_like)
                    .collect();
                let (none, spread) = mean_and_spread(&beside);
                let none = none.min(0.3 * ink);
                let spread = spread.max(UNEVEN * (ink - none)).max(1e-6);
                let e = own[step].middle - side;
                let said = ((e - none).powi(2) - (e - ink).powi(2)) / (2.0 * spread * spread);
                (said.clamp(-MOST_SAID, MOST_SAID), e, 0.5 * (ink + none))
            })
            .collect();
        let says: Vec<f64> = said.iter().map(|s| s.0).collect();
        Inked {
            seen: two_states(&says),
            ink_like: said.iter().map(|s| s.1).collect(),
            levels: said.iter().map(|s| s.2).collect(),
        }
    }
}

/// Where there is ink on a ring.
pub(super) struct Inked {
    pub(super) seen: Vec<bool>,
    /// How ink-like each step is.
    ink_like: Vec<f64>,
    /// Half way between ink and none.
    levels: Vec<f64>,
}

impl Inked {
    /// Where between a step with ink (0) and the next without (1) it ends.
    pub(super) fn end(&self, inked: usize, bare: usize) -> f64 {
        let (a, b) = (self.ink_like[inked], self.ink_like[bare]);
        let level = self.levels[inked];
        if (a - b).abs() < 1e-12 {
            return 0.5;
        }
        ((a - level) / (a - b)).clamp(0.0, 1.0)
    }
}

fn mean_and_spread(values: &[f64]) -> (f64, f64) {
    let count = f64::max(values.len() as f64, 1.0);
    let mean = values.iter().sum::<f64>() / count;
    let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
    (mean, (square / count).sqrt())
}

/// The way through rows of gains that begins and ends at one track, by dynamic programming; rows are
/// taken from `first` on round the ring.
fn cheapest(gain: &[Vec<f64>], first: usize, fixed: Option<usize>) -> Vec<usize> {
    let n = gain.len();
    let tracks = gain.first().map_or(0, Vec::len);
    let mut sum: Vec<f64> = (0..tracks)
        .map(|t| match fixed {
            Some(f) if f != t => f64::NEG_INFINITY,
            _ => gain[first][t],
        })
        .collect();
    let mut from: Vec<Vec<usize>> = Vec::with_capacity(n);
    // The last step comes back to the first.
    let last = if fixed.is_some() { n } else { n - 1 };
    for k in 1..=last {
        let row = &gain[(first + k) % n];
        let mut next = vec![f64::NEG_INFINITY; tracks];
        let mut came = vec![0; tracks];
        for t in 0..tracks {
            let swerve = SWERVE.len() - 1;
            for s in t.saturating_sub(swerve)..=(t + swerve).min(tracks - 1) {
                let value = sum[s] - SWERVE[s.abs_diff(t)];
                if value > next[t] {
                    next[t] = value;
                    came[t] = s;
                }
            }
            next[t] += row[t];
        }
        from.push(came);
        sum = next;
    }
    let mut track = fixed.unwrap_or_else(|| {
        (0..tracks)
            .max_by(|&a, &b| sum[a].total_cmp(&sum[b]).then(b.cmp(&a)))
            .unwrap_or(0)
    });
    let mut way = vec![0; n];
    for k in (1..=last).rev() {
        way[(first + k) % n] = track;
        track = from[k - 1][track];
    }
    way[first] = track;
    way
}

/// Ink or none round a ring, from what each step says for ink.
fn two_states(says: &[f64]) -> Vec<bool> {
    let n = says.len();
    // From the middle of the stretch that is surest, which is ink or none whatever the rest is.
    let reach = 7.min(n / 2);
    let together: Vec<f64> = (0..n)
        .map(|step| {
            (0..=2 * reach)
                .map(|k| says[(step + n + k - reach) % n])
                .sum()
        })
        .collect();
    let surest = (0..n).max_by(|&a, &b| together[a].abs().total_cmp(&together[b].abs()));
    let Some(first) = surest else {
        return Vec::new();
    };
    let mut sum = if together[first] > 0.0 {
        [f64::NEG_INFINITY, 0.0]
    } else {
        [0.0, f64::NEG_INFINITY]
    };
    let mut from = Vec::with_capacity(n);
    for k in 1..=n {
        let say = says[(first + k) % n];
        let came = [sum[1] - CHANGE > sum[0], sum[1] >= sum[0] - CHANGE];
        sum = [
            sum[usize::from(came[0])] - if came[0] { CHANGE } else { 0.0 } - 0.5 * say,
            sum[usize::from(came[1])] - if came[1] { 0.0 } else { CHANGE } + 0.5 * say,
        ];
        from.push(came);
    }
    let mut state = together[first] > 0.0;
    let mut states = vec![state; n];
    for k in (1..=n).rev() {
        states[(first + k) % n] = state;
        state = from[k - 1][usize::from(state)];
    }
    states
}

/// A value given at vertices, at a point of the surface.
fn blended(mesh: &TriMesh, at: &SurfacePoint, values: &[f64]) -> f64 {
    match *at {
        SurfacePoint::Vertex(v) => values[v as usize],
        SurfacePoint::Edge { half_edge, t } => {
            let (a, b) = (mesh.tail(half_edge), mesh.head(half_edge));
            values[a as usize] * (1.0 - t) + values[b as usize] * t
        }
        SurfacePoint::Face { face, bary } => {
            let corners = mesh.faces()[face as usize];
            (0..3).map(|k| bary[k] * values[corners[k] as usize]).sum()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn specks_and_hairs_do_not_change_what_is_ink() {
        let mut says = vec![3.0; 100];
        says[20..40].fill(-3.0);
        says[30] = 4.0;
        says[70] = -4.0;
        let states = two_states(&says);
        let wanted: Vec<bool> = (0..100).map(|k| !(20..40).contains(&k)).collect();
        assert_eq!(states, wanted);
        // the same begun elsewhere
        says.rotate_left(35);
        let mut turned = wanted;
        turned.rotate_left(35);
        assert_eq!(two_states(&says), turned);
    }

    #[test]
    fn the_way_closes_and_goes_straight_where_nothing_is_seen() {
        let wave = |step: usize| 10.0 + 4.0 * (step as f64 * std::f64::consts::TAU / 120.0).sin();
        let gain: Vec<Vec<f64>> = (0..120)
            .map(|step| {
                let seen = !(50..60).contains(&step);
                (0..21)
                    .map(|t| {
                        let off: f64 = t as f64 - wave(step);
                        if seen { (-off * off).exp() } else { 0.0 }
                    })
                    .collect()
            })
            .collect();
        let free = cheapest(&gain, 0, None);
        let way = cheapest(&gain, 60, Some(free[60]));
        for (step, track) in way.iter().enumerate() {
            // Where nothing is seen it may go over from one end to the other anywhere.
            let (low, high) = if (50..60).contains(&step) {
                (wave(60), wave(50))
            } else {
                (wave(step), wave(step))
            };
            let track = *track as f64;
            assert!((low - 0.8..high + 0.8).contains(&track), "{step} {track}");
        }
        let jump = way[0].abs_diff(way[119]);
        assert!(jump <= 2, "{jump}");
    }
}
