//! Surfaces to be laid flat, from plain to nasty, as recipes: a failed case is told in one line.

use std::f64::consts::PI;

use fixtures::Mesh;
use flatten::{Point3, mesh::TriMesh};
use nalgebra::{Rotation3, Unit, Vector3};
use proptest::prelude::*;

/// What a surface is before harm is done to it.
#[derive(Debug, Clone)]
pub(crate) enum Shape {
    /// A head's top, from a shallow dish to nearly closed, with bumps.
    Cap {
        axes: [f64; 3],
        angle: f64,
        bump: f64,
        about: usize,
    },
    /// A band across a head, many times as long as it is wide.
    Strip {
        axes: [f64; 3],
        long: f64,
        wide: f64,
        cells: u32,
    },
    /// Two triangles.
    Pair { wide: f64, high: f64 },
    /// Flat, and nearly all edge.
    Comb { teeth: u32, length: u32 },
}

/// A surface with what a scan does to it.
#[derive(Debug, Clone)]
pub(crate) struct Disk {
    pub(crate) shape: Shape,
    /// Vertices are moved by up to this part of the shortest edge.
    noise: f64,
    /// Triangles are split by a vertex this near a side, as a part of their size; none at 1.
    thinnest: f64,
    /// Triangles are split by a vertex this near a corner, as a part of their size; none at 1.
    doubled: f64,
    /// Openings, the second one this far from the first one's edge, mm.
    holes: Option<f64>,
    seed: u64,
}

impl Disk {
    /// The surface; none where an opening left parts that touch in a point or nothing at all.
    pub(crate) fn mesh(&self) -> Option<Mesh> {
        let mut mesh = match self.shape {
            Shape::Cap {
                axes,
                angle,
                bump,
                about,
            } => fixtures::bumpy_cap(axes, angle, bump, about),
            Shape::Strip {
                axes,
                long,
                wide,
                cells,
            } => {
                let (mut positions, faces) = fixtures::plane(1.0, 1.0, cells, 2);
                for p in &mut positions {
                    let (sin, cos) = (long * (p[0] - 0.5)).sin_cos();
                    let (up, out) = (0.4 + wide * (p[1] - 0.5)).sin_cos();
                    *p = [axes[0] * sin * out, -axes[1] * cos * out, axes[2] * up];
                }
                (positions, faces)
            }
            Shape::Pair { wide, high } => fixtures::plane(wide, high, 1, 1),
            Shape::Comb { teeth, length } => fixtures::comb(teeth, length, 4),
        };
        if let Some(gap) = self.holes {
            let radius = 14.0;
            let first = mesh.0[mesh.0.len() / 5];
            mesh = fixtures::pierced(mesh, first, radius);
            let far = 2.0 * radius + gap;
            let away = |p: &[f64; 3]| {
                (0..3)
                    .map(|k| (p[k] - first[k]).powi(2))
                    .sum::<f64>()
                    .sqrt()
            };
            let off = |p: &&[f64; 3]| (away(p) - far).abs();
            let second = mesh
                .0
                .iter()
                .min_by(|p, q| off(p).total_cmp(&off(q)))
                .copied();
            mesh = fixtures::pierced(mesh, second?, radius);
        }
        mesh = fixtures::noisy(mesh.clone(), self.noise * shortest_edge(&mesh), self.seed);
        if self.thinnest < 1.0 {
            mesh = fixtures::slivers(mesh, self.thinnest, self.seed);
        }
        if self.doubled < 1.0 {
            mesh = fixtures::near_doubles(mesh, self.doubled);
        }
        surface(mesh.clone()).map(|_| mesh)
    }
}

fn shortest_edge((positions, faces): &Mesh) -> f64 {
    let long = |a: u32, b: u32| {
        let (p, q) = (positions[a as usize], positions[b as usize]);
        (0..3).map(|k| (p[k] - q[k]).powi(2)).sum::<f64>().sqrt()
    };
    let sides = faces.iter().flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)]);
    sides.map(|(a, b)| long(a, b)).fold(f64::INFINITY, f64::min)
}

/// One connected surface with a boundary, as the engine takes it.
pub(crate) fn surface((positions, faces): Mesh) -> Option<TriMesh> {
    let mesh = TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).ok()?;
    // One part reaches every vertex from the first.
    let mut seen = vec![false; mesh.vertex_count()];
    let mut next = vec![0_u32];
    while let Some(v) = next.pop() {
        if !std::mem::replace(&mut seen[v as usize], true) {
            next.extend(mesh.fan(v).map(|half| mesh.head(half)));
            next.extend(
                mesh.fan(v)
                    .map(|half| mesh.apex(half))
                    .filter(|&w| (w as usize) < seen.len()),
            );
        }
    }
    seen.into_iter().all(|s| s).then_some(mesh)
}

pub(crate) fn disk() -> impl Strategy<Value = Disk> {
    let axes = || [60.0..90.0_f64, 80.0..110.0, 80.0..120.0];
    let bump = || prop_oneof![Just(0.0), 0.01..0.06_f64];
    let cap = |angles: std::ops::Range<f64>, sizes: std::ops::Range<usize>| {
        (axes(), angles, bump(), sizes).prop_map(|(axes, angle, bump, about)| Shape::Cap {
            axes,
            angle,
            bump,
            about,
        })
    };
    let strip = (axes(), 0.5..2.5_f64, 0.005..0.06_f64, 20..120_u32).prop_map(
        |(axes, long, wide, cells)| Shape::Strip {
            axes,
            long,
            wide,
            cells,
        },
    );
    let shape = prop_oneof![
        6 => cap(0.3..1.6, 150..700),
        // Nearly closed.
        1 => cap(1.6..2.7, 200..700),
        // A few triangles, the size of a fingernail and less.
        1 => cap(0.002..0.1, 7..40),
        1 => strip,
        1 => (0.01..100.0_f64, 0.01..100.0_f64).prop_map(|(wide, high)| Shape::Pair { wide, high }),
        1 => (1..4_u32, 4..12_u32).prop_map(|(teeth, length)| Shape::Comb { teeth, length }),
    ];
    let harm = (
        prop_oneof![Just(0.0), 0.001..0.08_f64],
        prop_oneof![Just(1.0), 1e-5..1e-2_f64],
        prop_oneof![2 => Just(1.0), 1 => 1e-6..1e-3_f64],
        prop_oneof![Just(None), (0.0..12.0_f64).prop_map(Some)],
        any::<u64>(),
    );
    (shape, harm).prop_map(|(shape, (noise, thinnest, doubled, holes, seed))| {
        // Holes fit into the large caps only.
        let large = matches!(&shape, Shape::Cap { about, .. } if *about >= 150);
        Disk {
            shape,
            noise,
            thinnest,
            doubled,
            holes: holes.filter(|_| large),
            seed,
        }
    })
}

/// A turn about any axis and a shift.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Motion {
    axis: [f64; 3],
    angle: f64,
    shift: [f64; 3],
}

impl Motion {
    pub(crate) fn of(&self, p: Point3) -> Point3 {
        let axis = Unit::new_normalize(Vector3::from(self.axis));
        Rotation3::from_axis_angle(&axis, self.angle) * p + Vector3::from(self.shift)
    }
}

pub(crate) fn motion() -> impl Strategy<Value = Motion> {
    (
        [0.1..1.0_f64, -1.0..1.0, -1.0..1.0],
        -PI..PI,
        [-500.0..500.0_f64, -500.0..500.0, -500.0..500.0],
    )
        .prop_map(|(axis, angle, shift)| Motion { axis, angle, shift })
}
