//! Landmarks proposed from the head's shape and the line on it, for a person to check.
//!
//! In: the mold and what was traced on it. Out: a [`Proposal`]: landmarks and axes, and how sure they
//! are. Nobody has to type coordinates; somebody has to look.
//!
//! # Method
//! The average head laid on the mold (see `pose`) tells up, front and the sides. The plane in which
//! the mold is its own mirror image (see [`crate::tape::evenness`]) then cuts the perimeter at the
//! centres of front and nape. The top of an ear is where the perimeter is highest near the average
//! head's ear; where it does not come near, as on a piece for the top, the average head's ear itself
//! is taken, on the surface. The crown is where the mold is highest on that plane, up being that of the
//! average head laid on the surface alone: the hairline is some 80 mm higher in front than at the nape,
//! so what is highest square to front and nape lies far behind it, and a line that is unusual there
//! tilts a head that is laid on it too.
//!
//! Where the maker drew a small cross near one of these places, the cross is the landmark.

use crate::{
    Point3, Vector3,
    form::average_head,
    mesh::TriMesh,
    patch::{Head, PatchError, top},
    tape::evenness,
};

use super::{Cross, Traced, line, pose, pose::Scalp};

/// Landmarks to be checked.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// Landmarks and axes.
    pub head: Head,
    /// Mean distance of the mold from the average head laid on it, mm.
    pub misfit_mm: f64,
    /// The same with front and nape exchanged; the larger beside the other, the surer.
    pub reversed_misfit_mm: f64,
    /// The landmarks that lie at a cross of the pen; the others come from the head's shape and the line.
    pub drawn: Vec<Landmark>,
    /// Crosses that are at no landmark's place: a parting, a scar, or what looks like a cross.
    pub other_crosses: Vec<Cross>,
    /// What a person should look at, one sentence each.
    pub doubts: Vec<String>,
}

/// One of the points that a fitting needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Landmark {
    /// Centre of the front hairline.
    Front,
    /// Centre of the nape hairline.
    Nape,
    /// Top of the left ear.
    LeftEar,
    /// Top of the right ear.
    RightEar,
    /// Top of the head.
    Crown,
}

impl Landmark {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Front,
        Self::Nape,
        Self::LeftEar,
        Self::RightEar,
        Self::Crown,
    ];

    /// How it is called in a sentence.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Nape => "nape",
            Self::LeftEar => "left ear",
            Self::RightEar => "right ear",
            Self::Crown => "crown",
        }
    }

    /// How it is called in files.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Nape => "nape",
            Self::LeftEar => "left_ear",
            Self::RightEar => "right_ear",
            Self::Crown => "crown",
        }
    }

    /// Where it lies on a head.
    #[must_use]
    pub fn on(self, head: &Head) -> Point3 {
        match self {
            Self::Front => head.front,
            Self::Nape => head.nape,
            Self::LeftEar => head.left_ear,
            Self::RightEar => head.right_ear,
            Self::Crown => head.crown,
        }
    }

    /// How far from the place proposed without it a cross is still taken for this landmark, mm: as far
    /// as the proposals are off on heads (ears 10 mm, crown 23 mm from the vertex) and makers differ,
    /// and not as far as the next landmark.
    fn window_mm(self) -> f64 {
        match self {
            Self::Front | Self::Nape | Self::LeftEar | Self::RightEar => 30.0,
            Self::Crown => 50.0,
        }
    }
}

/// A drawn front, nape or crown farther from the plane of symmetry than this is worth a look, mm.
const ASIDE_MM: f64 = 12.0;

/// A plane of symmetry farther turned than this from the average head's is not believed, radians (10°).
const TURNED_RAD: f64 = 0.175;

/// The surface alone is not believed about up when it turns the head farther than this, radians (25°).
const TILTED_RAD: f64 = 0.436;

/// A perimeter farther than this from the average head's ear does not run round the ear, mm.
const EAR_MM: f64 = 35.0;

/// How far to the front or back of the average ear the line's own is looked for, mm.
const EAR_WINDOW_MM: f64 = 24.0;

impl Proposal {
    /// Whether front and nape, and so left and right, can hardly be taken for each other.
    #[must_use]
    pub fn sure(&self) -> bool {
        pose::is_sure(self.misfit_mm, self.reversed_misfit_mm)
    }
}

/// Proposes landmarks on a mold from what was traced on it.
///
/// # Errors
/// [`PatchError`] when what is proposed fixes no axes: then the scan is no head.
pub fn propose(mold: &TriMesh, traced: &Traced) -> Result<Proposal, PatchError> {
    let canvas = &traced.canvas.mesh;
    let inside = |f: u32| {
        canvas.faces()[f as usize]
            .iter()
            .all(|&v| traced.base[v as usize])
    };
    let ring = &traced.perimeter.points;
    let wide = pose::compared(canvas, &traced.base, traced.perimeter.length_mm);
    let compared = |f: u32| canvas.faces()[f as usize].iter().all(|&v| wide[v as usize]);
    let scalp = Scalp::new(canvas, compared, ring);
    let up = pose::outward(canvas, inside);
    let [pose, reversed] = scalp.poses(&up).ok_or(PatchError::LandmarksTogether)?;
    let form = average_head().head();
    let on_mold = |p: &Point3| mold.project(pose.mold_point(p)).1;
    let [right, forward, up] = pose.axes();
    let [_, _, level] = scalp.by_surface(&pose).axes();
    let level = if level.angle(&up) < TILTED_RAD {
        level
    } else {
        up
    };
    let laid = Head {
        front: on_mold(&form.front),
        nape: on_mold(&form.nape),
        left_ear: on_mold(&form.left_ear),
        right_ear: on_mold(&form.right_ear),
        crown: on_mold(&form.crown),
        right,
        forward,
        up,
    };
    let (centre, normal) = mid_plane(mold, &laid, &pose.mold_point(&Point3::origin()));
    let fine = line::divided(ring, 0.5);
    let crossing = |ahead: f64| {
        let at = |p: &Point3| (p - centre).dot(&normal);
        let n = fine.len();
        (0..n)
            .filter(|&k| (at(&fine[k]) <= 0.0) != (at(&fine[(k + 1) % n]) <= 0.0))
            .map(|k| fine[k])
            .max_by(|p, q| {
                let reach = |p: &Point3| ahead * (p - centre).dot(&forward);
                reach(p).total_cmp(&reach(q))
            })
    };
    let front = crossing(1.0).unwrap_or(laid.front);
    let nape = crossing(-1.0).unwrap_or(laid.nape);
    let left_ear = ear(&fine, &laid, laid.left_ear);
    let right_ear = ear(&fine, &laid, laid.right_ear);
    let guessed = [
        mold.project(front).1,
        mold.project(nape).1,
        mold.project(left_ear).1,
        mold.project(right_ear).1,
        top(mold, centre, normal, level),
    ];
    let Marked {
        places,
        drawn,
        others,
        mut doubts,
    } = marked(guessed, &traced.crosses);
    for landmark in [Landmark::Front, Landmark::Nape, Landmark::Crown] {
        let aside = (places[landmark as usize] - centre).dot(&normal);
        if drawn.contains(&landmark) && aside.abs() > ASIDE_MM {
            doubts.push(format!(
                "the cross drawn at the {} lies {:.0} mm to the client's {} of the middle of the head: check it",
                landmark.name(),
                aside.abs(),
                if aside > 0.0 { "right" } else { "left" },
            ));
        }
    }
    let [front, nape, left_ear, right_ear, crown] = places;
    let head = Head::from_landmarks(front, nape, left_ear, right_ear, Some(crown), mold)?;
    let proposal = Proposal {
        head,
        misfit_mm: pose.misfit_mm,
        reversed_misfit_mm: reversed.misfit_mm,
        drawn,
        other_crosses: others,
        doubts: Vec::new(),
    };
    if !proposal.sure() {
        doubts.push(format!(
            "front and nape can hardly be told apart on this mold, so LEFT and RIGHT may be exchanged: the average head fits it to {:.1} mm this way round and to {:.1} mm the other way",
            proposal.misfit_mm, proposal.reversed_misfit_mm
        ));
    }
    Ok(Proposal { doubts, ..proposal })
}

/// What crosses make of proposed places.
struct Marked {
    places: [Point3; 5],
    drawn: Vec<Landmark>,
    others: Vec<Cross>,
    doubts: Vec<String>,
}

/// Puts each landmark at the cross near it, the nearest pair first; a cross serves once.
fn marked(mut places: [Point3; 5], crosses: &[Cross]) -> Marked {
    let guessed = places;
    let off = |landmark: Landmark, cross: &Cross| {
        let off = (cross.place - guessed[landmark as usize]).norm() / landmark.window_mm();
        (off < 1.0).then_some(off)
    };
    let mut pairs: Vec<(f64, Landmark, usize)> = Vec::new();
    for landmark in Landmark::ALL {
        for (k, cross) in crosses.iter().enumerate() {
            pairs.extend(off(landmark, cross).map(|off| (off, landmark, k)));
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut taken = vec![false; crosses.len()];
    let (mut drawn, mut doubts) = (Vec::new(), Vec::new());
    for &(_, landmark, k) in &pairs {
        if !taken[k] && !drawn.contains(&landmark) {
            taken[k] = true;
            drawn.push(landmark);
            places[landmark as usize] = crosses[k].place;
        }
    }
    drawn.sort_by_key(|landmark| *landmark as usize);
    for &landmark in &drawn {
        let rivals =
            (0..crosses.len()).filter(|&k| !taken[k] && off(landmark, &crosses[k]).is_some());
        if rivals.count() > 0 {
            doubts.push(format!(
                "more than one pen cross is near the {}: the nearest to where the head's shape has it was taken; check it",
                landmark.name()
            ));
        }
    }
    let free = crosses.iter().zip(&taken).filter(|(_, taken)| !**taken);
    Marked {
        places,
        drawn,
        others: free.map(|(cross, _)| *cross).collect(),
        doubts,
    }
}

/// A point and the normal, to the right, of the plane in which the mold is its own mirror image.
fn mid_plane(mold: &TriMesh, laid: &Head, inside: &Point3) -> (Point3, Vector3) {
    match evenness(mold, laid) {
        Some(even) if even.normal.angle(&laid.right) < TURNED_RAD => (even.centre, even.normal),
        _ => (*inside, laid.right),
    }
}

/// The top of an ear: the line's highest place near the average head's ear, or that ear itself.
fn ear(line: &[Point3], laid: &Head, average: Point3) -> Point3 {
    let near = |p: &Point3| (p - average).norm();
    let Some(nearest) = line.iter().min_by(|a, b| near(a).total_cmp(&near(b))) else {
        return average;
    };
    if near(nearest) > EAR_MM {
        return average;
    }
    let ahead = |p: &Point3| (p - average).dot(&laid.forward);
    let height = |p: &Point3| p.coords.dot(&laid.up);
    let n = line.len();
    // A crest: nothing higher within a few millimetres of line on either side.
    const CREST: usize = 10;
    let crest = (0..n)
        .filter(|&k| near(&line[k]) < 1.5 * EAR_MM && ahead(&line[k]).abs() < EAR_WINDOW_MM)
        .filter(|&k| {
            (1..=CREST).all(|j| {
                let here = height(&line[k]);
                here >= height(&line[(k + j) % n]) && here >= height(&line[(k + n - j) % n])
            })
        })
        .min_by(|&a, &b| ahead(&line[a]).abs().total_cmp(&ahead(&line[b]).abs()));
    crest.map_or(*nearest, |k| line[k])
}
