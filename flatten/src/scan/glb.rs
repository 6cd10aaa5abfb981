//! Binary glTF 2.0 with its picture inside.
//!
//! The `gltf` crate reads and validates the structure; the numbers are fetched here, because its
//! own accessors add and multiply what the file says without a check, which a damaged file turns
//! into a panic. Transforms of the node tree are applied. Accessors that repeat a vertex along a texture seam are
//! welded later, as in any other format. Sparse accessors, outside buffers and compressed meshes are refused.

use std::{borrow::Cow, collections::BTreeMap};

use base64::{Engine, engine::general_purpose::STANDARD};
use gltf::{
    Document, Gltf, Semantic,
    accessor::{DataType, Dimensions},
    buffer, json,
    mesh::Mode,
};
use nalgebra::Matrix4;

use super::{
    MAX_TRIANGLES, MAX_VERTICES, Paint, RawScan, ScanFault,
    paint::{Pages, byte, srgb_from_linear},
    picture,
};
use crate::{Point3, mesh::index};

const ADVICE: &str = "export it as plain GLB without compression, or as OBJ or PLY";

fn unsupported(what: impl Into<String>) -> ScanFault {
    ScanFault::Unsupported {
        what: what.into(),
        advice: ADVICE.into(),
    }
}

pub(super) fn read(bytes: &[u8]) -> Result<RawScan, ScanFault> {
    check_lengths(bytes)?;
    let Gltf { document, blob } =
        Gltf::from_slice_without_validation(bytes).map_err(|e| in_words(&e))?;
    let mut root = document.into_json();
    ready_for_validation(&mut root)?;
    let document = Document::from_json(root).map_err(|e| in_words(&e))?;
    if let Some(extension) = document.extensions_required().find(|e| is_compression(e)) {
        return Err(unsupported(format!("it is compressed ({extension})")));
    }
    let buffers: Vec<Option<Cow<'_, [u8]>>> = document
        .buffers()
        .map(|buffer| match buffer.source() {
            buffer::Source::Bin => Some(Cow::Borrowed(blob.as_deref().unwrap_or_default())),
            buffer::Source::Uri(text) => inline(text).map(Cow::Owned),
        })
        .collect();
    let mut reading = Reading {
        document: &document,
        buffers: &buffers,
        scan: RawScan::default(),
        colours: Vec::new(),
        corners: Vec::new(),
        pages: Pages::default(),
        pictures: BTreeMap::new(),
    };
    reading.walk()?;
    Ok(reading.finish())
}

/// The bytes of a buffer that is written into the structure as text, which some libraries do in GLB too.
fn inline(uri: &str) -> Option<Vec<u8>> {
    let (kind, text) = uri.strip_prefix("data:")?.split_once(',')?;
    kind.ends_with(";base64")
        .then(|| STANDARD.decode(text).ok())?
}

fn in_words(error: &gltf::Error) -> ScanFault {
    let what: String = error.to_string().chars().take(160).collect();
    if what.contains("extensionsRequired") {
        unsupported(format!("it needs an extension that is not read ({what})"))
    } else {
        ScanFault::malformed("structure", what)
    }
}

/// The crate's validation indexes by a primitive's positions without a look, and insists on their bounds,
/// which some exporters leave out and nobody here needs.
fn ready_for_validation(root: &mut json::Root) -> Result<(), ScanFault> {
    let positions = json::validation::Checked::Valid(Semantic::Positions);
    for primitive in root.meshes.iter().flat_map(|mesh| &mesh.primitives) {
        let Some(accessor) = primitive.attributes.get(&positions) else {
            continue;
        };
        let count = root.accessors.len();
        let accessor = root.accessors.get_mut(accessor.value()).ok_or_else(|| {
            ScanFault::malformed(
                "structure",
                format!(
                    "a mesh names accessor {} and there are {count}",
                    accessor.value()
                ),
            )
        })?;
        let anything = || Some(json::Value::from(vec![0.0; 3]));
        accessor.min = accessor.min.take().or_else(anything);
        accessor.max = accessor.max.take().or_else(anything);
    }
    Ok(())
}

fn is_compression(extension: &str) -> bool {
    ["draco", "meshopt", "quantization"]
        .iter()
        .any(|kind| extension.contains(kind))
}

/// The crate subtracts and slices by these before it has looked at them.
fn check_lengths(bytes: &[u8]) -> Result<(), ScanFault> {
    let word = |at: usize| -> Option<u64> {
        let bytes = bytes.get(at..at + 4)?;
        Some(u64::from(u32::from_le_bytes(bytes.try_into().ok()?)))
    };
    let (Some(claimed), Some(json)) = (word(8), word(12)) else {
        return Err(ScanFault::malformed("header", "it is cut short"));
    };
    let have = bytes.len() as u64;
    if claimed > have || claimed < 20 || json > have - 20 {
        return Err(ScanFault::Overclaims {
            what: "bytes".into(),
            claimed: claimed.max(json),
            bytes: have,
            possible: have,
        });
    }
    Ok(())
}

/// A run of numbers inside the file's binary part, checked to lie there.
struct Numbers<'a> {
    data: &'a [u8],
    count: usize,
    stride: usize,
    kind: DataType,
    width: usize,
    dimensions: Dimensions,
    normalized: bool,
}

impl Numbers<'_> {
    /// Component `k` of element `at`: whole numbers as they are, or as fractions when normalised.
    fn get(&self, at: usize, k: usize) -> f64 {
        let size = self.kind.size();
        let from = at * self.stride + k * size;
        let b = &self.data[from..from + size];
        match self.kind {
            DataType::U8 => self.fraction(b[0].into(), 255.0),
            DataType::I8 => self.fraction(i8::from_le_bytes([b[0]]).into(), 127.0),
            DataType::U16 => self.fraction(u16::from_le_bytes([b[0], b[1]]).into(), 65_535.0),
            DataType::I16 => self.fraction(i16::from_le_bytes([b[0], b[1]]).into(), 32_767.0),
            DataType::U32 => u32::from_le_bytes([b[0], b[1], b[2], b[3]]).into(),
            DataType::F32 => f32::from_le_bytes([b[0], b[1], b[2], b[3]]).into(),
        }
    }

    fn fraction(&self, value: f64, one: f64) -> f64 {
        if self.normalized {
            (value / one).max(-1.0)
        } else {
            value
        }
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "unsigned whole numbers below 2^32 are exact in f64"
    )]
    fn whole(&self, at: usize) -> u32 {
        self.get(at, 0) as u32
    }
}

struct Reading<'a> {
    document: &'a Document,
    /// Bytes of each buffer; none for one that lies in another file.
    buffers: &'a [Option<Cow<'a, [u8]>>],
    scan: RawScan,
    /// Empty or parallel to the positions.
    colours: Vec<[u8; 3]>,
    /// Parallel to the faces.
    corners: Vec<[[f32; 2]; 3]>,
    pages: Pages,
    /// Images already tried, with their page.
    pictures: BTreeMap<usize, Option<usize>>,
}

impl<'a> Reading<'a> {
    /// Visits the nodes of the scene with their transforms, each once: a node tree with a loop ends.
    fn walk(&mut self) -> Result<(), ScanFault> {
        let document = self.document;
        let mut open: Vec<(usize, Matrix4<f64>)> = Vec::new();
        let scene = document
            .default_scene()
            .or_else(|| document.scenes().next());
        match scene {
            Some(scene) => open.extend(scene.nodes().map(|n| (n.index(), Matrix4::identity()))),
            None => open.extend(document.nodes().map(|n| (n.index(), Matrix4::identity()))),
        }
        open.reverse();
        let nodes: Vec<_> = document.nodes().collect();
        let mut seen = vec![false; nodes.len()];
        while let Some((number, above)) = open.pop() {
            if std::mem::replace(&mut seen[number], true) {
                continue;
            }
            let node = &nodes[number];
            let own = node.transform().matrix();
            let own = Matrix4::from_fn(|row, column| f64::from(own[column][row]));
            let placed = above * own;
            if let Some(mesh) = node.mesh() {
                for primitive in mesh.primitives() {
                    self.primitive(&primitive, &placed)?;
                }
            }
            let children: Vec<_> = node.children().map(|child| child.index()).collect();
            open.extend(children.into_iter().rev().map(|child| (child, placed)));
        }
        Ok(())
    }

    fn primitive(
        &mut self,
        primitive: &gltf::Primitive<'a>,
        placed: &Matrix4<f64>,
    ) -> Result<(), ScanFault> {
        if !matches!(
            primitive.mode(),
            Mode::Triangles | Mode::TriangleStrip | Mode::TriangleFan
        ) {
            self.scan.notes.push("points or lines were ignored".into());
            return Ok(());
        }
        let Some(positions) = primitive.get(&Semantic::Positions) else {
            return Ok(());
        };
        let positions = self.numbers(&positions, "positions")?;
        if !matches!(positions.dimensions, Dimensions::Vec3) {
            return Err(ScanFault::malformed(
                "positions",
                "they do not have three coordinates",
            ));
        }
        let first = self.scan.positions.len();
        if first + positions.count > MAX_VERTICES {
            return Err(ScanFault::TooManyTriangles);
        }
        self.bound_repeats(first + positions.count)?;
        for at in 0..positions.count {
            let [x, y, z] = [0, 1, 2].map(|k| positions.get(at, k));
            self.scan
                .positions
                .push(placed.transform_point(&Point3::new(x, y, z)));
        }
        self.vertex_colours(primitive, first, positions.count)?;
        let triangles = self.triangles(primitive, positions.count)?;
        if self.scan.faces.len() + triangles.len() > MAX_TRIANGLES {
            return Err(ScanFault::TooManyTriangles);
        }
        self.bound_repeats(self.scan.faces.len() + triangles.len())?;
        self.clothe(primitive, &triangles, positions.count)?;
        // A mirroring transform turns every triangle over (glTF 2.0, 3.7.4).
        let mirrored = placed.fixed_view::<3, 3>(0, 0).determinant() < 0.0;
        let first = index(first);
        for [a, b, c] in triangles {
            let corners = if mirrored {
                self.corners[self.scan.faces.len()].swap(1, 2);
                [a, c, b]
            } else {
                [a, b, c]
            };
            self.scan.faces.push(corners.map(|v| first + v));
        }
        Ok(())
    }

    /// One stored vertex may be shown many times by nodes and primitives; a scan hardly does that,
    /// and unbounded it would let a small file fill the memory.
    fn bound_repeats(&self, elements: usize) -> Result<(), ScanFault> {
        let possible = self.buffers.iter().flatten().map(|bytes| bytes.len()).sum();
        if elements <= possible {
            return Ok(());
        }
        Err(ScanFault::Overclaims {
            what: "vertices or triangles".into(),
            claimed: elements as u64,
            bytes: possible as u64,
            possible: possible as u64,
        })
    }

    /// Triangles of a primitive, numbered within it.
    fn triangles(
        &self,
        primitive: &gltf::Primitive<'a>,
        vertices: usize,
    ) -> Result<Vec<[u32; 3]>, ScanFault> {
        let order: Vec<u32> = match primitive.indices() {
            None => (0..index(vertices)).collect(),
            Some(indices) => {
                let indices = self.numbers(&indices, "indices")?;
                let whole = matches!(indices.kind, DataType::U8 | DataType::U16 | DataType::U32);
                if !whole || indices.normalized || indices.width != 1 {
                    return Err(ScanFault::malformed(
                        "indices",
                        "they are not whole numbers",
                    ));
                }
                (0..indices.count).map(|at| indices.whole(at)).collect()
            }
        };
        if let Some(&vertex) = order.iter().find(|&&v| v as usize >= vertices) {
            return Err(ScanFault::malformed(
                "indices",
                format!("vertex {vertex} is named and there are {vertices}"),
            ));
        }
        Ok(match primitive.mode() {
            Mode::TriangleStrip => order
                .windows(3)
                .enumerate()
                .map(|(k, t)| {
                    if k % 2 == 0 {
                        [t[0], t[1], t[2]]
                    } else {
                        [t[1], t[0], t[2]]
                    }
                })
                .collect(),
            Mode::TriangleFan => order
                .get(1..)
                .unwrap_or_default()
                .windows(2)
                .map(|t| [order[0], t[0], t[1]])
                .collect(),
            _ => order.chunks_exact(3).map(|t| [t[0], t[1], t[2]]).collect(),
        })
    }

    /// Texture coordinates and page of the triangles about to be added.
    fn clothe(
        &mut self,
        primitive: &gltf::Primitive<'a>,
        triangles: &[[u32; 3]],
        vertices: usize,
    ) -> Result<(), ScanFault> {
        let material = primitive.material();
        let colour = material.pbr_metallic_roughness().base_color_factor();
        let texture = material.pbr_metallic_roughness().base_color_texture();
        let mut page = None;
        let mut coordinates = None;
        if let Some(texture) = texture {
            page = self.picture(texture.texture().index());
            if let Some(set) = primitive.get(&Semantic::TexCoords(texture.tex_coord())) {
                let numbers = self.numbers(&set, "texture coordinates")?;
                if numbers.width == 2 && numbers.count >= vertices {
                    coordinates = Some(numbers);
                }
            }
        } else if material.index().is_some() {
            let srgb = [0, 1, 2].map(|k| srgb_from_linear(colour[k].into()));
            page = self.pages.plain(srgb);
        }
        self.pages.wear(self.scan.faces.len(), page);
        #[allow(
            clippy::cast_possible_truncation,
            reason = "texture coordinates are f32"
        )]
        let place = |v: u32| match &coordinates {
            // glTF measures from the picture's upper left.
            Some(numbers) => [
                numbers.get(v as usize, 0) as f32,
                (1.0 - numbers.get(v as usize, 1)) as f32,
            ],
            None => [0.0; 2],
        };
        self.corners.extend(triangles.iter().map(|t| t.map(place)));
        Ok(())
    }

    fn vertex_colours(
        &mut self,
        primitive: &gltf::Primitive<'a>,
        first: usize,
        count: usize,
    ) -> Result<(), ScanFault> {
        if let Some(colours) = primitive.get(&Semantic::Colors(0)) {
            let colours = self.numbers(&colours, "colours")?;
            if colours.width >= 3 && colours.count >= count {
                self.colours.resize(first, [255; 3]);
                for at in 0..count {
                    self.colours
                        .push([0, 1, 2].map(|k| srgb_from_linear(colours.get(at, k))));
                }
            }
        }
        if !self.colours.is_empty() {
            self.colours.resize(first + count, [byte(1.0); 3]);
        }
        Ok(())
    }

    /// The page of a texture's picture; what can't be used becomes a note.
    fn picture(&mut self, texture: usize) -> Option<usize> {
        let root = self.document.as_json();
        let image = root.textures.get(texture)?.source.value();
        if let Some(page) = self.pictures.get(&image) {
            return *page;
        }
        let decoded = root
            .images
            .get(image)
            .ok_or_else(|| "it does not exist".to_string())
            .and_then(|image| self.picture_bytes(image))
            .and_then(picture::decode)
            .and_then(|picture| self.pages.picture(picture));
        if let Err(reason) = &decoded {
            self.scan
                .notes
                .push(format!("picture {image} was not used: {reason}"));
        }
        let page = decoded.ok();
        self.pictures.insert(image, page);
        page
    }

    fn picture_bytes(&self, image: &json::Image) -> Result<&'a [u8], String> {
        let view = image
            .buffer_view
            .ok_or("it is not inside the file; export with embedded textures")?;
        let view = self.document.views().nth(view.value());
        let view = view.ok_or("its bytes do not exist")?;
        self.view(&view)
            .ok_or_else(|| "its bytes lie outside the file".to_string())
    }

    /// The bytes of a view's buffer.
    fn bytes(&self, view: &buffer::View<'_>) -> Option<&'a [u8]> {
        self.buffers.get(view.buffer().index())?.as_deref()
    }

    fn view(&self, view: &buffer::View<'_>) -> Option<&'a [u8]> {
        let end = view.offset().checked_add(view.length())?;
        self.bytes(view)?.get(view.offset()..end)
    }

    /// The numbers of an accessor.
    fn numbers(&self, accessor: &gltf::Accessor<'a>, what: &str) -> Result<Numbers<'a>, ScanFault> {
        if accessor.sparse().is_some() {
            return Err(unsupported(format!("its {what} are stored sparsely")));
        }
        let view = accessor
            .view()
            .ok_or_else(|| unsupported(format!("its {what} are not stored in the file")))?;
        let Some(bytes) = self.bytes(&view) else {
            return Err(unsupported(format!("its {what} lie in another file")));
        };
        let count = accessor.count();
        let size = accessor.size();
        let stride = view.stride().unwrap_or(size);
        let outside = || ScanFault::Overclaims {
            what: what.to_string(),
            claimed: count as u64,
            bytes: bytes.len() as u64,
            possible: (bytes.len() / size.max(1)) as u64,
        };
        let data = self.view(&view).ok_or_else(outside)?;
        let data = data.get(accessor.offset()..).ok_or_else(outside)?;
        let needed = match count.checked_sub(1) {
            None => Some(0),
            Some(before) => stride.checked_mul(before).and_then(|n| n.checked_add(size)),
        };
        if needed.is_none_or(|needed| needed > data.len()) {
            return Err(outside());
        }
        if stride < size {
            return Err(ScanFault::malformed(what, "its elements overlap"));
        }
        Ok(Numbers {
            data,
            count,
            stride,
            kind: accessor.data_type(),
            width: accessor.dimensions().multiplicity(),
            dimensions: accessor.dimensions(),
            normalized: accessor.normalized(),
        })
    }

    fn finish(mut self) -> RawScan {
        self.scan.notes.dedup();
        self.scan.paint = if self.pages.has_picture() {
            Some(self.pages.into_paint(self.corners))
        } else if !self.colours.is_empty() {
            Some(Paint::Vertex(self.colours))
        } else {
            None
        };
        self.scan
    }
}
