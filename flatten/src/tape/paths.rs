//! The paths a tape follows on a head, and their lengths.
//!
//! In: a surface (mold, head form or finished base) and [`Stations`]. Out: a [`TapeLine`] for each
//! path that the surface and the stations allow. The six trade paths follow common practice of wig
//! and hairpiece makers; the trade's circumference runs along the hairline down to the nape and is not
//! the head girth of anthropometry ("maximum girth of the head above the ears", ISO 8559-1).

use crate::{Point3, mesh::TriMesh};

use super::{
    Plane, Stations, TapeLine,
    section::{segments, taut_arc, taut_loop},
};

/// What is measured. The key is the name of the reading in files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TapePath {
    /// `girth`: the trade's circumference: front hairline centre, over the right ear, nape hairline
    /// centre, over the left ear, back.
    Girth,
    /// `front_to_nape`: front hairline centre straight over the crown to the nape hairline centre.
    FrontToNape,
    /// `ear_to_ear_forehead`: from the hairline's lowest point before one ear up to the front centre
    /// and down to the same point on the other side.
    EarToEarForehead,
    /// `ear_to_ear_over`: hairline above one ear, straight over the crown, to the other.
    EarToEarOver,
    /// `temple_to_temple_back`: front edge of one temple round the back, over the midline at the
    /// height of the ears' tops, to the other.
    TempleToTempleBack,
    /// `nape`: across the nape from corner to corner.
    Nape,
    /// `head_girth`: largest girth above brow and ears (ISO 8559-1).
    HeadGirth,
    /// `head_length`: brow to the farthest point of the back, by calliper.
    HeadLength,
    /// `head_breadth`: greatest breadth above the ears, by calliper.
    HeadBreadth,
    /// `coronal_arc`: ear point to ear point (tragion) over the crown.
    CoronalArc,
}

impl TapePath {
    /// All paths, the six of the trade first.
    pub const ALL: [Self; 10] = [
        Self::Girth,
        Self::FrontToNape,
        Self::EarToEarForehead,
        Self::EarToEarOver,
        Self::TempleToTempleBack,
        Self::Nape,
        Self::HeadGirth,
        Self::HeadLength,
        Self::HeadBreadth,
        Self::CoronalArc,
    ];

    /// Name of the reading in files.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Girth => "girth",
            Self::FrontToNape => "front_to_nape",
            Self::EarToEarForehead => "ear_to_ear_forehead",
            Self::EarToEarOver => "ear_to_ear_over",
            Self::TempleToTempleBack => "temple_to_temple_back",
            Self::Nape => "nape",
            Self::HeadGirth => "head_girth",
            Self::HeadLength => "head_length",
            Self::HeadBreadth => "head_breadth",
            Self::CoronalArc => "coronal_arc",
        }
    }

    /// Its name in a sentence.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Girth => "girth",
            Self::FrontToNape => "front to nape",
            Self::EarToEarForehead => "ear to ear forehead",
            Self::EarToEarOver => "ear to ear over top",
            Self::TempleToTempleBack => "temple to temple",
            Self::Nape => "nape",
            Self::HeadGirth => "head girth",
            Self::HeadLength => "head length",
            Self::HeadBreadth => "head breadth",
            Self::CoronalArc => "coronal arc",
        }
    }

    /// The path of a reading's name.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|path| path.key() == key)
    }

    /// How the tape is laid, for tables and sheets.
    #[must_use]
    pub fn how(self) -> &'static str {
        match self {
            Self::Girth => {
                "front hairline, over the ear, nape hairline, over the other ear, back to the front"
            }
            Self::FrontToNape => {
                "centre of the front hairline straight over the crown to the centre of the nape hairline"
            }
            Self::EarToEarForehead => {
                "bottom of one sideburn, up to the front hairline, down to the other sideburn"
            }
            Self::EarToEarOver => "hairline above one ear, straight over the top, to the other",
            Self::TempleToTempleBack => {
                "front edge of one temple, round the back of the head, to the other temple"
            }
            Self::Nape => "across the nape hairline from corner to corner",
            Self::HeadGirth => "largest girth of the head above the brow and the ears",
            Self::HeadLength => "straight from the brow to the back of the head, by calliper",
            Self::HeadBreadth => "straight across the widest place above the ears, by calliper",
            Self::CoronalArc => "in front of one ear canal, over the crown, to the other",
        }
    }
}

/// How far straight below the front hairline the brow tape lies, mm: 30 mm above the nasion when the
/// hairline is 70 mm above it along the forehead (common practice, no source).
const BROW_BELOW_HAIRLINE_MM: f64 = 38.0;

/// Where a mold ends higher up, the girth is taken from there; these are tried in turn, mm.
const BROW_TRIES_MM: [f64; 5] = [BROW_BELOW_HAIRLINE_MM, 30.0, 20.0, 10.0, 0.0];

/// Farther below the ears' tops than this the back is neck, mm.
const NECK_BELOW_EARS_MM: f64 = 25.0;

/// A closed tape that hangs free over a longer stretch does not go round a surface, mm.
const FREE_LIMIT_MM: f64 = 60.0;

/// Half of the range in which a shortest arc is looked for round its first plane, radians.
const TILT_RANGE: f64 = 0.6;

/// Lays one tape. Nothing when the surface does not reach where the tape would go, or the stations
/// lack what the path needs.
///
/// # Method
/// Paths between named points: the plane through three of them, pulled taut. Stretches between two
/// points only (circumference, forehead, nape) lie in the plane that gives the shortest taut arc; on
/// a rounded surface that is within a fraction of a percent of the geodesic, and a tape with some
/// breadth does the same.
#[must_use]
pub fn measure(mesh: &TriMesh, stations: &Stations, path: TapePath) -> Option<TapeLine> {
    let s = stations;
    let h = &s.head;
    let inside = s.inside();
    match path {
        TapePath::Girth => {
            s.hairline?;
            through(
                mesh,
                &[h.front, h.right_ear, h.nape, h.left_ear, h.front],
                &inside,
            )
        }
        TapePath::FrontToNape => arc(mesh, h.front, h.crown, h.nape),
        TapePath::EarToEarForehead => {
            let [right, left] = s.hairline?.sideburns;
            through(mesh, &[right, h.front, left], &inside)
        }
        TapePath::EarToEarOver => arc(mesh, h.right_ear, h.crown, h.left_ear),
        TapePath::TempleToTempleBack => {
            let [right, left] = s.hairline?.temples;
            arc(mesh, right, occiput(mesh, s)?, left)
        }
        TapePath::Nape => {
            let [right, left] = s.hairline?.nape_corners;
            through(mesh, &[right, left], &inside)
        }
        TapePath::HeadGirth => head_girth(mesh, s),
        TapePath::HeadLength => {
            let front = brow(mesh, s, BROW_BELOW_HAIRLINE_MM)?;
            // the back of the head, not of the neck
            let ears = nalgebra::center(&h.left_ear, &h.right_ear);
            let head = |p: &Point3| (p - ears).dot(&h.up) > -NECK_BELOW_EARS_MM;
            let line = midline(mesh, s)?.into_iter().flatten();
            let back = farthest(line.filter(head), &front)?;
            Some(TapeLine::open(vec![front, back]))
        }
        TapePath::HeadBreadth => breadth(mesh, s),
        TapePath::CoronalArc => {
            let [right, left] = s.tragions?;
            arc(mesh, right, h.crown, left)
        }
    }
}

/// The taut closed tape in a plane: the convex hull of the section.
#[must_use]
pub fn girth(mesh: &TriMesh, plane: &Plane) -> Option<TapeLine> {
    let hull = taut_loop(&segments(mesh, plane), plane);
    (hull.len() >= 3).then(|| TapeLine::closed(hull))
}

/// The taut tape from one point over a second to a third, in the plane through them.
///
/// All three are first moved to the surface. The tape keeps to the second point's side of the chord
/// but need not touch it: over a hollow it hangs free.
#[must_use]
pub fn arc(mesh: &TriMesh, from: Point3, over: Point3, to: Point3) -> Option<TapeLine> {
    let [from, over, to] = [from, over, to].map(|p| mesh.project(p).1);
    let plane = Plane::through(from, over, to)?;
    let path = taut_arc(&segments(mesh, &plane), from, to, &(over - from));
    Some(TapeLine::open(path))
}

/// The taut tape along the shortest plane arcs from point to point, outward of `inside`.
fn through(mesh: &TriMesh, points: &[Point3], inside: &Point3) -> Option<TapeLine> {
    let held: Vec<Point3> = points.iter().map(|&p| mesh.project(p).1).collect();
    let mut path = vec![*held.first()?];
    for pair in held.windows(2) {
        path.extend(
            shortest_arc(mesh, pair[0], pair[1], inside)?
                .into_iter()
                .skip(1),
        );
    }
    Some(TapeLine::open(path))
}

/// The shortest taut arc among the planes through two points of the surface.
fn shortest_arc(mesh: &TriMesh, from: Point3, to: Point3, inside: &Point3) -> Option<Vec<Point3>> {
    let along = (to - from).try_normalize(1e-9)?;
    let middle = nalgebra::center(&from, &to) - inside;
    let out = (middle - along * along.dot(&middle)).try_normalize(1e-9)?;
    let side = along.cross(&out);
    let path = |tilt: f64| {
        let outward = out * tilt.cos() + side * tilt.sin();
        let plane = Plane {
            point: from,
            normal: along.cross(&outward),
        };
        taut_arc(&segments(mesh, &plane), from, to, &outward)
    };
    let tilt = golden(-TILT_RANGE, TILT_RANGE, 10, |t| -length(&path(t)));
    Some(path(tilt))
}

/// The largest girth from the brow over the ears.
///
/// # Method
/// Planes through the brow that hold the axis from ear to ear, none below an ear's top; the longest
/// taut loop among 8 tilts over 30°, then refined.
fn head_girth(mesh: &TriMesh, s: &Stations) -> Option<TapeLine> {
    let h = &s.head;
    BROW_TRIES_MM.into_iter().find_map(|below| {
        let brow = brow(mesh, s, below)?;
        let at = |tilt: f64| {
            let back = -h.forward * tilt.cos() + h.up * tilt.sin();
            girth(
                mesh,
                &Plane {
                    point: brow,
                    normal: back.cross(&h.right),
                },
            )
        };
        let lowest = [h.left_ear, h.right_ear]
            .iter()
            .map(|ear| (ear - brow).dot(&h.up).atan2((brow - ear).dot(&h.forward)))
            .fold(-0.5, f64::max);
        let value = |tilt: f64| at(tilt).map_or(0.0, |line| line.length_mm);
        let step = 0.52 / 8.0;
        let coarse = (0..=8).map(|i| lowest + step * f64::from(i));
        let best = coarse.max_by(|a, b| value(*a).total_cmp(&value(*b)))?;
        let tilt = golden((best - step).max(lowest), best + step, 8, value);
        at(tilt).filter(|line| line.free_mm < FREE_LIMIT_MM)
    })
}

/// Straight pieces of the midline.
fn midline(mesh: &TriMesh, s: &Stations) -> Option<Vec<[Point3; 2]>> {
    let plane = Plane::through(s.head.front, s.head.crown, s.head.nape)?;
    Some(segments(mesh, &plane))
}

/// The midline point of the forehead this far below the front hairline.
fn brow(mesh: &TriMesh, s: &Stations, below_mm: f64) -> Option<Point3> {
    let h = &s.head;
    if below_mm <= 0.0 {
        return Some(mesh.project(h.front).1);
    }
    at_height(mesh, s, &(h.front - h.up * below_mm), 1.0)
}

/// The midline point of the back at the height of the ears' tops, over the occipital bone.
fn occiput(mesh: &TriMesh, s: &Stations) -> Option<Point3> {
    let ears = nalgebra::center(&s.head.left_ear, &s.head.right_ear);
    at_height(mesh, s, &ears, -1.0)
}

/// The point of the midline at the height of another, in front (+1) or at the back (−1).
fn at_height(mesh: &TriMesh, s: &Stations, level: &Point3, way: f64) -> Option<Point3> {
    let h = &s.head;
    let height = |p: &Point3| (p - level).dot(&h.up);
    let out = |p: &Point3| (p - s.inside()).dot(&h.forward) * way;
    midline(mesh, s)?
        .into_iter()
        .filter(|[a, b]| (height(a) >= 0.0) != (height(b) >= 0.0))
        .map(|[a, b]| a + (b - a) * (height(&a) / (height(&a) - height(&b))))
        .filter(|p| out(p) > 0.0)
        // a scan may have an inside: the outer face counts
        .max_by(|a, b| out(a).total_cmp(&out(b)))
}

/// Greatest breadth at or above the height of the ears' tops.
fn breadth(mesh: &TriMesh, s: &Stations) -> Option<TapeLine> {
    let h = &s.head;
    let height = |p: &Point3| p.coords.dot(&h.up);
    let floor = height(&h.left_ear).max(height(&h.right_ear));
    let right = |p: &&Point3| p.coords.dot(&h.right);
    let above: Vec<&Point3> = mesh
        .positions()
        .iter()
        .filter(|p| height(p) >= floor)
        .collect();
    let widest = above.iter().max_by(|a, b| right(a).total_cmp(&right(b)))?;
    let other = above.iter().min_by(|a, b| right(a).total_cmp(&right(b)))?;
    // a calliper's jaws are parallel: only the breadth along the axis counts
    let span = right(widest) - right(other);
    Some(TapeLine::open(vec![**widest, **widest - h.right * span]))
}

fn farthest(points: impl Iterator<Item = Point3>, from: &Point3) -> Option<Point3> {
    points.max_by(|a, b| (a - from).norm().total_cmp(&(b - from).norm()))
}

fn length(path: &[Point3]) -> f64 {
    path.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// Where a function with one hump is largest, by golden section.
fn golden(low: f64, high: f64, rounds: usize, value: impl Fn(f64) -> f64) -> f64 {
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (low, high);
    let (mut a, mut b) = (high - ratio * (high - low), low + ratio * (high - low));
    let (mut va, mut vb) = (value(a), value(b));
    for _ in 0..rounds {
        if va < vb {
            (low, a, va) = (a, b, vb);
            b = low + ratio * (high - low);
            vb = value(b);
        } else {
            (high, b, vb) = (b, a, va);
            a = high - ratio * (high - low);
            va = value(a);
        }
    }
    f64::midpoint(low, high)
}
