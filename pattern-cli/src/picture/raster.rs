//! Shaded triangles through a depth buffer, seen from far away.
//!
//! In: triangles with a colour each, and from where they are looked at. Out: pixels, and which points
//! are in sight. Parallel projection, no perspective: lengths can be compared across the picture.
//! Cost: linear in triangles and pixels. Twice the pixels are computed and averaged in pairs.

use std::{io::Cursor, ops::Range};

use flatten::{Point2, Point3, Vector2, Vector3};
use image::{
    RgbImage, RgbaImage,
    codecs::png::{CompressionType, FilterType, PngEncoder},
};

/// From where something is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// To the right in the picture; a unit vector.
    pub right: Vector3,
    /// Up in the picture; a unit vector square to it.
    pub up: Vector3,
}

impl View {
    /// To the onlooker.
    pub fn towards(&self) -> Vector3 {
        self.right.cross(&self.up)
    }

    /// Place in the picture's plane, mm.
    pub fn plane(&self, point: Point3) -> Point2 {
        Point2::new(point.coords.dot(&self.right), point.coords.dot(&self.up))
    }

    fn depth(&self, point: Point3) -> f64 {
        point.coords.dot(&self.towards())
    }
}

/// Computed pixels for one in the picture, along each edge.
const OVERSAMPLED: usize = 2;

/// Part of a colour that is seen where the surface turns away; the rest is light from the onlooker's
/// side.
const AMBIENT: f64 = 0.55;

/// A point in the picture, in computed pixels, and how near it is to the onlooker, mm.
#[derive(Clone, Copy)]
struct Spot {
    at: Point2,
    depth: f64,
}

/// A picture while it is made.
#[derive(Debug, Clone)]
pub struct Raster {
    view: View,
    /// Lower left corner, mm.
    corner: Point2,
    per_mm: f64,
    width: usize,
    height: usize,
    depth: Vec<f64>,
    colour: Vec<[u8; 4]>,
}

impl Raster {
    /// An empty picture of a part of the plane, `per_mm` pixels a millimetre.
    pub fn new(view: View, lower_left: Point2, upper_right: Point2, per_mm: f64) -> Self {
        let fine = per_mm * OVERSAMPLED as f64;
        let count = |mm: f64| {
            pixels(mm * fine)
                .next_multiple_of(OVERSAMPLED)
                .max(OVERSAMPLED)
        };
        let (width, height) = (
            count(upper_right.x - lower_left.x),
            count(upper_right.y - lower_left.y),
        );
        Self {
            view,
            corner: lower_left,
            per_mm: fine,
            width,
            height,
            depth: vec![f64::NEG_INFINITY; width * height],
            colour: vec![[0; 4]; width * height],
        }
    }

    /// Width and height of the pictured part, mm.
    pub fn size_mm(&self) -> (f64, f64) {
        (
            self.width as f64 / self.per_mm,
            self.height as f64 / self.per_mm,
        )
    }

    /// Draws a triangle, shaded by its slope when `shaded`, brought `nearer_mm` to the onlooker: what
    /// lies on a surface wins over it.
    pub fn triangle(
        &mut self,
        corners: [Point3; 3],
        colour: [u8; 3],
        shaded: bool,
        nearer_mm: f64,
    ) {
        let spots = corners.map(|p| self.spot(p, nearer_mm));
        let view = self.view;
        self.fill(spots, || lit(corners, colour, shaded, &view));
    }

    /// Draws triangles over common points, the colour of each by its number, as [`Self::triangle`] does.
    pub fn surface(
        &mut self,
        points: &[Point3],
        faces: &[[u32; 3]],
        colour: impl Fn(usize) -> [u8; 3],
        shaded: bool,
        nearer_mm: f64,
    ) {
        let view = self.view;
        let spots: Vec<Spot> = points.iter().map(|p| self.spot(*p, nearer_mm)).collect();
        for (number, face) in faces.iter().enumerate() {
            self.fill(face.map(|v| spots[v as usize]), || {
                let corners = face.map(|v| points[v as usize]);
                lit(corners, colour(number), shaded, &view)
            });
        }
    }

    /// Gives the pixels whose middles a triangle covers, where nothing is nearer, its colour; which is asked for when
    /// something is seen of it: of a fine mesh half are hidden.
    fn fill(&mut self, spots: [Spot; 3], colour: impl FnOnce() -> [u8; 3]) {
        let rows = {
            let [a, b, c] = spots.map(|spot| spot.at.y);
            middles(a.min(b).min(c), a.max(b).max(c), self.height)
        };
        let flat = spots.map(|spot| spot.at);
        let double = (flat[1] - flat[0]).perp(&(flat[2] - flat[0]));
        if rows.is_empty() || !double.is_finite() || double.abs() < 1e-12 {
            return;
        }
        let sides: [Side; 3] = std::array::from_fn(|k| {
            let (from, to) = (flat[(k + 1) % 3], flat[(k + 2) % 3]);
            Side {
                from,
                way: (to - from) / double,
            }
        });
        let deeper = depth(&sides, &spots, |side| -side.way.y);
        let mut colour = Some(colour);
        let mut seen = [0; 4];
        for row in rows {
            let y = row as f64 + 0.5;
            let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
            for side in &sides {
                side.bound(y, &mut low, &mut high);
            }
            let columns = middles(low, high, self.width);
            if columns.is_empty() {
                continue;
            }
            // Depth grows evenly along a row.
            let p = Point2::new(columns.start as f64 + 0.5, y);
            let mut z = depth(&sides, &spots, |side| side.inside(p));
            let places = row * self.width + columns.start..row * self.width + columns.end;
            let depths = self.depth[places.clone()].iter_mut();
            for (depth, pixel) in depths.zip(&mut self.colour[places]) {
                if z > *depth {
                    if let Some(colour) = colour.take() {
                        let [r, g, b] = colour();
                        seen = [r, g, b, u8::MAX];
                    }
                    (*depth, *pixel) = (z, seen);
                }
                z += deeper;
            }
        }
    }

    fn spot(&self, point: Point3, nearer_mm: f64) -> Spot {
        Spot {
            at: self.pixel(point),
            depth: self.view.depth(point) + nearer_mm,
        }
    }

    /// Whether nothing hides a point by more than `slack_mm`.
    pub fn sees(&self, point: Point3, slack_mm: f64) -> bool {
        let p = self.pixel(point);
        let (column, row) = (pixels(p.x), pixels(p.y));
        if p.x < 0.0 || p.y < 0.0 || column >= self.width || row >= self.height {
            return false;
        }
        self.depth[row * self.width + column] <= self.view.depth(point) + slack_mm
    }

    /// Place of a point in the picture, mm from its upper left corner, y down as in SVG.
    pub fn place(&self, point: Point3) -> Point2 {
        let p = self.view.plane(point);
        Point2::new(
            p.x - self.corner.x,
            self.size_mm().1 - (p.y - self.corner.y),
        )
    }

    /// The picture as a PNG file, transparent where nothing was drawn.
    pub fn png(&self) -> Vec<u8> {
        let (width, height) = (self.width / OVERSAMPLED, self.height / OVERSAMPLED);
        let mut picture = RgbaImage::new(clip(width), clip(height));
        for (x, y, pixel) in picture.enumerate_pixels_mut() {
            pixel.0 = self.mean(x as usize, height - 1 - y as usize);
        }
        encode(&picture)
    }

    /// Colour averaged over the computed pixels of one picture pixel.
    fn mean(&self, column: usize, row: usize) -> [u8; 4] {
        let mut sum = [0_u32; 4];
        for dy in 0..OVERSAMPLED {
            for dx in 0..OVERSAMPLED {
                let at = (row * OVERSAMPLED + dy) * self.width + column * OVERSAMPLED + dx;
                let [r, g, b, a] = self.colour[at].map(u32::from);
                sum[0] += r * a;
                sum[1] += g * a;
                sum[2] += b * a;
                sum[3] += a;
            }
        }
        let [r, g, b, a] = sum;
        let weight = a.max(1);
        let count = u32::try_from(OVERSAMPLED * OVERSAMPLED).unwrap_or(1);
        [r / weight, g / weight, b / weight, a / count]
            .map(|value| u8::try_from(value).unwrap_or(u8::MAX))
    }

    fn pixel(&self, point: Point3) -> Point2 {
        Point2::from((self.view.plane(point) - self.corner) * self.per_mm)
    }
}

/// A side of a triangle: from one end to the other, in parts of the triangle's doubled area.
struct Side {
    from: Point2,
    way: Vector2,
}

impl Side {
    /// Weight of the opposite corner: zero on the side, one at that corner.
    fn inside(&self, p: Point2) -> f64 {
        self.way.perp(&(p - self.from))
    }

    /// Narrows a stretch of a row to what lies on the inner hand.
    fn bound(&self, y: f64, low: &mut f64, high: &mut f64) {
        // The weight grows by −way.y with x.
        let at_zero = self.inside(Point2::new(0.0, y));
        if self.way.y == 0.0 {
            if at_zero < 0.0 {
                *high = f64::NEG_INFINITY;
            }
        } else {
            let crossing = at_zero / self.way.y;
            if self.way.y > 0.0 {
                *high = high.min(crossing);
            } else {
                *low = low.max(crossing);
            }
        }
    }
}

/// The corners' depths by weights, or by how these grow.
fn depth(sides: &[Side; 3], spots: &[Spot; 3], weight: impl Fn(&Side) -> f64) -> f64 {
    let parts = sides.iter().zip(spots);
    parts.map(|(side, spot)| weight(side) * spot.depth).sum()
}

/// Pixels of a row of `count` whose middles lie between two places.
fn middles(low: f64, high: f64, count: usize) -> Range<usize> {
    /// What rounding moves: closes hairlines between neighbours.
    const EDGE: f64 = 1e-7;
    let first = pixels((low - 0.5 - EDGE).ceil());
    let end = pixels((high + 0.5 + EDGE).floor()).min(count);
    first..end
}

/// Colour of a triangle as the onlooker sees it.
fn lit(corners: [Point3; 3], colour: [u8; 3], shaded: bool, view: &View) -> [u8; 3] {
    if !shaded {
        return colour;
    }
    let normal = (corners[1] - corners[0]).cross(&(corners[2] - corners[0]));
    shade(colour, normal.normalize().dot(&view.towards()).abs())
}

fn shade(colour: [u8; 3], facing: f64) -> [u8; 3] {
    let light = AMBIENT + (1.0 - AMBIENT) * facing.clamp(0.0, 1.0);
    colour.map(|value| {
        // Between 0 and 255 by construction.
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within a byte"
        )]
        let lit = (f64::from(value) * light).round() as u8;
        lit
    })
}

/// A count of pixels; casts saturate, so no input can make it anything else.
fn pixels(count: f64) -> usize {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "saturates at 0 and at the bound"
    )]
    let whole = count.clamp(0.0, MOST_PIXELS) as usize;
    whole
}

/// Longest edge of a picture, computed pixels.
const MOST_PIXELS: f64 = 6000.0;

fn clip(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

/// A PNG; fully opaque pictures lose their fourth channel.
fn encode(picture: &RgbaImage) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    let opaque = picture.pixels().all(|pixel| pixel.0[3] == u8::MAX);
    // Shaded surfaces change little from row to row; to choose a filter for each row takes longer than the rest.
    let encoder = PngEncoder::new_with_quality(&mut out, CompressionType::Fast, FilterType::Up);
    let written = if opaque {
        let plain = RgbImage::from_fn(picture.width(), picture.height(), |x, y| {
            let [r, g, b, _] = picture.get_pixel(x, y).0;
            image::Rgb([r, g, b])
        });
        plain.write_with_encoder(encoder)
    } else {
        picture.write_with_encoder(encoder)
    };
    // Writing into memory has no way to fail; an empty picture would show it.
    written.map(|()| out.into_inner()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRONT: View = View {
        right: Vector3::new(1.0, 0.0, 0.0),
        up: Vector3::new(0.0, 1.0, 0.0),
    };

    fn square(raster: &mut Raster, z: f64, colour: [u8; 3]) {
        let p = |x, y| Point3::new(x, y, z);
        raster.triangle([p(0., 0.), p(10., 0.), p(10., 10.)], colour, false, 0.0);
        raster.triangle([p(0., 0.), p(10., 10.), p(0., 10.)], colour, false, 0.0);
    }

    #[test]
    fn the_nearer_surface_hides_the_farther_one_whatever_comes_first() {
        for order in [[1.0, 5.0], [5.0, 1.0]] {
            let (a, b) = (Point2::new(0.0, 0.0), Point2::new(10.0, 10.0));
            let mut raster = Raster::new(FRONT, a, b, 2.0);
            for z in order {
                square(
                    &mut raster,
                    z,
                    if z > 3.0 { [255, 0, 0] } else { [0, 0, 255] },
                );
            }
            let picture = image::load_from_memory(&raster.png()).unwrap().to_rgb8();
            assert_eq!((picture.width(), picture.height()), (20, 20));
            assert!(picture.pixels().all(|pixel| pixel.0 == [255, 0, 0]));
            assert!(raster.sees(Point3::new(5.0, 5.0, 5.0), 0.1));
            assert!(!raster.sees(Point3::new(5.0, 5.0, 1.0), 0.1));
        }
    }

    #[test]
    fn wild_triangles_do_no_harm() {
        let (a, b) = (Point2::new(0.0, 0.0), Point2::new(10.0, 10.0));
        let mut raster = Raster::new(FRONT, a, b, 2.0);
        let far = Point3::new(1e300, -1e300, 0.0);
        let nan = Point3::new(f64::NAN, 0.0, 0.0);
        raster.triangle([far, nan, Point3::origin()], [1, 2, 3], true, 0.0);
        raster.triangle([Point3::origin(); 3], [1, 2, 3], true, 0.0);
        assert!(!raster.png().is_empty());
    }
}
