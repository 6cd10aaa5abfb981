//! Cutting the patch from the mold.
//!
//! All lines are drawn into the mold at once, which turns every crossing into a vertex. The lines
//! then part the mold into regions; walking from outside the base inward, each line crossed flips
//! one bit, so a region's bits say inside which lines it lies. The base is what is inside the
//! perimeter and inside no opening.
//!
//! "Outside" is where the mold itself ends: its rim when it is an open shell, otherwise its lowest
//! point, which no base covers. So the crown is kept in a full base, and a piece that leaves the
//! crown bare keeps what its perimeter encloses.

use std::collections::{BTreeMap, HashMap, VecDeque};

use crate::{
    Point3, Vector3,
    mesh::{Imprint, NONE, TriMesh, imprint, index},
};

use super::{
    Drawn, Head, KeepClear, OpeningNumbers, Outline, Patch, PatchError, REACH_MM,
    curve::closed_line,
};

/// Loops shorter than this that a line makes with itself are taken out: shaky pens and mouse hands,
/// not figures of eight, mm.
const TREMBLE_MM: f64 = 2.0;

/// Most openings of one base; one bit each, and one for the perimeter.
const MOST_OPENINGS: usize = 63;

/// Leftovers below this area beside the base are dropped without a word, mm².
const SCRAP_MM2: f64 = 25.0;

/// A boundary of the mold at least this long, relative to the perimeter, is its rim; shorter ones
/// are holes in the scan.
const RIM: f64 = 0.5;

/// How near the perimeter the four landmarks lie when it goes round the whole head, mm.
const FULL_BASE_MM: f64 = 40.0;

impl Patch {
    /// Cuts what the base covers out of the mold, exactly through its triangles.
    ///
    /// The perimeter may be given either way round. Its points are laid on the mold and joined over
    /// the surface, smoothly where they are sparse. An opening inside becomes a boundary of its own;
    /// one that reaches the perimeter joins it, and the perimeter then runs round it.
    ///
    /// # Errors
    /// [`PatchError`] for points far off the mold, lines that cross themselves or each other,
    /// openings that lie outside or part the base, and holes of the scan inside it.
    pub fn cut(
        mold: &TriMesh,
        head: Head,
        outline: &Outline,
        keep_clear: Vec<KeepClear>,
    ) -> Result<Self, PatchError> {
        if outline.openings.len() > MOST_OPENINGS {
            return Err(PatchError::TooManyOpenings {
                count: outline.openings.len(),
                most: MOST_OPENINGS,
            });
        }
        for (number, zone) in keep_clear.iter().enumerate() {
            let distance_mm = mold.project(zone.centre).2;
            if distance_mm.is_nan() || distance_mm > REACH_MM {
                return Err(PatchError::KeepClearOff {
                    number: number + 1,
                    distance_mm,
                });
            }
        }
        let mut lines = vec![closed_line(mold, &outline.perimeter, Drawn::Perimeter)?];
        for (k, points) in outline.openings.iter().enumerate() {
            lines.push(closed_line(mold, points, Drawn::Opening(k))?);
        }
        let drawn = imprint(mold, &lines)?;
        let rings = drawn
            .paths
            .iter()
            .enumerate()
            .map(|(k, path)| simple(&drawn.mesh, path, Drawn::numbered(k)))
            .collect::<Result<Vec<_>, _>>()?;
        openings_apart(&drawn.mesh, &rings)?;
        let regions = Regions::find(&drawn.mesh, &rings, &head)?;
        let kept = regions.base(&drawn.mesh, rings.len())?;
        let patch = assemble(&drawn, &regions, kept, head, keep_clear)?;
        patch.refuse_upside_down()?;
        Ok(patch)
    }

    /// A full base lies above its perimeter; below it, the ears were swapped or the scan mirrored.
    fn refuse_upside_down(&self) -> Result<(), PatchError> {
        let edge: Vec<Point3> = self
            .perimeter
            .iter()
            .map(|&v| self.mesh.position(v))
            .collect();
        let near = |landmark: Point3| edge.iter().any(|p| (p - landmark).norm() < FULL_BASE_MM);
        let head = &self.head;
        if ![head.front, head.nape, head.left_ear, head.right_ear]
            .into_iter()
            .all(near)
        {
            return Ok(());
        }
        let mean = |points: &[Point3]| {
            points.iter().map(|p| p.coords).sum::<Vector3>() / points.len() as f64
        };
        if (mean(self.mesh.positions()) - mean(&edge)).dot(&head.up) < 0.0 {
            return Err(PatchError::Mirrored);
        }
        Ok(())
    }
}

/// A ring without repeated vertices; small loops are taken out, larger ones refused.
fn simple(mesh: &TriMesh, path: &[u32], line: Drawn) -> Result<Vec<u32>, PatchError> {
    let step = |a: u32, b: u32| (mesh.position(b) - mesh.position(a)).norm();
    let mut total = 0.0;
    for (k, &v) in path.iter().enumerate() {
        total += step(v, path[(k + 1) % path.len()]);
    }
    let mut ring: Vec<(u32, f64)> = Vec::with_capacity(path.len());
    let mut seen: HashMap<u32, usize> = HashMap::new();
    let mut run = 0.0;
    for (k, &v) in path.iter().enumerate() {
        if k > 0 {
            run += step(path[k - 1], v);
        }
        if let Some(&at) = seen.get(&v) {
            let loop_mm = run - ring[at].1;
            if loop_mm < TREMBLE_MM {
                for (dropped, _) in ring.drain(at + 1..) {
                    seen.remove(&dropped);
                }
                continue;
            }
            if total - loop_mm < TREMBLE_MM {
                ring.drain(..at);
                break;
            }
            return Err(PatchError::CrossesItself {
                line,
                place: mesh.position(v),
            });
        }
        seen.insert(v, ring.len());
        ring.push((v, run));
    }
    if ring.len() < 3 {
        return Err(PatchError::EnclosesNothing { line });
    }
    Ok(ring.into_iter().map(|r| r.0).collect())
}

fn openings_apart(mesh: &TriMesh, rings: &[Vec<u32>]) -> Result<(), PatchError> {
    let mut owner: HashMap<u32, usize> = HashMap::new();
    for (k, ring) in rings.iter().enumerate().skip(1) {
        for &v in ring {
            if let Some(first) = owner.insert(v, k) {
                return Err(PatchError::OpeningsCross {
                    first: first - 1,
                    second: k - 1,
                    place: mesh.position(v),
                });
            }
        }
    }
    Ok(())
}

/// The mold parted by the lines.
struct Regions {
    /// Region of each face.
    of_face: Vec<u32>,
    /// Inside which lines each region lies: bit 0 the perimeter, bit k + 1 opening k. `None` for
    /// shells that the lines don't touch.
    inside: Vec<Option<u64>>,
    /// Lines along a half-edge, on both of its sides.
    lines: BTreeMap<u32, u64>,
}

impl Regions {
    fn find(mesh: &TriMesh, rings: &[Vec<u32>], head: &Head) -> Result<Self, PatchError> {
        let mut lines: BTreeMap<u32, u64> = BTreeMap::new();
        for (bit, ring) in rings.iter().enumerate() {
            for (k, &v) in ring.iter().enumerate() {
                let w = ring[(k + 1) % ring.len()];
                for h in mesh.fan(v) {
                    let into = crate::mesh::prev(h);
                    let along = if mesh.head(h) == w {
                        h
                    } else if mesh.tail(into) == w {
                        into
                    } else {
                        continue;
                    };
                    *lines.entry(along).or_default() |= 1 << bit;
                    if mesh.twin(along) != NONE {
                        *lines.entry(mesh.twin(along)).or_default() |= 1 << bit;
                    }
                    break;
                }
            }
        }
        let (of_face, count) = flood(mesh, &lines);
        let mut regions = Self {
            of_face,
            inside: vec![None; count],
            lines,
        };
        regions.spread(mesh, rings, head)?;
        Ok(regions)
    }

    fn region(&self, h: u32) -> usize {
        self.of_face[(h / 3) as usize] as usize
    }

    /// Gives every region its bits, from the outside inward.
    fn spread(
        &mut self,
        mesh: &TriMesh,
        rings: &[Vec<u32>],
        head: &Head,
    ) -> Result<(), PatchError> {
        let mut queue = VecDeque::new();
        let mut clash = 0;
        let mut reach =
            |inside: &mut Vec<Option<u64>>, region: usize, bits: u64| match inside[region] {
                Some(known) => clash |= known ^ bits,
                None => {
                    inside[region] = Some(bits);
                    queue.push_back(region);
                }
            };
        if let Some(rim) = rim(mesh, &rings[0]) {
            for v in rim {
                let h = mesh.outgoing(v);
                let bits = self.lines.get(&h).copied().unwrap_or(0);
                let region = self.region(h);
                reach(&mut self.inside, region, bits);
            }
        } else {
            let lowest = (0..index(mesh.vertex_count()))
                .filter(|&v| mesh.outgoing(v) != NONE)
                .min_by(|&v, &w| {
                    let height = |v: u32| mesh.position(v).coords.dot(&head.up);
                    height(v).total_cmp(&height(w))
                });
            if let Some(v) = lowest {
                let region = self.region(mesh.outgoing(v));
                reach(&mut self.inside, region, 0);
            }
        }
        let mut across: Vec<Vec<(usize, u64)>> = vec![Vec::new(); self.inside.len()];
        for (&h, &bits) in &self.lines {
            if mesh.twin(h) != NONE {
                across[self.region(h)].push((self.region(mesh.twin(h)), bits));
            }
        }
        while let Some(region) = queue.pop_front() {
            let bits = self.inside[region].unwrap_or(0);
            for &(other, flips) in &across[region] {
                match self.inside[other] {
                    Some(known) => clash |= known ^ bits ^ flips,
                    None => {
                        self.inside[other] = Some(bits ^ flips);
                        queue.push_back(other);
                    }
                }
            }
        }
        if clash != 0 {
            return Err(PatchError::EnclosesNothing {
                line: Drawn::numbered(clash.trailing_zeros() as usize),
            });
        }
        Ok(())
    }

    /// The region that is the base.
    fn base(&self, mesh: &TriMesh, lines: usize) -> Result<u32, PatchError> {
        let mut areas = vec![0.0; self.inside.len()];
        for (face, &region) in self.of_face.iter().enumerate() {
            areas[region as usize] += mesh.face_area(index(face));
        }
        let area_with = |test: &dyn Fn(u64) -> bool| -> f64 {
            self.inside
                .iter()
                .zip(&areas)
                .filter(|(bits, _)| bits.is_some_and(test))
                .map(|(_, area)| area)
                .sum()
        };
        for opening in 1..lines {
            let bit = 1_u64 << opening;
            if area_with(&|bits| bits & bit != 0 && bits & 1 != 0) <= 0.0 {
                return Err(PatchError::OpeningOutside {
                    opening: opening - 1,
                });
            }
            let shared = |bits: u64| bits & bit != 0 && bits & !bit & !1 != 0;
            if let Some(bits) = self.inside.iter().flatten().find(|&&bits| shared(bits)) {
                let other = (bits & !bit & !1).trailing_zeros() as usize;
                return Err(PatchError::OpeningInOpening {
                    first: opening.min(other) - 1,
                    second: opening.max(other) - 1,
                });
            }
        }
        let mut bases: Vec<(f64, usize)> = self
            .inside
            .iter()
            .enumerate()
            .filter(|(_, bits)| **bits == Some(1))
            .map(|(region, _)| (areas[region], region))
            .collect();
        bases.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        match *bases.as_slice() {
            [] => Err(PatchError::EnclosesNothing {
                line: Drawn::Perimeter,
            }),
            [_, (second, _), ..] if second > SCRAP_MM2 => {
                Err(PatchError::BaseParted { area_mm2: second })
            }
            [(_, region), ..] => Ok(index(region)),
        }
    }
}

/// Region of every face, and how many there are.
fn flood(mesh: &TriMesh, lines: &BTreeMap<u32, u64>) -> (Vec<u32>, usize) {
    let mut wall = vec![false; 3 * mesh.face_count()];
    for &h in lines.keys() {
        wall[h as usize] = true;
    }
    let mut of_face = vec![NONE; mesh.face_count()];
    let mut count = 0;
    let mut stack = Vec::new();
    for seed in 0..index(mesh.face_count()) {
        if of_face[seed as usize] != NONE {
            continue;
        }
        of_face[seed as usize] = count;
        stack.push(seed);
        while let Some(face) = stack.pop() {
            for h in 3 * face..3 * face + 3 {
                let twin = mesh.twin(h);
                if twin == NONE || wall[h as usize] {
                    continue;
                }
                let other = (twin / 3) as usize;
                if of_face[other] == NONE {
                    of_face[other] = count;
                    stack.push(twin / 3);
                }
            }
        }
        count += 1;
    }
    (of_face, count as usize)
}

/// The mold's rim: its longest boundary, when that is long enough to be one.
fn rim(mesh: &TriMesh, perimeter: &[u32]) -> Option<Vec<u32>> {
    let (length, rim) = mesh
        .boundary_loops()
        .into_iter()
        .map(|ring| (ring_length(mesh, &ring), ring))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    (length >= RIM * ring_length(mesh, perimeter)).then_some(rim)
}

/// Length of a closed ring of vertices, mm.
fn ring_length(mesh: &TriMesh, ring: &[u32]) -> f64 {
    (0..ring.len())
        .map(|k| (mesh.position(ring[(k + 1) % ring.len()]) - mesh.position(ring[k])).norm())
        .sum()
}

/// The patch from the faces of one region.
fn assemble(
    drawn: &Imprint,
    regions: &Regions,
    kept: u32,
    head: Head,
    keep_clear: Vec<KeepClear>,
) -> Result<Patch, PatchError> {
    let old = &drawn.mesh;
    let mut renamed = vec![NONE; old.vertex_count()];
    let (mut positions, mut faces, mut face_of) = (Vec::new(), Vec::new(), Vec::new());
    for (face, corners) in old.faces().iter().enumerate() {
        if regions.of_face[face] != kept {
            continue;
        }
        faces.push(corners.map(|v| {
            if renamed[v as usize] == NONE {
                renamed[v as usize] = index(positions.len());
                positions.push(old.position(v));
            }
            renamed[v as usize]
        }));
        face_of.push(index(face));
    }
    let mesh = TriMesh::new(positions, faces)?;
    let lines_along = |v: u32| {
        let h = mesh.outgoing(v);
        let was = 3 * face_of[(h / 3) as usize] + h % 3;
        regions.lines.get(&was).copied().unwrap_or(0)
    };
    let mut perimeter = None;
    let (mut openings, mut loops) = (Vec::new(), Vec::new());
    for ring in mesh.boundary_loops() {
        let lines: Vec<u64> = ring.iter().map(|&v| lines_along(v)).collect();
        if let Some(k) = lines.iter().position(|&l| l == 0) {
            return Err(PatchError::HoleInside {
                place: mesh.position(ring[k]),
                length_mm: ring_length(&mesh, &ring),
            });
        }
        let ring_and_lines: Vec<(u32, u64)> = ring.into_iter().zip(lines).collect();
        if ring_and_lines.iter().any(|r| r.1 & 1 != 0) {
            if perimeter.replace(ring_and_lines).is_some() {
                return Err(PatchError::BaseParted { area_mm2: 0.0 });
            }
        } else {
            loops.push(ring_and_lines[0].1.trailing_zeros() as usize - 1);
            openings.push(ring_and_lines);
        }
    }
    let mut perimeter = perimeter.ok_or(PatchError::EnclosesNothing {
        line: Drawn::Perimeter,
    })?;
    let face_source = face_of
        .iter()
        .map(|&f| drawn.face_source[f as usize])
        .collect();
    // Openings in the maker's order, rings starting in front.
    let mut order: Vec<usize> = (0..openings.len()).collect();
    order.sort_by_key(|&k| loops[k]);
    start_nearest(&mesh, &mut perimeter, head.front);
    for ring in &mut openings {
        start_nearest(&mesh, ring, head.front);
    }
    let ring = |r: &[(u32, u64)]| r.iter().map(|p| p.0).collect::<Vec<u32>>();
    let mut patch = Patch {
        perimeter: ring(&perimeter),
        openings: order.iter().map(|&k| ring(&openings[k])).collect(),
        zones: Vec::new(),
        head,
        keep_clear,
        numbers: OpeningNumbers {
            along_perimeter: perimeter
                .iter()
                .map(|&(_, bits)| (bits & 1 == 0).then(|| bits.trailing_zeros() as usize - 1))
                .collect(),
            of_loops: order.iter().map(|&k| loops[k]).collect(),
        },
        face_source,
        mesh,
    };
    patch.zones = patch.find_zones();
    Ok(patch)
}

fn start_nearest(mesh: &TriMesh, ring: &mut [(u32, u64)], place: Point3) {
    let nearest = (0..ring.len()).min_by(|&a, &b| {
        let gap = |k: usize| (mesh.position(ring[k].0) - place).norm();
        gap(a).total_cmp(&gap(b))
    });
    ring.rotate_left(nearest.unwrap_or(0));
}
