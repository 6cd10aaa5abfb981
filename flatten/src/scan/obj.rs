//! Wavefront OBJ with vertex colours, materials and pictures.
//!
//! Read here and not by a crate: the best one at hand gives a face without texture coordinates those of
//! the corner before it, knows no `\` at a line's end, and adds indices without a check, which with overflow checks
//! is a panic. The format is a dozen lines of rules; this reader is also the faster one.
//!
//! Understood: `v` with or without colour, `vt`, `f` with all index styles (negative ones count back
//! from the last vertex), `mtllib`, `usemtl`; any line ending; `\` continuations. Points, lines, normals, groups
//! and free-form surfaces are passed over.

use std::{borrow::Cow, collections::BTreeMap};

use super::{
    Companions, MAX_TRIANGLES, MAX_VERTICES, Paint, RawScan, ScanFault,
    files::{MAX_MATERIAL_BYTES, MAX_PICTURE_BYTES},
    mtl::{self, Material},
    paint::{Pages, byte},
    picture, polygon,
};
use crate::{Point3, mesh::NONE};

/// Most corners of one face.
const MAX_CORNERS: usize = 100_000;

/// Position and texture coordinate of a face's corner, numbered from 0; [`NONE`] for no coordinate.
type Corner = [u32; 2];

#[derive(Default)]
struct Reading {
    positions: Vec<Point3>,
    /// Parallel to the positions up to the last coloured one.
    colours: Vec<[f32; 3]>,
    coordinates: Vec<[f32; 2]>,
    faces: Vec<[Corner; 3]>,
    /// Outlines with more corners, split once all positions are known; with the material in force.
    outlines: Vec<(Option<usize>, Vec<Corner>)>,
    libraries: Vec<String>,
    /// Names and their numbers in order of first use.
    materials: BTreeMap<String, usize>,
    /// First face of each run and its material.
    runs: Vec<(usize, Option<usize>)>,
    material: Option<usize>,
    too_few_corners: usize,
}

pub(super) fn read(bytes: &[u8], beside: &dyn Companions) -> Result<RawScan, ScanFault> {
    let mut reading = Reading::default();
    let mut at = 0;
    let mut line = 1;
    while at < bytes.len() {
        let (text, after, lines) = logical_line(bytes, at);
        reading.line(&text).map_err(|what| match what {
            Refusal::TooMany => ScanFault::TooManyTriangles,
            Refusal::Line(what) => ScanFault::malformed(format!("line {line}"), what),
        })?;
        line += lines;
        at = after;
    }
    reading.finish(beside)
}

enum Refusal {
    TooMany,
    Line(String),
}

impl From<&str> for Refusal {
    fn from(what: &str) -> Self {
        Self::Line(what.into())
    }
}

/// The line at `at` with continuations joined, where the next begins, and how many lines it spans.
fn logical_line(bytes: &[u8], at: usize) -> (Cow<'_, [u8]>, usize, usize) {
    let (first, mut after) = physical_line(bytes, at);
    if first.last() != Some(&b'\\') {
        return (Cow::Borrowed(first), after, 1);
    }
    let (mut joined, mut lines) = (first.to_vec(), 1);
    while joined.last() == Some(&b'\\') {
        joined.pop();
        joined.push(b' ');
        if after >= bytes.len() {
            break;
        }
        let (more, end) = physical_line(bytes, after);
        joined.extend_from_slice(more);
        (after, lines) = (end, lines + 1);
    }
    (Cow::Owned(joined), after, lines)
}

/// A line without its ending (LF, CR LF or CR) and where the next begins.
fn physical_line(bytes: &[u8], at: usize) -> (&[u8], usize) {
    let rest = &bytes[at..];
    let end = rest.iter().position(|&b| b == b'\n' || b == b'\r');
    let Some(end) = end else {
        return (rest, bytes.len());
    };
    let crlf = rest[end] == b'\r' && rest.get(end + 1) == Some(&b'\n');
    (&rest[..end], at + end + if crlf { 2 } else { 1 })
}

/// The words of a line up to a comment.
fn words(text: &[u8]) -> impl Iterator<Item = &[u8]> {
    text.split(|&b| b == b' ' || b == b'\t')
        .filter(|word| !word.is_empty())
        .take_while(|word| word[0] != b'#')
}

fn number(word: &[u8]) -> Option<f64> {
    std::str::from_utf8(word).ok()?.parse().ok()
}

impl Reading {
    fn line(&mut self, text: &[u8]) -> Result<(), Refusal> {
        let text = text.trim_ascii();
        let end = text.iter().position(|&b| b == b' ' || b == b'\t');
        let (key, rest) = text.split_at(end.unwrap_or(text.len()));
        match key {
            b"v" => self.vertex(rest),
            b"vt" => self.coordinate(rest),
            b"f" | b"fo" => self.face(rest),
            b"mtllib" => {
                self.libraries
                    .push(String::from_utf8_lossy(rest.trim_ascii()).into_owned());
                Ok(())
            }
            b"usemtl" => {
                self.use_material(&String::from_utf8_lossy(rest.trim_ascii()));
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn vertex(&mut self, rest: &[u8]) -> Result<(), Refusal> {
        if self.positions.len() >= MAX_VERTICES {
            return Err(Refusal::TooMany);
        }
        // x y z, x y z w, x y z r g b or x y z r g b a
        let mut values = [0.0; 7];
        let mut count = 0;
        for word in words(rest).take(7) {
            values[count] = number(word).ok_or("a vertex needs numbers")?;
            count += 1;
        }
        if count < 3 {
            return Err("a vertex needs three coordinates".into());
        }
        self.positions
            .push(Point3::new(values[0], values[1], values[2]));
        if count >= 6 {
            #[allow(clippy::cast_possible_truncation, reason = "a colour needs eight bits")]
            let colour = [values[3] as f32, values[4] as f32, values[5] as f32];
            self.colours.resize(self.positions.len() - 1, [0.5; 3]);
            self.colours.push(colour);
        }
        Ok(())
    }

    fn coordinate(&mut self, rest: &[u8]) -> Result<(), Refusal> {
        if self.coordinates.len() >= MAX_VERTICES {
            return Err(Refusal::TooMany);
        }
        let mut values = words(rest).map(number);
        let u = values.next().flatten();
        let u = u.ok_or("a texture coordinate needs numbers")?;
        let v = values.next().flatten().unwrap_or(0.0);
        #[allow(
            clippy::cast_possible_truncation,
            reason = "texture coordinates are f32"
        )]
        self.coordinates.push([u as f32, v as f32]);
        Ok(())
    }

    fn face(&mut self, rest: &[u8]) -> Result<(), Refusal> {
        let mut first = [[0; 2]; 3];
        let mut count = 0;
        let mut outline = Vec::new();
        for word in words(rest) {
            let corner = self.corner(word)?;
            if count < 3 {
                first[count] = corner;
            } else {
                if count == 3 {
                    outline.extend_from_slice(&first);
                }
                outline.push(corner);
            }
            count += 1;
            if count > MAX_CORNERS {
                return Err("a face has too many corners".into());
            }
        }
        match count {
            0..=2 => self.too_few_corners += 1,
            3 => {
                if self.faces.len() >= MAX_TRIANGLES {
                    return Err(Refusal::TooMany);
                }
                self.faces.push(first);
            }
            _ => self.outlines.push((self.material, outline)),
        }
        Ok(())
    }

    fn corner(&self, word: &[u8]) -> Result<Corner, Refusal> {
        let mut parts = word.split(|&b| b == b'/');
        let vertex = parts.next().unwrap_or_default();
        let vertex = resolve(vertex, self.positions.len())?;
        let coordinate = match parts.next() {
            None | Some(b"") => NONE,
            Some(part) => resolve(part, self.coordinates.len())?,
        };
        Ok([vertex, coordinate])
    }

    fn use_material(&mut self, name: &str) {
        // A search through a list would take hours for a file that names a million.
        let material = self.materials.get(name).copied().unwrap_or_else(|| {
            let number = self.materials.len();
            self.materials.insert(name.to_string(), number);
            number
        });
        self.material = Some(material);
        self.wear(self.material);
    }

    fn wear(&mut self, material: Option<usize>) {
        let face = self.faces.len();
        match self.runs.last_mut() {
            Some(run) if run.0 == face => run.1 = material,
            Some(run) if run.1 == material => {}
            _ => self.runs.push((face, material)),
        }
    }

    fn finish(mut self, beside: &dyn Companions) -> Result<RawScan, ScanFault> {
        let mut notes = Vec::new();
        self.split_outlines()?;
        if self.too_few_corners > 0 {
            let n = self.too_few_corners;
            notes.push(format!(
                "{n} faces with fewer than three corners were ignored"
            ));
        }
        let count = self.positions.len();
        let textured = self.faces.iter().flatten().any(|corner| corner[1] != NONE);
        let paint = if textured && !self.libraries.is_empty() {
            self.texture(beside, &mut notes)?
        } else {
            None
        };
        let paint = paint.or_else(|| self.vertex_colours(&mut notes));
        let faces = std::mem::take(&mut self.faces);
        let faces: Vec<[u32; 3]> = faces
            .into_iter()
            .map(|corners| corners.map(|corner| corner[0]))
            .collect();
        debug_assert_eq!(count, self.positions.len());
        Ok(RawScan {
            positions: self.positions,
            faces,
            paint,
            notes,
        })
    }

    /// Triangles of all outlines, after the file's own ones.
    fn split_outlines(&mut self) -> Result<(), ScanFault> {
        let mut triangles = Vec::new();
        let mut points = Vec::new();
        for (material, outline) in std::mem::take(&mut self.outlines) {
            points.clear();
            for corner in &outline {
                let point = self.positions.get(corner[0] as usize);
                points.push(*point.ok_or(ScanFault::MissingVertex {
                    face: self.faces.len(),
                    vertex: u64::from(corner[0]),
                    count: self.positions.len(),
                })?);
            }
            triangles.clear();
            polygon::triangulate(&points, &mut triangles);
            if self.faces.len() + triangles.len() > MAX_TRIANGLES {
                return Err(ScanFault::TooManyTriangles);
            }
            self.wear(material);
            self.faces
                .extend(triangles.iter().map(|t| t.map(|k| outline[k])));
        }
        Ok(())
    }

    /// The pictures of the materials in use, or nothing when none can be had.
    fn texture(
        &self,
        beside: &dyn Companions,
        notes: &mut Vec<String>,
    ) -> Result<Option<Paint>, ScanFault> {
        let materials = self.fetch_materials(beside, notes);
        let mut pages = Pages::default();
        let mut page_of = Vec::with_capacity(self.materials.len());
        let mut pictures: Vec<(String, Option<usize>)> = Vec::new();
        let mut named: BTreeMap<&str, &Material> = BTreeMap::new();
        for material in &materials {
            named.entry(&material.name).or_insert(material);
        }
        let mut used: Vec<(&String, &usize)> = self.materials.iter().collect();
        used.sort_by_key(|(_, number)| **number);
        for (name, _) in used {
            let material = named.get(name.as_str());
            let page = material.and_then(|material| match &material.picture {
                Some(file) => fetch_picture(file, beside, &mut pages, &mut pictures, notes),
                None => material.colour.and_then(|colour| pages.plain(colour)),
            });
            page_of.push(page);
        }
        if self.runs.is_empty() && materials.len() == 1 {
            // No `usemtl`, one material: it is meant.
            if let Some(file) = &materials[0].picture {
                let page = fetch_picture(file, beside, &mut pages, &mut pictures, notes);
                pages.wear(0, page);
            }
        }
        if !pages.has_picture() {
            return Ok(None);
        }
        for &(face, material) in &self.runs {
            pages.wear(face, material.and_then(|m| page_of[m]));
        }
        let coordinates = &self.coordinates;
        let mut corners = Vec::with_capacity(self.faces.len());
        for (face, face_corners) in self.faces.iter().enumerate() {
            let mut uv = [[0.0; 2]; 3];
            for (uv, corner) in uv.iter_mut().zip(face_corners) {
                if corner[1] != NONE {
                    *uv = *coordinates.get(corner[1] as usize).ok_or_else(|| {
                        ScanFault::malformed(
                            format!("triangle {face}"),
                            format!(
                                "it names texture coordinate {} of {}",
                                u64::from(corner[1]) + 1,
                                coordinates.len()
                            ),
                        )
                    })?;
                }
            }
            corners.push(uv);
        }
        Ok(Some(pages.into_paint(corners)))
    }

    fn fetch_materials(&self, beside: &dyn Companions, notes: &mut Vec<String>) -> Vec<Material> {
        /// Most material files read.
        const MAX_LIBRARIES: usize = 16;
        let mut materials = Vec::new();
        let mut names: Vec<&str> = Vec::new();
        for library in &self.libraries {
            if !names.contains(&library.as_str()) && names.len() < MAX_LIBRARIES {
                names.push(library);
            }
        }
        for name in names {
            // The whole rest of the line is one name, spaces and all; else it lists several.
            match beside.fetch(name, MAX_MATERIAL_BYTES) {
                Ok(bytes) => materials.extend(mtl::read(&bytes)),
                Err(reason) => {
                    let parts: Vec<_> = name.split_whitespace().take(MAX_LIBRARIES).collect();
                    let fetched: Vec<_> = parts
                        .iter()
                        .filter_map(|part| beside.fetch(part, MAX_MATERIAL_BYTES).ok())
                        .collect();
                    if parts.len() < 2 || fetched.is_empty() {
                        notes.push(format!("material file {name:?} was not used: {reason}"));
                    }
                    materials.extend(fetched.iter().flat_map(|bytes| mtl::read(bytes)));
                }
            }
        }
        materials
    }

    fn vertex_colours(&mut self, notes: &mut Vec<String>) -> Option<Paint> {
        if self.colours.is_empty() {
            return None;
        }
        let missing = self.positions.len() - self.colours.len();
        if missing > 0 {
            self.colours.resize(self.positions.len(), [0.5; 3]);
            notes.push(format!(
                "{missing} vertices have no colour and were taken as grey"
            ));
        }
        // Most programs write 0 to 1, some 0 to 255.
        let highest = self
            .colours
            .iter()
            .flatten()
            .fold(0.0, |a: f32, &b| a.max(b));
        let scale = if highest > 1.0 { 1.0 / 255.0 } else { 1.0 };
        let colours = self.colours.iter();
        let colours = colours.map(|c| c.map(|value| byte(f64::from(value) * scale)));
        Some(Paint::Vertex(colours.collect()))
    }
}

/// An index of the file (1 is the first, −1 the last so far) as one from 0.
///
/// An index ahead of its vertex is legal here; the scan's check finds the ones that stay empty.
fn resolve(word: &[u8], so_far: usize) -> Result<u32, Refusal> {
    let index: i64 = std::str::from_utf8(word)
        .ok()
        .and_then(|word| word.parse().ok())
        .ok_or_else(|| Refusal::Line(format!("{:?} is not an index", text(word))))?;
    let from_zero = if index < 0 {
        i64::try_from(so_far)
            .ok()
            .and_then(|n| n.checked_add(index))
    } else {
        index.checked_sub(1)
    };
    from_zero
        .and_then(|k| u32::try_from(k).ok())
        .filter(|&k| k < NONE)
        .ok_or_else(|| Refusal::Line(format!("index {index} does not exist")))
}

/// A word for a message: short, whatever the file holds.
fn text(word: &[u8]) -> String {
    String::from_utf8_lossy(word).chars().take(20).collect()
}

fn fetch_picture(
    file: &str,
    beside: &dyn Companions,
    pages: &mut Pages,
    known: &mut Vec<(String, Option<usize>)>,
    notes: &mut Vec<String>,
) -> Option<usize> {
    /// Most picture files opened.
    const MAX_PICTURES: usize = 64;
    if let Some((_, page)) = known.iter().find(|(name, _)| name == file) {
        return *page;
    }
    if known.len() >= MAX_PICTURES {
        return None;
    }
    let page = beside
        .fetch(file, MAX_PICTURE_BYTES)
        .and_then(|bytes| picture::decode(&bytes))
        .and_then(|picture| pages.picture(picture));
    if let Err(reason) = &page {
        notes.push(format!("picture {file:?} was not used: {reason}"));
    }
    known.push((file.to_string(), page.clone().ok()));
    page.ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scan::NoCompanions;

    fn faces(text: &str) -> Vec<[u32; 3]> {
        read(text.as_bytes(), &NoCompanions).ok().unwrap().faces
    }

    #[test]
    fn indices_line_endings_and_continuations_as_found_in_the_wild() {
        let vertices = "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 0\n";
        assert_eq!(faces(&format!("{vertices}f 1/9/3 2//1 3\n")), [[0, 1, 2]]);
        assert_eq!(
            faces(&format!("{vertices}f -4 -3 -2 # three\n")),
            [[0, 1, 2]]
        );
        assert_eq!(
            faces(&format!("f 1 2 3\n{vertices}l 1 2\np 3\n")),
            [[0, 1, 2]]
        );
        assert_eq!(faces(&format!("{vertices}f 1 2 \\\n 3\n")), [[0, 1, 2]]);
        let crlf = format!("{vertices}f 1 2 \\\n3\nf 2 4 3\n").replace('\n', "\r\n");
        assert_eq!(faces(&crlf), [[0, 1, 2], [1, 3, 2]]);
        assert_eq!(faces(&crlf.replace('\n', "")), [[0, 1, 2], [1, 3, 2]]);
        assert_eq!(faces(&format!("{vertices}f 1 2 4 3")).len(), 2);
    }

    #[test]
    fn a_fault_is_named_with_its_line() {
        let fault = |text: &str| {
            read(text.as_bytes(), &NoCompanions)
                .err()
                .unwrap()
                .to_string()
        };
        assert!(fault("v 1 2 3\n\nv 1 2").starts_with("line 3: a vertex needs three"));
        assert!(fault("v 1 2 3\nf 1 1 0").contains("index 0 does not exist"));
        assert!(fault("v 1 2 3\nf -2 1 1").contains("index -2 does not exist"));
        assert!(fault("f 9223372036854775808 1 1").contains("is not an index"));
        assert!(fault("f 4294967297 1 1").contains("does not exist"));
    }

    #[test]
    fn colours_from_zero_to_one_or_to_255() {
        for text in [
            "v 0 0 0 1 0 0.2\nv 1 0 0 0 0 0\nv 0 1 0\nf 1 2 3",
            "v 0 0 0 255 0 51\nv 1 0 0 0 0 0\nv 0 1 0\nf 1 2 3",
        ] {
            let scan = read(text.as_bytes(), &NoCompanions).ok().unwrap();
            let Some(Paint::Vertex(colours)) = scan.paint else {
                panic!("no colours")
            };
            assert_eq!(colours[0], [255, 0, 51]);
            assert_eq!(colours.len(), 3);
            assert_eq!(scan.notes.len(), 1);
        }
    }
}
