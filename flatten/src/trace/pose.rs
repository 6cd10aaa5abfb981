//! Where top, front and sides are: the average head laid on a mold.
//!
//! In: points of a scalp and the line round it. Out: a [`Pose`]: the turn, shift and size that bring
//! the mold onto the average adult head, and how much better that is than the best pose with front
//! and nape, or top and bottom, exchanged.
//!
//! # Method
//! The average head ([`crate::form::average_head`]) is given by its radius in every direction, so the
//! distance of a point from it is nearly the difference of radii. From starts all round, Gauss–Newton
//! steps with a bounded influence of far points (Huber 1964, "Robust Estimation of a Location
//! Parameter") find turn, shift and size; this is registration of point sets (Besl & McKay 1992,
//! "A method for registration of 3-D shapes", IEEE TPAMI 14(2)) without the search for pairs. The
//! pen line of a full base is compared with the average hairline in the same way. The sides follow
//! from top and front; a mirror image of a head is a head, so nothing is to be told there.
//!
//! Heads and hairlines may differ from the average ones in the ways in which people do: length,
//! breadth and height, and the hairline's heights at front, temples, ears and nape. What is left over
//! is then small for a head the right way round and still large for one reversed, whose nape would
//! have to run as high as a front does.

use nalgebra::{Rotation3, SMatrix, SVector, Unit};
use rayon::prelude::*;

use crate::{
    Point3, Vector3,
    form::{HeadForm, SHAPES, SHIFTS, average_head, hairline_moved},
    mesh::{NONE, TriMesh, index},
};

use super::regions::{Regions, distances};

/// Points of the surface that are compared.
const POINTS: usize = 500;

/// Starts round the head's axis.
const TURNS: usize = 12;

/// Gauss–Newton steps from each start.
const STEPS: usize = 25;

/// Distances beyond this count in proportion, not squared, mm.
const HUBER_MM: f64 = 6.0;

/// Weight of the line beside the surface: hairlines differ more than heads.
const LINE_WEIGHT: f64 = 0.35;

/// Spread of the sizes of adult heads (2012 US Army survey, Gordon et al. 2014: head circumference of
/// men 574 mm, standard deviation 16; twice that here, for children and hair); without it a small cap
/// fits any ball.
const SIZE_SPREAD: f64 = 0.055;

/// Weight of an unusual size beside the mean squared distance, mm².
const SIZE_WEIGHT: f64 = 2.0;

/// Ways in which a head and its hairline differ from the average ones, each in its own spread among
/// people: [`SHAPES`] of the head, then [`SHIFTS`] of the hairline.
const OWN: usize = SHAPES + SHIFTS;

/// Numbers written out: Rust 1.95 breaks down over a type that names a sum of constants.
type Own = SVector<f64, 8>;

/// Weight of being one spread off in one of them beside the mean squared distance, mm². On the heads of
/// the tests 0.2 to 1 tell front from nape about equally well.
const OWN_WEIGHT: f64 = 0.5;

/// Turn, size, shift and what is the head's own.
const UNKNOWNS: usize = 7 + OWN;
type Unknowns = SVector<f64, 15>;

/// Differences from the average hairline beyond this count in proportion, mm.
const LINE_HUBER_MM: f64 = 14.0;

/// A line shorter than this goes round no whole head, mm.
const FULL_MM: f64 = 560.0;

/// How a mold lies: from its coordinates to the average head's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pose {
    pub(super) turn: Rotation3<f64>,
    pub(super) size: f64,
    pub(super) shift: Vector3,
    /// How the head differs from the average one.
    own: Own,
    /// Mean robust distance, mm.
    pub(super) misfit_mm: f64,
}

impl Pose {
    pub(super) fn form_point(&self, p: &Point3) -> Point3 {
        self.turn * (p * self.size) + self.shift
    }

    pub(super) fn mold_point(&self, p: &Point3) -> Point3 {
        (self.turn.inverse() * (p - self.shift)) / self.size
    }

    /// The average head's axes on the mold: right, forward, up.
    pub(super) fn axes(&self) -> [Vector3; 3] {
        let back = self.turn.inverse();
        [
            back * Vector3::x(),
            back * Vector3::y(),
            back * Vector3::z(),
        ]
    }
}

/// What is laid on the average head.
pub(super) struct Scalp {
    points: Vec<Point3>,
    line: Vec<Point3>,
}

impl Scalp {
    /// Points of the faces that are `inside`, evenly by area, and the line if it goes round a head.
    pub(super) fn new(mesh: &TriMesh, inside: impl Fn(u32) -> bool, line: &[Point3]) -> Self {
        let faces: Vec<u32> = (0..index(mesh.face_count()))
            .filter(|&f| inside(f))
            .collect();
        let whole: f64 = faces.iter().map(|&f| mesh.face_area(f)).sum();
        let share = whole / POINTS as f64;
        let mut points = Vec::with_capacity(POINTS);
        let mut due = 0.5 * share;
        for &f in &faces {
            due -= mesh.face_area(f);
            if due < 0.0 {
                let [a, b, c] = mesh.corners(f);
                points.push(Point3::from((a.coords + b.coords + c.coords) / 3.0));
                due = (due + share).max(0.0);
            }
        }
        let length: f64 = (0..line.len())
            .map(|k| (line[(k + 1) % line.len()] - line[k]).norm())
            .sum();
        let stride = line.len().div_ceil(120).max(1);
        let line = if length < FULL_MM {
            Vec::new()
        } else {
            line.iter().step_by(stride).copied().collect()
        };
        Self { points, line }
    }

    /// The best pose with its up within 60° of `up`, and the best of those that face the other way.
    pub(super) fn poses(&self, up: &Vector3) -> Option<[Pose; 2]> {
        let form = Form::new();
        let up = up.try_normalize(1e-12)?;
        if self.points.len() < 20 {
            return None;
        }
        let mut all: Vec<Pose> = (0..TURNS)
            .into_par_iter()
            .map(|k| {
                let angle = std::f64::consts::TAU * k as f64 / TURNS as f64;
                self.settle(&form, self.start(&up, angle))
            })
            .collect();
        all.sort_by(|a, b| a.misfit_mm.total_cmp(&b.misfit_mm));
        let best = *all.first()?;
        let forward = best.axes()[1];
        let other = all
            .iter()
            .find(|pose| pose.axes()[1].dot(&forward) < -0.3)
            .copied();
        // When every start runs to the same pose, the other way round is settled from that pose.
        let about =
            Rotation3::from_axis_angle(&Unit::new_normalize(Vector3::z()), std::f64::consts::PI);
        let other = other.unwrap_or_else(|| {
            let turned = Pose {
                turn: about * best.turn,
                shift: about * best.shift,
                ..best
            };
            Pose {
                misfit_mm: self.misfit(&form, &turned),
                ..turned
            }
        });
        Some([best, other])
    }

    fn start(&self, up: &Vector3, angle: f64) -> Pose {
        let level = Rotation3::rotation_between(up, &Vector3::z()).unwrap_or_else(|| {
            Rotation3::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI)
        });
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), angle) * level;
        let count = self.points.len() as f64;
        let mean = self.points.iter().map(|p| p.coords).sum::<Vector3>() / count;
        // A scalp's middle lies above the form's: about where the mean of its upper part is.
        let target = Vector3::new(0.0, -5.0, 35.0);
        Pose {
            turn,
            size: 1.0,
            shift: target - turn * mean,
            own: Own::zeros(),
            misfit_mm: f64::INFINITY,
        }
    }

    /// Gauss–Newton from a start.
    fn settle(&self, form: &Form, mut pose: Pose) -> Pose {
        const NUDGES: [f64; 7] = [1e-4, 1e-4, 1e-4, 1e-4, 1e-2, 1e-2, 1e-2];
        let mut damping = 1e-3;
        pose.misfit_mm = self.misfit(form, &pose);
        for _ in 0..STEPS {
            let base = self.residuals(form, &pose);
            let nudged: Vec<Vec<Residual>> = (0..7)
                .map(|k| {
                    let mut step = Unknowns::zeros();
                    step[k] = NUDGES[k];
                    self.residuals(form, &moved(&pose, &step))
                })
                .collect();
            let mut matrix = SMatrix::<f64, 15, 15>::zeros();
            let mut right = Unknowns::zeros();
            for (i, here) in base.iter().enumerate() {
                let weight = here.weight * (here.limit / here.off.abs()).min(1.0);
                let row = Unknowns::from_fn(|k, _| match k.checked_sub(7) {
                    None => (nudged[k][i].off - here.off) / NUDGES[k],
                    Some(own) => here.by_own[own],
                });
                matrix += weight * row * row.transpose();
                right -= weight * here.off * row;
            }
            let wish = SIZE_WEIGHT / (SIZE_SPREAD * SIZE_SPREAD);
            matrix[(3, 3)] += wish;
            right[3] -= wish * pose.size.ln();
            for own in 0..OWN {
                matrix[(7 + own, 7 + own)] += OWN_WEIGHT;
                right[7 + own] -= OWN_WEIGHT * pose.own[own];
            }
            for k in 0..UNKNOWNS {
                matrix[(k, k)] *= 1.0 + damping;
            }
            let Some(step) = matrix.cholesky().map(|c| c.solve(&right)) else {
                break;
            };
            let mut next = moved(&pose, &step);
            next.misfit_mm = self.misfit(form, &next);
            if next.misfit_mm < pose.misfit_mm {
                let gained = pose.misfit_mm - next.misfit_mm;
                pose = next;
                damping = (damping * 0.3_f64).max(1e-6);
                if gained < 1e-5 {
                    break;
                }
            } else {
                damping *= 10.0;
                if damping > 1e3 {
                    break;
                }
            }
        }
        pose
    }

    fn residuals(&self, form: &Form, pose: &Pose) -> Vec<Residual> {
        let surface = 1.0 / self.points.len() as f64;
        let on_surface = self.points.iter().map(|p| {
            let (off, by_own) = form.distance(&pose.form_point(p), &pose.own);
            Residual {
                off: off / pose.size,
                by_own: by_own / pose.size,
                weight: surface,
                limit: HUBER_MM,
            }
        });
        let weight = LINE_WEIGHT / self.line.len().max(1) as f64;
        let on_line = self.line.iter().map(|p| {
            let (off, by_own) = form.above_hairline(&pose.form_point(p), &pose.own);
            Residual {
                off: off / pose.size,
                by_own: by_own / pose.size,
                weight,
                limit: LINE_HUBER_MM,
            }
        });
        on_surface.chain(on_line).collect()
    }

    fn misfit(&self, form: &Form, pose: &Pose) -> f64 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for Residual {
            off, weight, limit, ..
        } in self.residuals(form, pose)
        {
            let r = off.abs();
            let cost = if r < limit {
                r * r
            } else {
                limit * (2.0 * r - limit)
            };
            sum += weight * cost;
            weights += weight;
        }
        let size = pose.size.ln() / SIZE_SPREAD;
        let unusual = SIZE_WEIGHT * size * size + OWN_WEIGHT * pose.own.norm_squared();
        ((sum + unusual) / weights).sqrt()
    }

    /// A pose settled again on the surface alone: a line that runs higher or lower at front and nape
    /// than hairlines do tilts the pose with it, and the crown then moves by as much.
    pub(super) fn by_surface(&self, pose: &Pose) -> Pose {
        let bare = Self {
            points: self.points.clone(),
            line: Vec::new(),
        };
        let mut start = *pose;
        start.own.rows_mut(SHAPES, SHIFTS).fill(0.0);
        bare.settle(&Form::new(), start)
    }
}

/// How far one point is off.
struct Residual {
    /// Distance, mm.
    off: f64,
    /// How it grows with each spread of what is the head's own, mm.
    by_own: Own,
    weight: f64,
    /// Beyond this it counts in proportion, mm.
    limit: f64,
}

/// A pose after a small turn, change of size and shift.
fn moved(pose: &Pose, step: &Unknowns) -> Pose {
    let turn = Rotation3::new(Vector3::new(step[0], step[1], step[2]));
    let size = step[3].clamp(-0.1, 0.1).exp();
    Pose {
        turn: turn * pose.turn,
        size: (pose.size * size).clamp(0.7, 1.4),
        shift: turn * pose.shift * size + Vector3::new(step[4], step[5], step[6]),
        own: pose.own + step.fixed_rows::<8>(7),
        misfit_mm: pose.misfit_mm,
    }
}

/// Steps round the head in which the hairline's heights are kept.
const ROUND: usize = 180;

/// The average head with its hairline by direction, and how both differ among people.
pub(super) struct Form {
    head: HeadForm,
    /// Elevation of the hairline over azimuth, radians, in equal steps from the back round by the left.
    elevations: Vec<f64>,
    /// How it grows with each spread of the hairline.
    by_shift: [Vec<f64>; SHIFTS],
}

impl Form {
    pub(super) fn new() -> Self {
        let by_shift = std::array::from_fn(|k| {
            // Half a spread each way: the curve is nearly linear in these few degrees.
            let [low, high] = [-0.5, 0.5].map(|by| {
                let mut spreads = [0.0; SHIFTS];
                spreads[k] = by;
                elevations(&hairline_moved(spreads))
            });
            high.iter().zip(low).map(|(high, low)| high - low).collect()
        });
        Self {
            head: average_head(),
            elevations: elevations(&hairline_moved([0.0; SHIFTS])),
            by_shift,
        }
    }

    /// Distance of a point outside the head, mm, measured from its centre, and how it grows with what is
    /// the head's own.
    fn distance(&self, p: &Point3, own: &Own) -> (f64, Own) {
        let mut by_own = Own::zeros();
        let r = p.coords.norm();
        if r < 1e-6 {
            return (-60.0, by_own);
        }
        let (radius, by_shape) = self.head.radius_by_shape_mm(&p.coords);
        for (by_own, by_shape) in by_own.iter_mut().zip(by_shape) {
            *by_own = -by_shape;
        }
        (r - radius + by_own.dot(own), by_own)
    }

    /// How far a point lies above the hairline, mm, and how that grows with what is the head's own.
    fn above_hairline(&self, p: &Point3, own: &Own) -> (f64, Own) {
        let at = (p.x.atan2(p.y) / std::f64::consts::TAU + 0.5) * ROUND as f64;
        let k = at.floor().clamp(0.0, ROUND as f64 - 1.0) as usize;
        let t = at - k as f64;
        let between = |values: &[f64]| values[k] + (values[(k + 1) % ROUND] - values[k]) * t;
        let r = p.coords.norm();
        let mut by_own = Own::zeros();
        for (shift, values) in self.by_shift.iter().enumerate() {
            by_own[SHAPES + shift] = -between(values) * r;
        }
        let elevation = p.z.atan2(p.x.hypot(p.y)) - between(&self.elevations);
        (elevation * r + by_own.dot(own), by_own)
    }
}

/// Elevation of a line round the head over azimuth, radians, in equal steps from the back.
fn elevations(line: &[Vector3]) -> Vec<f64> {
    let angles: Vec<(f64, f64)> = line
        .iter()
        .map(|p| (p.x.atan2(p.y), p.z.atan2(p.x.hypot(p.y))))
        .collect();
    (0..ROUND)
        .map(|k| {
            let azimuth = std::f64::consts::TAU * (k as f64 / ROUND as f64 - 0.5);
            // Weighted mean of the line's points near that azimuth.
            let (mut sum, mut weights) = (0.0, 0.0);
            for (a, e) in &angles {
                let d = (a - azimuth).sin().atan2((a - azimuth).cos());
                let w = (-(d / 0.05).powi(2)).exp() + 1e-12;
                sum += w * e;
                weights += w;
            }
            sum / weights
        })
        .collect()
}

/// How far below the line of a piece the mold is compared with the average head too, mm: to brow, ears
/// and the bulge of the back, which tell front from nape as the top of a head does not.
const AROUND_PIECE_MM: f64 = 60.0;

/// The reversed pose has to fit this many times worse, or front and nape are open.
const SURE: f64 = 1.5;

/// Whether a pose can hardly be taken for its reverse.
pub(super) fn is_sure(misfit_mm: f64, reversed_mm: f64) -> bool {
    reversed_mm > SURE * misfit_mm
}

/// The vertices that are compared with the average head: the base's, and around a small piece some
/// more of the mold.
pub(super) fn compared(mesh: &TriMesh, base: &[bool], line_mm: f64) -> Vec<bool> {
    if line_mm < FULL_MM {
        widened(mesh, base, AROUND_PIECE_MM)
    } else {
        base.to_vec()
    }
}

fn widened(mesh: &TriMesh, base: &[bool], by_mm: f64) -> Vec<bool> {
    let sources = (0..index(mesh.vertex_count())).filter(|&v| base[v as usize]);
    let away = distances(mesh, sources);
    away.iter().map(|d| *d <= by_mm).collect()
}

/// Of the two largest regions, the one that is less like a scalp inside its line.
pub(super) fn less_like_a_scalp(mesh: &TriMesh, regions: &Regions) -> u32 {
    let mut order: Vec<usize> = (0..regions.area_mm2.len()).collect();
    order.sort_by(|&a, &b| regions.area_mm2[b].total_cmp(&regions.area_mm2[a]));
    let [first, second, ..] = order[..] else {
        return order.first().map_or(NONE, |&k| index(k));
    };
    let misfit = |region: usize| {
        let inside = |v: u32| regions.of_vertex[v as usize] == index(region);
        let ring = super::line::rings(mesh, inside)
            .into_iter()
            .max_by_key(|ring| ring.points.len())
            .map(|ring| super::line::divided(&ring.points, 4.0))
            .unwrap_or_default();
        let face_inside = |f: u32| mesh.faces()[f as usize].iter().all(|&v| inside(v));
        let base: Vec<bool> = (0..index(mesh.vertex_count())).map(inside).collect();
        let wide = compared(mesh, &base, super::line::length(&ring));
        let face_compared = |f: u32| mesh.faces()[f as usize].iter().all(|&v| wide[v as usize]);
        let scalp = Scalp::new(mesh, face_compared, &ring);
        let up = outward(mesh, face_inside);
        scalp
            .poses(&up)
            .map_or(f64::INFINITY, |poses| poses[0].misfit_mm)
    };
    if misfit(first) > misfit(second) {
        index(first)
    } else {
        index(second)
    }
}

/// Sum of the outward area of some faces.
pub(super) fn outward(mesh: &TriMesh, inside: impl Fn(u32) -> bool) -> Vector3 {
    (0..index(mesh.face_count()))
        .filter(|&f| inside(f))
        .map(|f| mesh.area_vector(f))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        form::from_readings,
        tape::{Readings, TapePath},
    };

    /// Whether a direction lies inside a ring of points, seen from below the head's middle.
    fn within(ring: &[Point3], p: &Point3) -> bool {
        // Stereographic, so that a ring that dips below the middle stays one.
        let flat = |p: &Point3| {
            let d = p.coords.normalize();
            [d.x / (1.0 + d.z), d.y / (1.0 + d.z)]
        };
        let [x, y] = flat(p);
        let mut inside = false;
        for k in 0..ring.len() {
            let ([ax, ay], [bx, by]) = (flat(&ring[k]), flat(&ring[(k + 1) % ring.len()]));
            if (ay > y) != (by > y) && x < ax + (y - ay) / (by - ay) * (bx - ax) {
                inside = !inside;
            }
        }
        inside
    }

    /// Heads of other shapes than the average, by their readings.
    fn heads() -> Vec<HeadForm> {
        let of = |list: &[(TapePath, f64)]| {
            let readings: Readings = list.iter().copied().collect();
            from_readings(&readings).unwrap().0
        };
        vec![
            average_head(),
            of(&[(TapePath::HeadGirth, 530.0)]),
            of(&[(TapePath::HeadGirth, 610.0)]),
            // long and narrow, short and broad: 5th and 95th percentiles are less apart
            of(&[
                (TapePath::HeadLength, 210.0),
                (TapePath::HeadBreadth, 143.0),
            ]),
            of(&[
                (TapePath::HeadLength, 184.0),
                (TapePath::HeadBreadth, 166.0),
            ]),
        ]
    }

    #[derive(Debug, Default)]
    struct Counts {
        all: usize,
        right: usize,
        /// Wrong though the reversed head fits clearly worse.
        surely_wrong: usize,
        /// Right or wrong, and told to be unsure.
        unsure: usize,
    }

    /// Counts right poses of uneven, turned and mirrored heads with a line of this outline; the mold
    /// goes on for `beyond_mm` below the line.
    fn count(ring_of: impl Fn(&HeadForm) -> Vec<Point3>, beyond_mm: f64) -> Counts {
        let mut counts = Counts::default();
        let mut rng = fastrand::Rng::with_seed(4);
        for form in heads() {
            let ring = ring_of(&form);
            let mesh = form.mesh(4000);
            let kept: Vec<bool> = mesh.positions().iter().map(|p| within(&ring, p)).collect();
            for mirrored in [false, true] {
                for _ in 0..3 {
                    let mut unit = || 2.0 * rng.f64() - 1.0;
                    let swelling = form.point(&Vector3::new(unit(), unit(), 0.3 + unit().abs()));
                    let height = 6.0 * unit();
                    let slant = 0.05 * unit();
                    let turn =
                        Rotation3::new(Vector3::new(3.0 * unit(), 3.0 * unit(), 3.0 * unit()));
                    let shift = Vector3::new(300.0 * unit(), 300.0 * unit(), 300.0 * unit());
                    let place = |p: &Point3| {
                        let near = (p - swelling).norm() / 35.0;
                        let mut q = p + p.coords.normalize() * (height * (-near * near).exp());
                        q.y += slant * q.x;
                        if mirrored {
                            q.x = -q.x;
                        }
                        turn * q + shift
                    };
                    let positions: Vec<Point3> = mesh.positions().iter().map(place).collect();
                    let faces = mesh
                        .faces()
                        .iter()
                        .map(|f| if mirrored { [f[0], f[2], f[1]] } else { *f });
                    let moved = TriMesh::new(positions, faces.collect()).unwrap();
                    let line: Vec<Point3> = ring.iter().map(place).collect();
                    let inside =
                        |f: u32| moved.faces()[f as usize].iter().all(|&v| kept[v as usize]);
                    let base: Vec<bool> = kept.clone();
                    let wide = widened(&moved, &base, beyond_mm);
                    let compared =
                        |f: u32| moved.faces()[f as usize].iter().all(|&v| wide[v as usize]);
                    let scalp = Scalp::new(&moved, compared, &line);
                    let [best, other] = scalp.poses(&outward(&moved, inside)).unwrap();
                    let [r, f, _] = best.axes().map(|axis| turn.inverse() * axis);
                    let right = r.x > 0.9 && f.y > 0.8;
                    let sure = is_sure(best.misfit_mm, other.misfit_mm);
                    counts.all += 1;
                    counts.right += usize::from(right);
                    counts.surely_wrong += usize::from(sure && !right);
                    counts.unsure += usize::from(!sure);
                }
            }
        }
        counts
    }

    #[test]
    fn top_front_and_sides_are_right_on_uneven_turned_and_mirrored_heads() {
        let full = count(|form| form.outline().perimeter, 0.0);
        let wide = count(|form| form.top_piece_outline().perimeter, AROUND_PIECE_MM);
        let bare = count(|form| form.top_piece_outline().perimeter, 0.0);
        println!("full base: {full:?}\npiece on a head: {wide:?}\npiece alone: {bare:?}");
        assert_eq!((full.right, full.unsure), (full.all, 0));
        // seven of the 30 are told to be unsure
        assert!(wide.right == wide.all && wide.unsure <= 8, "{wide:?}");
        // a cap that shows neither brow nor nape can't be told; it has to be said
        assert_eq!(
            [full.surely_wrong, wide.surely_wrong, bare.surely_wrong],
            [0; 3]
        );
    }
}
