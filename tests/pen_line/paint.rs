//! Invented heads painted with a pen line that is known to the last bit.
//!
//! A [`Painting`] gives every point of a head a colour: skin, hair showing through, tape with bright
//! edges, light that falls off, a pen line with gaps and blots, noise. It is put on a mesh as vertex
//! colours or as a texture.

use std::{collections::HashMap, f64::consts::TAU};

use flatten::{
    Point3, Vector3,
    form::HeadForm,
    scan::{Paint, RawScan},
};
use image::{Rgb, RgbImage};

/// A closed line drawn on a head.
#[derive(Debug, Clone)]
pub(crate) struct Stroke {
    /// Its centre, closed, points a quarter of a millimetre apart.
    pub(crate) points: Vec<Point3>,
    /// Where there is no ink: distance from the first point and length, mm.
    pub(crate) gaps: Vec<(f64, f64)>,
}

/// Distance between the points of a stroke, mm.
pub(crate) const SPACING: f64 = 0.25;

impl Stroke {
    /// Through points of a head's surface, smoothly, along the surface.
    pub(crate) fn through(form: &HeadForm, knots: &[Point3]) -> Self {
        let n = knots.len();
        let mut dense = Vec::new();
        for k in 0..n {
            let p = [n - 1, 0, 1, 2].map(|j| knots[(k + j) % n].coords);
            for i in 0..200 {
                let t = f64::from(i) / 200.0;
                // uniform Catmull–Rom: knots are evenly spaced
                let q = 0.5
                    * (2.0 * p[1]
                        + (p[2] - p[0]) * t
                        + (2.0 * p[0] - 5.0 * p[1] + 4.0 * p[2] - p[3]) * t * t
                        + (3.0 * p[1] - p[0] - 3.0 * p[2] + p[3]) * t * t * t);
                dense.push(form.point(&q));
            }
        }
        let (mut points, mut run, mut due) = (Vec::new(), 0.0, 0.0);
        for k in 0..dense.len() {
            let (a, b) = (dense[k], dense[(k + 1) % dense.len()]);
            let step = (b - a).norm();
            while due <= run + step && step > 0.0 {
                points.push(a + (b - a) * ((due - run) / step));
                due += SPACING;
            }
            run += step;
        }
        Self {
            points,
            gaps: Vec::new(),
        }
    }

    pub(crate) fn length(&self) -> f64 {
        self.points.len() as f64 * SPACING
    }

    /// The point so far along it, mm.
    pub(crate) fn at(&self, run: f64) -> Point3 {
        let k = (run.rem_euclid(self.length()) / SPACING) as usize;
        self.points[k.min(self.points.len() - 1)]
    }

    fn is_inked(&self, k: usize) -> bool {
        let run = k as f64 * SPACING;
        let length = self.length();
        !self
            .gaps
            .iter()
            .any(|&(from, long)| (run - from).rem_euclid(length) < long)
    }

    /// Distance of a point from the line, gaps and all.
    pub(crate) fn distance(&self, p: &Point3) -> f64 {
        let nearest = self.points.iter().map(|q| (p - q).norm_squared());
        nearest.fold(f64::INFINITY, f64::min).sqrt()
    }

    /// Whether the nearest point of the line is in a gap, or within `rim` of one.
    pub(crate) fn in_gap(&self, p: &Point3, rim: f64) -> bool {
        let gap = |k: &usize| (p - self.points[*k]).norm_squared();
        let k = (0..self.points.len()).min_by(|a, b| gap(a).total_cmp(&gap(b)));
        let run = k.unwrap_or(0) as f64 * SPACING;
        let length = self.length();
        self.gaps
            .iter()
            .any(|&(from, long)| (run - from + rim).rem_euclid(length) < long + 2.0 * rim)
    }
}

/// All that is on a head.
#[derive(Debug, Clone)]
pub(crate) struct Painting {
    pub(crate) strokes: Vec<Stroke>,
    /// Open strokes of the same pen: crosses, two each.
    pub(crate) marks: Vec<Stroke>,
    pub(crate) width: f64,
    pub(crate) pen: [f64; 3],
    pub(crate) skin: [f64; 3],
    /// Hair: its colour and how much of the head it covers, 0 to 1.
    pub(crate) hair: ([f64; 3], f64),
    /// Blots: middle and radius.
    pub(crate) blots: Vec<(Point3, f64)>,
    /// Edges of tape: planes that cut the head, with the brightness they add (less than nothing: a
    /// grey edge) and their half width.
    pub(crate) edges: Vec<(Vector3, f64, f64, f64)>,
    /// Where light comes from, and the share that is left on the far side.
    pub(crate) light: (Vector3, f64),
    /// Standard deviation of a pixel, of 255.
    pub(crate) noise: f64,
    pub(crate) seed: u64,
}

impl Painting {
    /// Even skin, one black line, no noise.
    pub(crate) fn plain(strokes: Vec<Stroke>) -> Self {
        Self {
            strokes,
            marks: Vec::new(),
            width: 2.5,
            pen: [25.0, 25.0, 30.0],
            skin: [205.0, 165.0, 140.0],
            hair: ([60.0, 45.0, 35.0], 0.0),
            blots: Vec::new(),
            edges: Vec::new(),
            light: (Vector3::z(), 1.0),
            noise: 0.0,
            seed: 1,
        }
    }

    /// Draws a short straight stroke on a head: its middle, which way it goes and how long it is.
    pub(crate) fn mark(&mut self, form: &HeadForm, at: &Point3, way: Vector3, long: f64) {
        let points = (0..=(long / SPACING) as usize).map(|k| {
            let off = k as f64 * SPACING - 0.5 * long;
            form.point(&(at.coords + way.normalize() * off))
        });
        self.marks.push(Stroke {
            points: points.collect(),
            gaps: Vec::new(),
        });
    }

    /// A function that gives each point of the head its colour.
    pub(crate) fn painter(&self) -> impl Fn(&Point3) -> [u8; 3] + '_ {
        let near = Near::new(self.strokes.iter().chain(&self.marks));
        move |p| self.colour(p, &near)
    }

    fn colour(&self, p: &Point3, near: &Near) -> [u8; 3] {
        let mut colour = self.skin;
        // patches of some 25 mm, in them strands of a millimetre
        let patch = smooth_noise(p, 25.0, self.seed) - 1.0 + self.hair.1;
        if patch > 0.0 {
            let strand = smooth_noise(&Point3::new(p.x * 0.3, p.y, p.z * 0.3), 1.2, self.seed + 7);
            let cover = (4.0 * patch).min(1.0) * (0.55 + 0.45 * strand);
            colour = mix(colour, self.hair.0, cover);
        }
        for &(normal, at, bright, half) in &self.edges {
            let off = (p.coords.dot(&normal) - at).abs();
            if off < half {
                let to = if bright > 0.0 { [255.0; 3] } else { [60.0; 3] };
                colour = mix(colour, to, bright.abs());
            }
        }
        let blot = self.blots.iter().any(|(c, r)| (p - c).norm() < *r);
        let ink = near.distance(p) - 0.5 * self.width;
        // the pen's edge is soft over a third of a millimetre
        let cover = if blot {
            1.0
        } else {
            (0.5 - ink / 0.35).clamp(0.0, 1.0)
        };
        colour = mix(colour, self.pen, 0.92 * cover);
        let (from, left) = self.light;
        let lit = left + (1.0 - left) * 0.5 * (1.0 + p.coords.normalize().dot(&from));
        let grain = self.noise * gaussian(p, self.seed + 31);
        // light is linear, colours are not
        colour.map(|c| {
            let c = 255.0 * (c / 255.0).powf(2.2).mul_add(lit, 0.0).powf(1.0 / 2.2) + grain;
            c.round().clamp(0.0, 255.0) as u8
        })
    }

    /// On a mesh, a colour a vertex.
    pub(crate) fn on_vertices(&self, positions: &[Point3], faces: &[[u32; 3]]) -> RawScan {
        let paint = self.painter();
        RawScan {
            positions: positions.to_vec(),
            faces: faces.to_vec(),
            paint: Some(Paint::Vertex(positions.iter().map(paint).collect())),
            notes: Vec::new(),
        }
    }

    /// On a mesh, as a picture of `width` pixels round the head, which lies as the form does.
    pub(crate) fn on_texture(
        &self,
        form: &HeadForm,
        positions: &[Point3],
        faces: &[[u32; 3]],
        width: u32,
    ) -> RawScan {
        let paint = self.painter();
        let height = width / 2;
        // 40 degrees more than all round, so that a face on the seam finds all of itself
        let turn = TAU * 400.0 / 360.0;
        let image = RgbImage::from_fn(width, height, |x, y| {
            let a = (f64::from(x) + 0.5) / f64::from(width) * turn;
            let e = (0.5 - (f64::from(y) + 0.5) / f64::from(height)) * TAU / 2.0;
            let d = Vector3::new(a.sin() * e.cos(), a.cos() * e.cos(), e.sin());
            Rgb(paint(&form.point(&d)))
        });
        let corners = faces
            .iter()
            .map(|face| {
                let mut own = face.map(|v| {
                    let p = positions[v as usize].coords;
                    let a = p.x.atan2(p.y).rem_euclid(TAU);
                    [a, p.z.atan2(p.x.hypot(p.y)) / (TAU / 2.0) + 0.5]
                });
                let most = own.iter().map(|c| c[0]).fold(0.0, f64::max);
                for c in &mut own {
                    if most - c[0] > TAU / 2.0 {
                        c[0] += TAU;
                    }
                    // beyond the overlap only at the poles, where nothing is drawn
                    c[0] = (c[0] / turn).min(1.0);
                }
                own.map(|c| [c[0] as f32, c[1] as f32])
            })
            .collect();
        RawScan {
            positions: positions.to_vec(),
            faces: faces.to_vec(),
            paint: Some(Paint::Texture { corners, image }),
            notes: Vec::new(),
        }
    }
}

/// Points of the strokes' inked parts by cube.
struct Near {
    cubes: HashMap<[i32; 3], Vec<Point3>>,
}

const CUBE: f64 = 4.0;

impl Near {
    fn new<'a>(strokes: impl Iterator<Item = &'a Stroke>) -> Self {
        let mut cubes: HashMap<[i32; 3], Vec<Point3>> = HashMap::new();
        for stroke in strokes {
            for (k, p) in stroke.points.iter().enumerate() {
                if stroke.is_inked(k) {
                    cubes.entry(cube(p)).or_default().push(*p);
                }
            }
        }
        Self { cubes }
    }

    /// Distance to ink, up to the size of a cube.
    fn distance(&self, p: &Point3) -> f64 {
        let [x, y, z] = cube(p);
        let mut best = CUBE * CUBE;
        for dx in -1..=1 {
            for dy in -1..=1 {
                for dz in -1..=1 {
                    for q in self
                        .cubes
                        .get(&[x + dx, y + dy, z + dz])
                        .into_iter()
                        .flatten()
                    {
                        best = best.min((p - q).norm_squared());
                    }
                }
            }
        }
        best.sqrt()
    }
}

fn cube(p: &Point3) -> [i32; 3] {
    [p.x, p.y, p.z].map(|c| (c / CUBE).floor() as i32)
}

fn mix(a: [f64; 3], b: [f64; 3], t: f64) -> [f64; 3] {
    [0, 1, 2].map(|k| a[k] + (b[k] - a[k]) * t)
}

/// A number from 0 to 1 that belongs to a place of a lattice (splitmix64, Steele et al. 2014).
fn lattice(key: [i64; 3], seed: u64) -> f64 {
    let mut z = seed;
    for k in key {
        z = z.wrapping_add(k as u64).wrapping_add(0x9e37_79b9_7f4a_7c15);
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
    }
    (z >> 11) as f64 / (1_u64 << 53) as f64
}

/// Value noise of a grain, 0 to 1.
fn smooth_noise(p: &Point3, grain: f64, seed: u64) -> f64 {
    let q = [p.x / grain, p.y / grain, p.z / grain];
    let base = q.map(|c| c.floor() as i64);
    let t = [0, 1, 2].map(|k| {
        let f = q[k] - base[k] as f64;
        f * f * (3.0 - 2.0 * f)
    });
    let mut sum = 0.0;
    for corner in 0..8_usize {
        let bit = |k: usize| (corner >> k) & 1;
        let weight: f64 = (0..3)
            .map(|k| if bit(k) == 1 { t[k] } else { 1.0 - t[k] })
            .product();
        sum += weight * lattice([0, 1, 2].map(|k| base[k] + bit(k) as i64), seed);
    }
    sum
}

/// Normal noise that belongs to a place, a tenth of a millimetre fine.
fn gaussian(p: &Point3, seed: u64) -> f64 {
    let key = [p.x, p.y, p.z].map(|c| (c * 10.0).floor() as i64);
    (0..4).map(|k| lattice(key, seed + k) - 0.5).sum::<f64>() * 3.0_f64.sqrt()
}
