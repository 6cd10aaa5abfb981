//! PLY, text and binary of either byte order, by `ply-rs-bw`.
//!
//! Ours is what the crate leaves to its caller: holding the header's claims against the bytes there
//! are, picking coordinates, colours and faces under the names programs give them, and skipping the rest.

use ply_rs_bw::{
    parser::{ParseError, Parser, Reader},
    ply::{
        ElementDef, Encoding, Header, Property, PropertyAccess, PropertyAccessResult, PropertyType,
        ScalarType,
    },
};

use super::{MAX_TRIANGLES, MAX_VERTICES, Paint, RawScan, ScanFault, paint::byte, polygon};
use crate::Point3;

/// Longest header, bytes.
const MAX_HEADER: usize = 1 << 20;

#[derive(Debug)]
struct Vertex {
    position: [f64; 3],
    colour: [u8; 3],
}

impl PropertyAccess for Vertex {
    fn new() -> Self {
        Self {
            position: [f64::NAN; 3],
            colour: [127; 3],
        }
    }

    fn set_property(&mut self, name: &str, property: Property) -> PropertyAccessResult {
        if let Some(axis) = axis(name) {
            self.position[axis] = scalar(&property).unwrap_or(f64::NAN);
        } else if let Some(channel) = channel(name) {
            self.colour[channel] = colour(&property);
        }
        PropertyAccessResult::Set
    }
}

fn axis(name: &str) -> Option<usize> {
    match name {
        "x" => Some(0),
        "y" => Some(1),
        "z" => Some(2),
        _ => None,
    }
}

fn channel(name: &str) -> Option<usize> {
    match name {
        "red" | "r" | "diffuse_red" => Some(0),
        "green" | "g" | "diffuse_green" => Some(1),
        "blue" | "b" | "diffuse_blue" => Some(2),
        _ => None,
    }
}

fn scalar(property: &Property) -> Option<f64> {
    Some(match *property {
        Property::Char(v) => v.into(),
        Property::UChar(v) => v.into(),
        Property::Short(v) => v.into(),
        Property::UShort(v) => v.into(),
        Property::Int(v) => v.into(),
        Property::UInt(v) => v.into(),
        Property::Float(v) => v.into(),
        Property::Double(v) => v,
        _ => return None,
    })
}

/// Whole numbers are 0 to 255 (sixteen bits: 0 to 65 535), fractions 0 to 1.
fn colour(property: &Property) -> u8 {
    match *property {
        Property::UChar(v) => v,
        Property::UShort(v) => byte(f64::from(v) / 65_535.0),
        Property::Float(v) => byte(v.into()),
        Property::Double(v) => byte(v),
        _ => byte(scalar(property).unwrap_or(0.0) / 255.0),
    }
}

/// A face's corners: three in place, or a list when there are more.
#[derive(Debug)]
struct Face {
    corners: [i64; 3],
    count: usize,
    outline: Vec<i64>,
}

impl PropertyAccess for Face {
    fn new() -> Self {
        Self {
            corners: [0; 3],
            count: 0,
            outline: Vec::new(),
        }
    }

    fn set_property(&mut self, name: &str, property: Property) -> PropertyAccessResult {
        if name != "vertex_indices" && name != "vertex_index" {
            return PropertyAccessResult::Set;
        }
        match property {
            Property::ListChar(list) => self.take(&list),
            Property::ListUChar(list) => self.take(&list),
            Property::ListShort(list) => self.take(&list),
            Property::ListUShort(list) => self.take(&list),
            Property::ListInt(list) => self.take(&list),
            Property::ListUInt(list) => self.take(&list),
            _ => {}
        }
        PropertyAccessResult::Set
    }
}

impl Face {
    fn take<T: Copy + Into<i64>>(&mut self, list: &[T]) {
        self.count = list.len();
        if let &[a, b, c] = list {
            self.corners = [a.into(), b.into(), c.into()];
        } else {
            self.outline = list.iter().map(|&v| v.into()).collect();
        }
    }
}

/// An element nobody asked for.
#[derive(Debug)]
struct Foreign;

impl PropertyAccess for Foreign {
    fn new() -> Self {
        Self
    }

    fn set_property(&mut self, _name: &str, _property: Property) -> PropertyAccessResult {
        PropertyAccessResult::Set
    }
}

pub(super) fn read(bytes: &[u8]) -> Result<RawScan, ScanFault> {
    // The header is bounded by itself: a missing end would make the crate search all of the file.
    let head = &bytes[..bytes.len().min(MAX_HEADER)];
    if !head.windows(10).any(|w| w == b"end_header") {
        return Err(ScanFault::malformed("header", "it has no end_header line"));
    }
    let mut reader = Reader::new(bytes);
    let header = Parser::<Foreign>::new()
        .read_header(&mut reader)
        .map_err(|e| in_words(&e, "header"))?;
    check_claims(&header, bytes.len(), reader.get_ref().len())?;

    let mut vertices = Vec::new();
    let mut faces = Vec::new();
    let mut notes = Vec::new();
    for (name, element) in &header.elements {
        let fault = |e: ParseError| in_words(&e, name);
        match name.as_str() {
            "vertex" => {
                vertices = Parser::<Vertex>::new()
                    .read_payload_for_element(&mut reader, element, &header)
                    .map_err(fault)?;
            }
            "face" => {
                faces = Parser::<Face>::new()
                    .read_payload_for_element(&mut reader, element, &header)
                    .map_err(fault)?;
            }
            "tristrips" => {
                return Err(ScanFault::Unsupported {
                    what: "its triangles are stored as strips".into(),
                    advice: "export it with a face list".into(),
                });
            }
            _ => {
                Parser::<Foreign>::new()
                    .read_payload_for_element(&mut reader, element, &header)
                    .map_err(fault)?;
                notes.push(format!("element {name:?} was ignored"));
            }
        }
    }
    let picture = header.comments.iter().find(|c| c.contains("TextureFile"));
    if picture.is_some() {
        notes.push(
            "the picture of a textured PLY is not read; export OBJ or GLB to keep it, or colours on vertices"
                .into(),
        );
    }
    let coloured = header.elements.get("vertex").is_some_and(|vertex| {
        let mut channels = [false; 3];
        for (name, _) in &vertex.properties {
            if let Some(k) = channel(name) {
                channels[k] = true;
            }
        }
        channels == [true; 3]
    });
    let paint = coloured.then(|| Paint::Vertex(vertices.iter().map(|v| v.colour).collect()));
    let positions: Vec<Point3> = vertices.iter().map(|v| Point3::from(v.position)).collect();
    drop(vertices);
    let faces = triangles(&positions, faces, &mut notes)?;
    Ok(RawScan {
        positions,
        faces,
        paint,
        notes,
    })
}

fn triangles(
    positions: &[Point3],
    faces: Vec<Face>,
    notes: &mut Vec<String>,
) -> Result<Vec<[u32; 3]>, ScanFault> {
    let mut triangles = Vec::with_capacity(faces.len());
    let (mut pieces, mut outline) = (Vec::new(), Vec::new());
    let mut too_few = 0_usize;
    for (number, face) in faces.into_iter().enumerate() {
        let vertex = |v: i64| {
            usize::try_from(v)
                .ok()
                .filter(|&v| v < positions.len())
                .map(crate::mesh::index)
                .ok_or_else(|| {
                    ScanFault::malformed(
                        format!("face {number}"),
                        format!("it names vertex {v} and there are {}", positions.len()),
                    )
                })
        };
        if face.count == 3 {
            let [a, b, c] = face.corners;
            triangles.push([vertex(a)?, vertex(b)?, vertex(c)?]);
            continue;
        }
        if face.count < 3 {
            too_few += 1;
            continue;
        }
        let corners = face.outline.iter().map(|&v| vertex(v));
        let corners = corners.collect::<Result<Vec<u32>, _>>()?;
        outline.clear();
        outline.extend(corners.iter().map(|&v| positions[v as usize]));
        pieces.clear();
        polygon::triangulate(&outline, &mut pieces);
        if triangles.len() + pieces.len() > MAX_TRIANGLES {
            return Err(ScanFault::TooManyTriangles);
        }
        triangles.extend(pieces.iter().map(|t| t.map(|k| corners[k])));
    }
    if too_few > 0 {
        notes.push(format!(
            "{too_few} faces with fewer than three corners were ignored"
        ));
    }
    Ok(triangles)
}

/// Refuses a header that claims more elements than the bytes after it can hold.
fn check_claims(header: &Header, file: usize, body: usize) -> Result<(), ScanFault> {
    let mut left = body as u64 + 1;
    for (name, element) in &header.elements {
        let claimed = element.count as u64;
        if claimed == 0 {
            continue;
        }
        // An element without properties has no bytes, and its count would bound nothing.
        let least = least_bytes(element, header.encoding);
        let possible = left.checked_div(least).unwrap_or(0);
        if claimed > possible {
            return Err(ScanFault::Overclaims {
                what: format!("elements {name:?}"),
                claimed,
                bytes: file as u64,
                possible,
            });
        }
        left -= claimed * least;
        let most = if name == "face" {
            MAX_TRIANGLES
        } else {
            MAX_VERTICES
        };
        if claimed > most as u64 {
            return Err(ScanFault::TooManyTriangles);
        }
    }
    Ok(())
}

/// Fewest bytes one element takes: empty lists, one digit and a blank a number.
fn least_bytes(element: &ElementDef, encoding: Encoding) -> u64 {
    let size = |of: &ScalarType| match of {
        ScalarType::Char | ScalarType::UChar => 1,
        ScalarType::Short | ScalarType::UShort => 2,
        ScalarType::Int | ScalarType::UInt | ScalarType::Float => 4,
        ScalarType::Double => 8,
    };
    let properties = element.properties.iter().map(|(_, p)| &p.data_type);
    properties
        .map(|of| match (encoding, of) {
            (Encoding::Ascii, _) => 2,
            (_, PropertyType::Scalar(of)) => size(of),
            (_, PropertyType::List(count, _)) => size(count),
        })
        .sum()
}

/// The crate's message on one line of bounded length, for it may quote the file.
fn in_words(error: &ParseError, place: &str) -> ScanFault {
    let place = match error.line() {
        Some(line) => format!("line {line}"),
        None => place.chars().take(40).collect(),
    };
    let all = error.to_string();
    // "Line 3: …" is said by the place already; of a line that can't be read the crate quotes the text.
    let first = all.lines().next().unwrap_or_default();
    let said = first
        .split_once(": ")
        .filter(|(head, _)| head.starts_with("Line "));
    let said = said.map_or(first, |(_, rest)| rest);
    let quoted = all
        .lines()
        .find_map(|line| line.trim_start().strip_prefix("String: "));
    let what = match quoted {
        Some(text) => {
            let text: String = text.chars().take(60).collect();
            format!("{text:?} is not the numbers that the header announces")
        }
        None => said.to_string(),
    };
    ScanFault::malformed(place, what.chars().take(160).collect::<String>())
}
