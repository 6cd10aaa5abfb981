//! The surface parted by the ink into regions.
//!
//! In: which places are ink, and how strong. Out: a region for each vertex; two regions meet along the
//! middle of a line of ink, gaps in it closed.
//!
//! # Method
//! A watershed (Vincent & Soille 1991, "Watersheds in digital spaces", IEEE TPAMI 13(6)) of the
//! distance from the ink, and inside the ink of its strength: regions grow from the places farthest
//! from any ink, downward, and meet at last on the darkest crest. Where two meet above a height of
//! half the longest gap there is no line between them and they are one; where they meet sooner, the
//! gap is closed by the shortest way, for that is where the two ends' distances are equal. What is
//! narrower than a line itself is no region. Then the weakest borders are taken down: a border must
//! be ink along most of its length, and of a crest like that of the strongest (the edge of a tape or of a
//! patch of hair, a crease or a strand is fainter).
//!
//! Cost: n log n.

use std::{
    cmp::{Ordering, Reverse},
    collections::{BTreeMap, BinaryHeap},
};

use crate::mesh::{NONE, TriMesh, index};

use super::ink::{Ink, neighbours};

/// Gaps up to this are bridged here, so that a gap too long to close can be told from no line, mm.
const BRIDGED_MM: f64 = 70.0;

/// A region whose middle is nearer to ink than this is a flaw in the line, mm.
const NARROW_MM: f64 = 1.6;

/// A region smaller than this is a flaw, mm².
const SMALL_MM2: f64 = 120.0;

/// Share of a border that must be ink.
const MOSTLY: f64 = 0.62;

/// Crest of a border over that of the strongest, at least.
const FAINT: f64 = 0.5;

/// Borders with fewer edges than this are not asked for the greatest crest.
const LONG_BORDER: f64 = 150.0;

/// The parts of a surface.
#[derive(Debug, Clone)]
pub(super) struct Regions {
    /// Region of each vertex; [`NONE`] for vertices without faces.
    pub(super) of_vertex: Vec<u32>,
    /// Area of each region, mm².
    pub(super) area_mm2: Vec<f64>,
}

impl Regions {
    pub(super) fn find(mesh: &TriMesh, ink: &Ink) -> Self {
        let height = heights(mesh, ink);
        let basins = Basins::flood(mesh, &height);
        let mut borders = Borders::new(mesh, ink, basins);
        borders.merge_flaws();
        borders.merge_weak();
        borders.finish()
    }
}

/// Distance from the ink, mm; inside it less than nothing, the darker the lower.
fn heights(mesh: &TriMesh, ink: &Ink) -> Vec<f64> {
    let sources = (0..index(mesh.vertex_count())).filter(|&v| ink.is_ink[v as usize]);
    let mut height = distances(mesh, sources);
    for (v, height) in height.iter_mut().enumerate() {
        if ink.is_ink[v] {
            *height = -ink.strength[v];
        }
    }
    height
}

/// Key of a heap: smallest distance first, then smallest vertex.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Front(f64, u32);

impl Eq for Front {}

impl PartialOrd for Front {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Front {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.total_cmp(&other.0).then(self.1.cmp(&other.1))
    }
}

/// Lengths of the shortest ways along edges from a set of vertices (Dijkstra 1959), mm.
pub(super) fn distances(mesh: &TriMesh, sources: impl Iterator<Item = u32>) -> Vec<f64> {
    distances_within(mesh, sources, |_| true)
}

/// The same for ways through some vertices only.
pub(super) fn distances_within(
    mesh: &TriMesh,
    sources: impl Iterator<Item = u32>,
    open: impl Fn(u32) -> bool,
) -> Vec<f64> {
    let mut distance = vec![f64::INFINITY; mesh.vertex_count()];
    let mut heap = BinaryHeap::new();
    for v in sources {
        distance[v as usize] = 0.0;
        heap.push(Reverse(Front(0.0, v)));
    }
    while let Some(Reverse(Front(d, v))) = heap.pop() {
        if d > distance[v as usize] {
            continue;
        }
        for w in neighbours(mesh, v) {
            let longer = d + (mesh.position(w) - mesh.position(v)).norm();
            if longer < distance[w as usize] && open(w) {
                distance[w as usize] = longer;
                heap.push(Reverse(Front(longer, w)));
            }
        }
    }
    distance
}

/// Sets that are joined and never parted (Tarjan 1975).
#[derive(Debug, Clone, Default)]
struct Joined {
    parent: Vec<u32>,
}

impl Joined {
    fn add(&mut self) -> u32 {
        let number = index(self.parent.len());
        self.parent.push(number);
        number
    }

    fn root(&mut self, mut number: u32) -> u32 {
        while self.parent[number as usize] != number {
            let up = self.parent[self.parent[number as usize] as usize];
            self.parent[number as usize] = up;
            number = up;
        }
        number
    }
}

struct Basins {
    of_vertex: Vec<u32>,
    joined: Joined,
}

impl Basins {
    fn flood(mesh: &TriMesh, height: &[f64]) -> Self {
        let mut order: Vec<u32> = (0..index(mesh.vertex_count()))
            .filter(|&v| mesh.outgoing(v) != NONE)
            .collect();
        order.sort_by(|&a, &b| {
            height[b as usize]
                .total_cmp(&height[a as usize])
                .then(a.cmp(&b))
        });
        let mut of_vertex = vec![NONE; mesh.vertex_count()];
        let mut joined = Joined::default();
        let mut peak: Vec<f64> = Vec::new();
        for v in order {
            let here = height[v as usize];
            let mut around: Vec<u32> = Vec::new();
            let mut upward: Option<(f64, u32)> = None;
            for w in neighbours(mesh, v) {
                let basin = of_vertex[w as usize];
                if basin == NONE {
                    continue;
                }
                let root = joined.root(basin);
                if !around.contains(&root) {
                    around.push(root);
                }
                if upward.is_none_or(|u| height[w as usize] > u.0) {
                    upward = Some((height[w as usize], root));
                }
            }
            let Some((_, mut own)) = upward else {
                of_vertex[v as usize] = joined.add();
                peak.push(here);
                continue;
            };
            for other in around {
                let (own_root, other) = (joined.root(own), joined.root(other));
                if own_root == other {
                    continue;
                }
                let lesser = peak[own_root as usize].min(peak[other as usize]);
                let no_line = here > 0.5 * BRIDGED_MM || lesser - here.max(0.0) < NARROW_MM;
                if no_line {
                    joined.parent[other as usize] = own_root;
                    peak[own_root as usize] = peak[own_root as usize].max(peak[other as usize]);
                    own = own_root;
                }
            }
            of_vertex[v as usize] = joined.root(own);
        }
        Self { of_vertex, joined }
    }
}

/// What two regions have in common, counted in mesh edges.
#[derive(Debug, Clone, Copy, Default)]
struct Border {
    edges: f64,
    ink: f64,
    crest: f64,
}

impl Border {
    fn add(&mut self, other: &Self) {
        self.edges += other.edges;
        self.ink += other.ink;
        self.crest += other.crest;
    }

    fn seen(&self) -> f64 {
        self.ink / self.edges
    }

    /// Mean crest of its inked part.
    fn crest(&self) -> f64 {
        self.crest / self.ink.max(1.0)
    }

    /// Mean crest of all of it.
    fn evidence(&self) -> f64 {
        self.crest / self.edges
    }
}

struct Borders {
    of_vertex: Vec<u32>,
    joined: Joined,
    area: BTreeMap<u32, f64>,
    between: BTreeMap<(u32, u32), Border>,
}

impl Borders {
    fn new(mesh: &TriMesh, ink: &Ink, basins: Basins) -> Self {
        let Basins {
            of_vertex,
            mut joined,
        } = basins;
        let of_vertex: Vec<u32> = of_vertex
            .into_iter()
            .map(|basin| {
                if basin == NONE {
                    NONE
                } else {
                    joined.root(basin)
                }
            })
            .collect();
        let mut area = BTreeMap::new();
        let mut between: BTreeMap<(u32, u32), Border> = BTreeMap::new();
        for (face, corners) in mesh.faces().iter().enumerate() {
            let third = mesh.face_area(index(face)) / 3.0;
            for (k, &v) in corners.iter().enumerate() {
                let a = of_vertex[v as usize];
                *area.entry(a).or_default() += third;
                let w = corners[(k + 1) % 3];
                let b = of_vertex[w as usize];
                if a != b {
                    let inked = [v, w].map(|v| ink.is_ink[v as usize]);
                    let crest = [v, w].map(|v| ink.crest[v as usize]);
                    let on = inked[0] || inked[1];
                    between
                        .entry((a.min(b), a.max(b)))
                        .or_default()
                        .add(&Border {
                            edges: 1.0,
                            ink: f64::from(u8::from(on)),
                            crest: if on { crest[0].max(crest[1]) } else { 0.0 },
                        });
                }
            }
        }
        Self {
            of_vertex,
            joined,
            area,
            between,
        }
    }

    fn merge(&mut self, keep: u32, gone: u32) {
        self.joined.parent[gone as usize] = keep;
        let area = self.area.remove(&gone).unwrap_or(0.0);
        *self.area.entry(keep).or_default() += area;
        let moved: Vec<((u32, u32), Border)> = self
            .between
            .iter()
            .filter(|((a, b), _)| *a == gone || *b == gone)
            .map(|(pair, border)| (*pair, *border))
            .collect();
        for ((a, b), border) in moved {
            self.between.remove(&(a, b));
            let other = if a == gone { b } else { a };
            if other != keep {
                let pair = (keep.min(other), keep.max(other));
                self.between.entry(pair).or_default().add(&border);
            }
        }
    }

    /// Regions too small to be one go to the neighbour with which they share most.
    fn merge_flaws(&mut self) {
        loop {
            let smallest = self
                .area
                .iter()
                .filter(|(_, area)| **area < SMALL_MM2)
                .min_by(|a, b| a.1.total_cmp(b.1).then(a.0.cmp(b.0)))
                .map(|(region, _)| *region);
            let Some(region) = smallest else { break };
            let widest = self
                .between
                .iter()
                .filter(|((a, b), _)| *a == region || *b == region)
                .max_by(|x, y| x.1.edges.total_cmp(&y.1.edges).then(y.0.cmp(x.0)))
                .map(|((a, b), _)| if *a == region { *b } else { *a });
            match widest {
                Some(other) => self.merge(other, region),
                // An island of its own; nothing to join it with.
                None => {
                    self.area.remove(&region);
                }
            }
        }
    }

    /// Takes down borders that are no line, the one with least evidence first: a line across a patch of
    /// hair may be seen in parts only, but the patch's edge has less of a crest.
    fn merge_weak(&mut self) {
        while let Some((a, b)) = self.weakest() {
            if self.area.get(&a) >= self.area.get(&b) {
                self.merge(a, b);
            } else {
                self.merge(b, a);
            }
        }
    }

    fn weakest(&self) -> Option<(u32, u32)> {
        let strongest = self
            .between
            .values()
            .filter(|border| border.edges > LONG_BORDER)
            .map(Border::crest)
            .fold(0.0, f64::max);
        self.between
            .iter()
            .filter(|(_, border)| border.seen() < MOSTLY || border.crest() < FAINT * strongest)
            .min_by(|x, y| x.1.evidence().total_cmp(&y.1.evidence()).then(x.0.cmp(y.0)))
            .map(|(pair, _)| *pair)
    }

    fn finish(mut self) -> Regions {
        let mut number = BTreeMap::new();
        let mut area_mm2 = Vec::new();
        for (&region, &area) in &self.area {
            number.insert(region, index(area_mm2.len()));
            area_mm2.push(area);
        }
        let of_vertex = (0..self.of_vertex.len())
            .map(|v| match self.of_vertex[v] {
                NONE => NONE,
                basin => number
                    .get(&self.joined.root(basin))
                    .copied()
                    .unwrap_or(NONE),
            })
            .collect();
        Regions {
            of_vertex,
            area_mm2,
        }
    }
}
