//! The pen line: where a maker drew on the mold, found from the scan's colours.
//!
//! In: a [`CleanMesh`] with paint. Out: [`Traced`]: the perimeter and the openings as closed centre
//! lines on the surface, how well each is seen, and the painted surface itself for pictures. Or a
//! [`TraceError`] with the place. [`propose`] then says where the landmarks may be.
//!
//! The way: `canvas` cuts the surface fine and reads its colours; `ink` says what is darker than
//! its surroundings; `regions` parts the surface along the ink and closes gaps; `line` and
//! `strip` find the middle of the pen's stroke; `pose` lays the average head on the mold to tell top, front and sides;
//! `landmarks` proposes the points a fitting needs. Methods and sources are at the head of each.
//!
//! The line may be of any colour that is darker than what it is drawn on, or of another hue. It may
//! have gaps of up to [`GAP_CLOSED_MM`], blots, and other lines that cross it and end. A second loop
//! inside is an opening. Small pen crosses are found too (see `crosses`); at the places of landmarks
//! they are the landmarks. What it does not do: read words, or tell a drawn parting that runs from edge
//! to edge from a perimeter.
//!
//! Cost: some seconds for a million triangles.

mod canvas;
mod cells;
mod crest;
mod crosses;
mod ink;
mod landmarks;
mod line;
mod pose;
mod regions;
mod strip;

pub use canvas::Canvas;
pub use crosses::Cross;
pub use landmarks::{Landmark, Proposal, propose};

use crate::{
    Point3, Vector3,
    mesh::{CleanMesh, MeshError, NONE, TriMesh, index},
};

use self::{cells::Cells, ink::Ink, line::Ring, regions::Regions};

/// Longest gap in a line that is closed, mm.
pub const GAP_CLOSED_MM: f64 = 15.0;

/// How much longer a gap may measure: the ink's ends are known to less than a millimetre each.
const GAP_SLACK_MM: f64 = 1.0;

/// Shortest perimeter, mm: a piece the size of a palm.
const SHORTEST_PERIMETER_MM: f64 = 160.0;

/// Shortest opening, mm; smaller rings are marks.
const SHORTEST_OPENING_MM: f64 = 40.0;

/// Share of a line that must be seen.
const LEAST_SEEN: f64 = 0.6;

/// An opening's line is as dark as the perimeter's but for this factor: hair shows through here and there.
const SAME_PEN: f64 = 0.6;

/// Share of an opening's line that must be seen: a patch of hair has an edge that looks like a line in
/// parts.
const OPENING_SEEN: f64 = 0.8;

/// Lines of the same pen are as wide as each other but for this factor.
const SAME_WIDTH: f64 = 1.4;

/// A rim shorter than this is that of a hole in the scan, mm; an open mold's goes round a head, or round
/// a piece for the top.
const SHORTEST_RIM_MM: f64 = 300.0;

/// Share below which a person is told to check.
const WELL_SEEN: f64 = 0.85;

/// An enclosed area this large beside the base may be the base as well.
const RIVAL: f64 = 0.4;

/// A stretch without ink.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    /// Length of the way over the surface from one end of the ink to the other, mm.
    pub length_mm: f64,
    /// Its middle.
    pub place: Point3,
}

/// A closed line drawn by a pen.
#[derive(Debug, Clone, PartialEq)]
pub struct PenLine {
    /// Its centre, points on the surface about 2 mm apart in order, the base on the left seen from
    /// outside.
    pub points: Vec<Point3>,
    /// Its length, mm.
    pub length_mm: f64,
    /// Share of the length along which ink is seen, 0 to 1.
    pub seen: f64,
    /// Stretches without ink, longest first.
    pub gaps: Vec<Gap>,
    /// Width of the pen's stroke, median, mm.
    pub width_mm: f64,
    /// How much darker the ink is than its surroundings, 0 to 1, median.
    pub contrast: f64,
}

/// What was found on a scan.
#[derive(Debug, Clone)]
pub struct Traced {
    /// Where the base ends.
    pub perimeter: PenLine,
    /// Areas left open, the largest first.
    pub openings: Vec<PenLine>,
    /// Small crosses drawn with the same pen, anywhere on the scan.
    pub crosses: Vec<Cross>,
    /// The base, which is on the left of the perimeter: its area with openings taken out, mm².
    pub area_mm2: f64,
    /// The painted surface, fine.
    pub canvas: Canvas,
    /// Which vertices of the canvas the base covers.
    pub base: Vec<bool>,
    /// What a person has to look at before the line is used, one sentence each. Gaps that were
    /// closed are not among them, they stand with each line.
    pub doubts: Vec<String>,
}

/// Why no line can be handed over. Places are in millimetres in the scan's axes.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TraceError {
    /// Nothing to see.
    #[error(
        "the scan has no colours: export it with its texture or with vertex colours, or give the perimeter's points"
    )]
    NoPaint,
    /// No ink, or specks only.
    #[error(
        "no pen line is to be seen on the scan: nothing on it is a line darker than its surroundings; draw it with a darker pen, or give the perimeter's points"
    )]
    NoLine,
    /// There is a line, but it encloses nothing.
    #[error(
        "the pen line does not close: about {drawn_mm:.0} mm of it are to be seen, ending near {} and near {}; gaps of up to 15 mm are closed", place(&ends[0]), place(&ends[1])
    )]
    Open {
        /// Length from end to end along the edges of the fine surface, up to a tenth too long, mm.
        drawn_mm: f64,
        /// Its two ends.
        ends: [Point3; 2],
    },
    /// A gap too long to guess.
    #[error(
        "the pen line has a gap of {length_mm:.0} mm near {}; up to 15 mm are closed: draw it there, or give the perimeter's points",
        place(place_of)
    )]
    Gap {
        /// Its length, mm.
        length_mm: f64,
        /// Its middle.
        place_of: Point3,
    },
    /// The line leaves the scan.
    #[error(
        "the pen line runs off the edge of the scan near {}; scan more of the mold there, or give the perimeter's points",
        place(place_of)
    )]
    OffTheEdge {
        /// Where.
        place_of: Point3,
    },
    /// Refining the surface failed, which is our mistake.
    #[error("the surface can't be refined: {0}")]
    Mesh(#[from] MeshError),
}

/// A place in words, a tenth of a millimetre fine.
fn place(p: &Point3) -> String {
    // adding zero takes the minus from a nought
    let [x, y, z] = [p.x, p.y, p.z].map(|c| (c * 10.0).round() / 10.0 + 0.0);
    format!("({x}, {y}, {z})")
}

impl TraceError {
    /// The same with its places in a unit of so many millimetres: the scan's own.
    #[must_use]
    pub fn in_unit(mut self, mm_per_unit: f64) -> Self {
        match &mut self {
            Self::Open { ends, .. } => ends.iter_mut().for_each(|p| *p /= mm_per_unit),
            Self::Gap { place_of, .. } | Self::OffTheEdge { place_of } => *place_of /= mm_per_unit,
            Self::NoPaint | Self::NoLine | Self::Mesh(_) => {}
        }
        self
    }
}

/// Finds the pen line on a mold.
///
/// `up` points along the head's axis to its top, when landmarks tell it; else, on a closed scan, the
/// average head tells which side of the line is the base.
///
/// # Errors
/// [`TraceError`]: no colours, no line, a line that does not close, a gap too long to guess.
pub fn trace(mold: &CleanMesh, up: Option<Vector3>) -> Result<Traced, TraceError> {
    let canvas = Canvas::new(mold)?.ok_or(TraceError::NoPaint)?;
    let mesh = &canvas.mesh;
    let ground = Ground::new(mesh);
    let ink = Ink::find(&canvas, &ground.cells, &ground.normals);
    let regions = Regions::find(mesh, &ink);
    let outside = outside(mesh, &regions, up);
    let Some(base) = base(&regions, outside) else {
        return Err(nothing_enclosed(mesh, &ink));
    };
    let mut rings = line::rings(mesh, |v| regions.of_vertex[v as usize] == base);
    rings.sort_by(|a, b| line::length(&b.points).total_cmp(&line::length(&a.points)));
    let mut rings = rings.into_iter();
    let Some(ring) = rings.next() else {
        return Err(nothing_enclosed(mesh, &ink));
    };
    let perimeter = ground.line(&ink, &ring, 0.0);
    if perimeter.length_mm < SHORTEST_PERIMETER_MM || perimeter.seen < LEAST_SEEN {
        return Err(nothing_enclosed(mesh, &ink));
    }
    accept(&perimeter, &ring)?;
    let mut openings = Vec::new();
    let mut doubts = Vec::new();
    for ring in rings {
        // Drawn with the same pen.
        let opening = ground.line(&ink, &ring, SAME_PEN * perimeter.contrast);
        if opening.length_mm < SHORTEST_OPENING_MM || opening.seen < LEAST_SEEN {
            continue;
        }
        let ratio = opening.width_mm / perimeter.width_mm;
        if opening.seen < OPENING_SEEN || !(1.0 / SAME_WIDTH..SAME_WIDTH).contains(&ratio) {
            doubts.push(format!(
                "what may be a line about {:.0} mm long inside the perimeter is not like the perimeter's, and was left out: if it is an opening, give its points",
                opening.length_mm
            ));
            continue;
        }
        accept(&opening, &ring)?;
        openings.push(opening);
    }
    let all = std::iter::once(&perimeter).chain(&openings);
    for (k, pen) in all.enumerate().filter(|(_, pen)| pen.seen < WELL_SEEN) {
        let what = if k == 0 {
            "perimeter".to_owned()
        } else {
            format!("opening {k}")
        };
        doubts.push(format!(
            "the pen line of the {what} is seen along {:.0} % of its length only: check the rest",
            100.0 * pen.seen
        ));
    }
    let others = (0..regions.area_mm2.len()).filter(|&k| {
        let besides = index(k) != base && index(k) != outside;
        besides && regions.area_mm2[k] > RIVAL * regions.area_mm2[base as usize]
    });
    if others.count() > 0 {
        doubts.push(
            "lines part the head into several large areas, and the largest was taken for the base: check that it is"
                .to_owned(),
        );
    }
    let crosses = crosses::crosses(mesh, &ground.cells, &ground.normals, &ink, &perimeter);
    let area_mm2 = regions.area_mm2[base as usize];
    let covered = regions.of_vertex.iter().map(|&r| r == base).collect();
    Ok(Traced {
        perimeter,
        openings,
        crosses,
        area_mm2,
        canvas,
        base: covered,
        doubts,
    })
}

/// Refuses what would be guessing.
fn accept(line: &PenLine, ring: &Ring) -> Result<(), TraceError> {
    if !ring.closed {
        let place_of = ring.points.first().copied().unwrap_or_else(Point3::origin);
        return Err(TraceError::OffTheEdge { place_of });
    }
    match line.gaps.first() {
        Some(gap) if gap.length_mm > GAP_CLOSED_MM + GAP_SLACK_MM => Err(TraceError::Gap {
            length_mm: gap.length_mm,
            place_of: gap.place,
        }),
        _ => Ok(()),
    }
}

/// Length of a closed way along vertices, mm.
fn round_mm(mesh: &TriMesh, way: &[u32]) -> f64 {
    let next = way.iter().cycle().skip(1);
    way.iter()
        .zip(next)
        .map(|(&v, &w)| nalgebra::distance(&mesh.position(v), &mesh.position(w)))
        .sum()
}

/// The region that the base does not cover.
fn outside(mesh: &TriMesh, regions: &Regions, up: Option<Vector3>) -> u32 {
    let region = |v: u32| regions.of_vertex[v as usize];
    // An open shell ends at its rim.
    let rim = mesh
        .boundary_loops()
        .into_iter()
        .map(|rim| (round_mm(mesh, &rim), rim))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|rim| rim.0 > SHORTEST_RIM_MM)
        .map(|rim| rim.1);
    if let Some(rim) = rim {
        let mut votes = vec![0_usize; regions.area_mm2.len()];
        for v in rim {
            if region(v) != NONE {
                votes[region(v) as usize] += 1;
            }
        }
        let most = (0..votes.len()).max_by_key(|&k| (votes[k], std::cmp::Reverse(k)));
        return most.map_or(NONE, index);
    }
    if let Some(up) = up {
        let height = |v: &u32| mesh.position(*v).coords.dot(&up);
        return (0..index(mesh.vertex_count()))
            .filter(|&v| region(v) != NONE)
            .min_by(|a, b| height(a).total_cmp(&height(b)))
            .map_or(NONE, region);
    }
    pose::less_like_a_scalp(mesh, regions)
}

/// The largest region that is not outside.
fn base(regions: &Regions, outside: u32) -> Option<u32> {
    (0..regions.area_mm2.len())
        .filter(|&k| index(k) != outside)
        .max_by(|&a, &b| regions.area_mm2[a].total_cmp(&regions.area_mm2[b]))
        .map(index)
}

/// Why no region was found: no ink, or a line that does not close.
fn nothing_enclosed(mesh: &TriMesh, ink: &Ink) -> TraceError {
    /// Less ink than this is no line, mm from end to end.
    const SHORT_MM: f64 = 60.0;
    // The largest piece of ink; its ends are as far apart along it as can be.
    let mut seen = vec![false; mesh.vertex_count()];
    let mut largest: Vec<u32> = Vec::new();
    for v in 0..index(mesh.vertex_count()) {
        if !seen[v as usize] && ink.is_ink[v as usize] {
            let members = ink::flood(mesh, v, &mut seen, |w| ink.is_ink[w as usize]);
            if members.len() > largest.len() {
                largest = members;
            }
        }
    }
    let Some(&start) = largest.first() else {
        return TraceError::NoLine;
    };
    let farthest = |from: u32| {
        let away = ink_distances(mesh, ink, from);
        largest
            .iter()
            .map(|&v| (away[v as usize], v))
            .filter(|(d, _)| d.is_finite())
            .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))
            .unwrap_or((0.0, from))
    };
    let (_, one) = farthest(start);
    let (drawn_mm, other) = farthest(one);
    if drawn_mm < SHORT_MM {
        return TraceError::NoLine;
    }
    TraceError::Open {
        drawn_mm,
        ends: [one, other].map(|v| mesh.position(v)),
    }
}

/// Lengths of ways through ink only.
fn ink_distances(mesh: &TriMesh, ink: &Ink, from: u32) -> Vec<f64> {
    regions::distances_within(mesh, std::iter::once(from), |v| ink.is_ink[v as usize])
}

/// What is looked up on the fine surface again and again.
struct Ground<'a> {
    mesh: &'a TriMesh,
    cells: Cells,
    /// Outward, of any length.
    normals: Vec<Vector3>,
}

impl<'a> Ground<'a> {
    fn new(mesh: &'a TriMesh) -> Self {
        let mut normals = vec![Vector3::zeros(); mesh.vertex_count()];
        for (face, corners) in mesh.faces().iter().enumerate() {
            let vector = mesh.area_vector(index(face));
            for &v in corners {
                normals[v as usize] += vector;
            }
        }
        Self {
            mesh,
            cells: Cells::new(mesh.positions(), 2.0),
            normals,
        }
    }

    fn line(&self, ink: &Ink, ring: &Ring, least: f64) -> PenLine {
        line::centred(
            self.mesh,
            &self.cells,
            &self.normals,
            ink,
            &ring.points,
            least,
        )
    }
}
