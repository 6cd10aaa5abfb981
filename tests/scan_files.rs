//! Scan files of all kinds as programs and phones write them, and as they should not be.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail loudly, as tests do"
)]

use std::{
    fmt::Write as _,
    fs,
    path::Path,
    time::{Duration, Instant},
};

use flatten::{
    Point3,
    mesh::{MendOptions, mend},
    scan::{Format, NoCompanions, Paint, RawScan, ScanError, read, read_bytes},
};

/// A cube's corner: four vertices, three quads; concave enough to tell a wrong split.
const POSITIONS: [[f32; 3]; 7] = [
    [0.0, 0.0, 0.0],
    [100.0, 0.0, 0.0],
    [100.0, 100.0, 0.0],
    [0.0, 100.0, 0.0],
    [0.0, 0.0, 100.0],
    [100.0, 0.0, 100.0],
    [0.0, 100.0, 100.0],
];
const QUADS: [[u32; 4]; 3] = [[0, 1, 2, 3], [0, 4, 5, 1], [0, 3, 6, 4]];

fn triangles() -> Vec<[u32; 3]> {
    QUADS
        .iter()
        .flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]])
        .collect()
}

/// Corner positions of every triangle in an order that does not depend on the file's.
fn shape(scan: &RawScan) -> Vec<[[i64; 3]; 3]> {
    let rounded = |v: u32| {
        let p = scan.positions[v as usize];
        [p.x, p.y, p.z].map(|c| (c * 1000.0).round() as i64)
    };
    let mut all: Vec<_> = scan
        .faces
        .iter()
        .map(|face| {
            let corners = face.map(rounded);
            let first = (0..3).min_by_key(|&k| corners[k]).unwrap();
            [0, 1, 2].map(|k| corners[(first + k) % 3])
        })
        .collect();
    all.sort_unstable();
    all
}

fn area(scan: &RawScan) -> f64 {
    let area = |f: &[u32; 3]| {
        let [a, b, c] = f.map(|v| scan.positions[v as usize]);
        0.5 * (b - a).cross(&(c - a)).norm()
    };
    scan.faces.iter().map(area).sum()
}

fn obj() -> String {
    let mut text = String::new();
    for [x, y, z] in POSITIONS {
        writeln!(text, "v {x} {y} {z}").unwrap();
    }
    for [a, b, c] in triangles() {
        writeln!(text, "f {} {} {}", a + 1, b + 1, c + 1).unwrap();
    }
    text
}

fn stl_binary(header: &[u8]) -> Vec<u8> {
    let mut bytes = header.to_vec();
    bytes.resize(80, b' ');
    bytes.extend(6_u32.to_le_bytes());
    for face in triangles() {
        bytes.extend([0; 12]);
        for v in face {
            bytes.extend(POSITIONS[v as usize].iter().flat_map(|c| c.to_le_bytes()));
        }
        bytes.extend([0; 2]);
    }
    bytes
}

fn stl_text() -> String {
    let mut text = String::from("solid\n");
    for (k, face) in triangles().into_iter().enumerate() {
        if k == 3 {
            text += "endsolid\nsolid another one\n";
        }
        text += "  facet normal nan -nan 0\n    outer loop\n";
        for v in face {
            let [x, y, z] = POSITIONS[v as usize];
            writeln!(text, "      vertex {x:e} {y} {z}").unwrap();
        }
        text += "    endloop\n  endfacet\n";
    }
    text + "endsolid\n"
}

#[derive(Clone, Copy)]
enum Order {
    Text,
    Little,
    Big,
}

/// A PLY with properties nobody asked for, quads, colours and an element of edges.
fn ply(order: Order) -> Vec<u8> {
    let name = match order {
        Order::Text => "ascii",
        Order::Little => "binary_little_endian",
        Order::Big => "binary_big_endian",
    };
    let mut bytes = format!(
        "ply\nformat {name} 1.0\ncomment made by hand\nobj_info nothing\nelement vertex 7\nproperty float x\nproperty float y\nproperty float z\nproperty short quality\nproperty uchar red\nproperty uchar green\nproperty uchar blue\nproperty uchar alpha\nelement face 3\nproperty uchar flags\nproperty list uchar int vertex_indices\nproperty list uchar float texcoord\nelement edge 1\nproperty int vertex1\nproperty int vertex2\nend_header\n"
    )
    .into_bytes();
    let put = |bytes: &mut Vec<u8>, little: &[u8]| match order {
        Order::Big => bytes.extend(little.iter().rev()),
        _ => bytes.extend(little),
    };
    let text = matches!(order, Order::Text);
    for (k, p) in POSITIONS.iter().enumerate() {
        if text {
            bytes.extend(format!("{} {} {} -7 {k} 20 30 255\n", p[0], p[1], p[2]).bytes());
            continue;
        }
        for c in p {
            put(&mut bytes, &c.to_le_bytes());
        }
        put(&mut bytes, &(-7_i16).to_le_bytes());
        bytes.extend([k as u8, 20, 30, 255]);
    }
    for [a, b, c, d] in QUADS {
        if text {
            bytes.extend(format!("1 4 {a} {b} {c} {d} 2 0.5 0.5\n").bytes());
            continue;
        }
        bytes.extend([1, 4]);
        for v in [a, b, c, d] {
            put(&mut bytes, &v.to_le_bytes());
        }
        bytes.push(2);
        for _ in 0..2 {
            put(&mut bytes, &0.5_f32.to_le_bytes());
        }
    }
    if text {
        bytes.extend(b"0 1\n");
    } else {
        bytes.extend([0; 8]);
    }
    bytes
}

/// Four quarters: red, green over blue, white as one looks at the picture.
fn picture() -> Vec<u8> {
    let quarter = |x: u32, y: u32| match (x < 8, y < 8) {
        (true, true) => [255, 0, 0],
        (false, true) => [0, 255, 0],
        (true, false) => [0, 0, 255],
        (false, false) => [255, 255, 255],
    };
    let image = image::RgbImage::from_fn(16, 16, |x, y| image::Rgb(quarter(x, y)));
    let mut bytes = std::io::Cursor::new(Vec::new());
    image.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    bytes.into_inner()
}

/// One colour a quad: the coordinates of all its corners lie in one quarter of the picture.
const QUARTERS: [[f32; 2]; 3] = [[0.25, 0.75], [0.75, 0.75], [0.25, 0.25]];
const COLOURS: [[u8; 3]; 3] = [[255, 0, 0], [0, 255, 0], [0, 0, 255]];

fn glb(json_changes: &[(&str, &str)], cut: Option<usize>) -> Vec<u8> {
    // The node moves everything by 1000 along x and mirrors y.
    let mut bin: Vec<u8> = Vec::new();
    let mut corners: Vec<u16> = Vec::new();
    let mut positions: Vec<[f32; 3]> = Vec::new();
    let mut uv: Vec<[f32; 2]> = Vec::new();
    for (k, quad) in QUADS.iter().enumerate() {
        let first = positions.len() as u16;
        for &v in quad {
            positions.push(POSITIONS[v as usize]);
            uv.push([QUARTERS[k][0], 1.0 - QUARTERS[k][1]]);
        }
        corners.extend([0, 1, 2, 0, 2, 3].map(|c| first + c));
    }
    bin.extend(positions.iter().flatten().flat_map(|c| c.to_le_bytes()));
    bin.extend(uv.iter().flatten().flat_map(|c| c.to_le_bytes()));
    bin.extend(corners.iter().flat_map(|c| c.to_le_bytes()));
    let picture = picture();
    let length = picture.len();
    bin.extend(picture);
    while !bin.len().is_multiple_of(4) {
        bin.push(0);
    }
    let mut json = format!(
        r#"{{"asset":{{"version":"2.0"}},"scene":0,"scenes":[{{"nodes":[0]}}],"nodes":[{{"children":[1],"translation":[1000,0,0]}},{{"mesh":0,"scale":[1,-1,1]}}],
"meshes":[{{"primitives":[{{"attributes":{{"POSITION":0,"TEXCOORD_0":1}},"indices":2,"material":0}}]}}],
"materials":[{{"pbrMetallicRoughness":{{"baseColorTexture":{{"index":0}}}}}}],"textures":[{{"source":0}}],"images":[{{"bufferView":3,"mimeType":"image/png"}}],
"accessors":[{{"bufferView":0,"componentType":5126,"count":12,"type":"VEC3","min":[0,0,0],"max":[100,100,100]}},{{"bufferView":1,"componentType":5126,"count":12,"type":"VEC2"}},{{"bufferView":2,"componentType":5123,"count":18,"type":"SCALAR"}}],
"bufferViews":[{{"buffer":0,"byteLength":144}},{{"buffer":0,"byteOffset":144,"byteLength":96}},{{"buffer":0,"byteOffset":240,"byteLength":36}},{{"buffer":0,"byteOffset":276,"byteLength":{length}}}],
"buffers":[{{"byteLength":{}}}]}}"#,
        bin.len()
    );
    for (from, to) in json_changes {
        assert!(json.contains(from), "{from}");
        json = json.replace(from, to);
    }
    while !json.len().is_multiple_of(4) {
        json.push(' ');
    }
    let mut bytes = b"glTF\x02\0\0\0".to_vec();
    let whole = 12 + 8 + json.len() + 8 + bin.len();
    bytes.extend((whole as u32).to_le_bytes());
    bytes.extend((json.len() as u32).to_le_bytes());
    bytes.extend(b"JSON");
    bytes.extend(json.bytes());
    bytes.extend((bin.len() as u32).to_le_bytes());
    bytes.extend(b"BIN\0");
    bytes.extend(bin);
    bytes.truncate(cut.unwrap_or(bytes.len()));
    bytes
}

fn in_folder(files: &[(&str, &[u8])], scan: &str) -> Result<RawScan, ScanError> {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        let path = folder.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
    read(&folder.path().join(scan))
}

fn in_memory(format: Format, bytes: &[u8]) -> RawScan {
    read_bytes(format, bytes, &NoCompanions).unwrap()
}

#[test]
fn every_format_gives_the_same_triangles() {
    let expected = shape(&in_memory(Format::Obj, obj().as_bytes()));
    assert_eq!(expected.len(), 6);
    let with_solid = stl_binary(b"solid made by a program that did not know better");
    let quads = |line_end: &str| {
        let mut text = String::from("# a comment\nmtllib nowhere.mtl\n");
        for [x, y, z] in POSITIONS {
            writeln!(text, "v  {x} {y}\t{z} ").unwrap();
        }
        for [a, b, c, d] in QUADS.map(|q| q.map(|v| i64::from(v) - 7)) {
            writeln!(text, "f {a} {b} \\\n {c} {d}").unwrap();
        }
        text.replace('\n', line_end).into_bytes()
    };
    for (name, bytes) in [
        ("unix.obj", quads("\n")),
        ("dos.obj", quads("\r\n")),
        ("MAC.OBJ", quads("\r")),
        ("text.ply", ply(Order::Text)),
        ("little.ply", ply(Order::Little)),
        ("big.ply", ply(Order::Big)),
        ("binary.stl", stl_binary(b"")),
        ("solid.stl", with_solid),
        ("text.stl", stl_text().into_bytes()),
        ("dos.stl", stl_text().replace('\n', "\r\n").into_bytes()),
        ("misnamed.obj", ply(Order::Little)),
        ("noending", stl_binary(b"")),
    ] {
        let scan = in_folder(&[(name, &bytes)], name).unwrap();
        assert_eq!(scan.faces.len(), 6, "{name}");
        assert!((area(&scan) - 30_000.0).abs() < 1e-6, "{name}");
        let quads_split_anew = name.to_lowercase().contains("obj") || name.contains("ply");
        if !quads_split_anew {
            assert_eq!(shape(&scan), expected, "{name}");
        }
        if name == "misnamed.obj" {
            assert!(scan.notes[0].contains("content is PLY"), "{:?}", scan.notes);
        }
    }
}

#[test]
fn ply_colours_in_every_byte_order() {
    for order in [Order::Text, Order::Little, Order::Big] {
        let scan = in_memory(Format::Ply, &ply(order));
        let Some(Paint::Vertex(colours)) = scan.paint else {
            panic!("no colours")
        };
        assert_eq!(colours[5], [5, 20, 30]);
        assert!(scan.notes.iter().any(|note| note.contains("edge")));
    }
    let text = "ply\r\nformat ascii 1.0\r\nelement vertex 3\r\nproperty double x\r\nproperty double y\r\nproperty double z\r\nproperty float red\r\nproperty float green\r\nproperty float blue\r\nelement face 1\r\nproperty list uint8 uint32 vertex_index\r\nend_header\r\n0 0 0 1 0.5 0\r\n1 0 0 0 0 0\r\n0 1 0 0 0 0\r\n3 0 1 2\r\n";
    let scan = in_memory(Format::Ply, text.as_bytes());
    assert!(matches!(&scan.paint, Some(Paint::Vertex(c)) if c[0] == [255, 128, 0]));
}

/// Colour of each face's middle.
/// Every type of number that the format has, for places and for lists.
#[test]
fn ply_numbers_of_every_type() {
    let expected = shape(&in_memory(Format::Obj, obj().as_bytes()));
    let of = |place: &str, count: &str, index: &str| {
        let mut text = format!(
            "ply\nformat ascii 1.0\nelement vertex 7\nproperty {place} x\nproperty {place} y\nproperty {place} z\nelement face 6\nproperty list {count} {index} vertex_indices\nend_header\n"
        );
        for [x, y, z] in POSITIONS {
            text += &format!("{x} {y} {z}\n");
        }
        for [a, b, c] in triangles() {
            text += &format!("3 {a} {b} {c}\n");
        }
        shape(&in_memory(Format::Ply, text.as_bytes()))
    };
    let whole = ["char", "uchar", "short", "ushort", "int", "uint"];
    for place in whole.iter().chain(&["float", "double"]) {
        assert_eq!(of(place, "uchar", "int"), expected, "{place}");
    }
    for index in whole {
        assert_eq!(of("float", "uchar", index), expected, "{index}");
        assert_eq!(of("float", index, "uint"), expected, "count in {index}");
    }
}

fn colours(scan: &RawScan) -> Vec<[u8; 3]> {
    let Some(Paint::Texture { corners, image }) = &scan.paint else {
        panic!("no texture: {:?}", scan.notes)
    };
    assert_eq!(corners.len(), scan.faces.len());
    let at = |[u, v]: [f32; 2]| {
        let x = (u * image.width() as f32) as u32;
        let y = ((1.0 - v) * image.height() as f32) as u32;
        image
            .get_pixel(x.min(image.width() - 1), y.min(image.height() - 1))
            .0
    };
    corners
        .iter()
        .map(|c| at([0, 1].map(|k| (c[0][k] + c[1][k] + c[2][k]) / 3.0)))
        .collect()
}

fn textured_obj(library: &str, material: &str) -> Vec<u8> {
    let mut text = format!("mtllib {library}\n");
    for [x, y, z] in POSITIONS {
        writeln!(text, "v {x} {y} {z}").unwrap();
    }
    for [u, v] in QUARTERS {
        writeln!(text, "vt {u} {v} 0").unwrap();
    }
    writeln!(text, "usemtl {material}").unwrap();
    for (k, quad) in QUADS.iter().enumerate() {
        let [a, b, c, d] = quad.map(|v| format!("{}/{}", v + 1, k + 1));
        writeln!(text, "f {a} {b} {c}\nf {a} {c} {d}").unwrap();
    }
    text.into_bytes()
}

const SIX: [[u8; 3]; 6] = [
    COLOURS[0], COLOURS[0], COLOURS[1], COLOURS[1], COLOURS[2], COLOURS[2],
];

#[test]
fn obj_textures_with_names_as_found_in_the_wild() {
    let png = picture();
    for (library, folder_name, map, picture_name) in [
        ("head.mtl", "head.mtl", "skin.png", "skin.png"),
        (
            "my head (1).mtl",
            "my head (1).mtl",
            "-clamp on the skin.png",
            "the skin.png",
        ),
        (
            "./head.mtl",
            "head.mtl",
            "textures\\skin.png",
            "textures/skin.png",
        ),
        (
            "C:\\scans\\head.mtl",
            "head.mtl",
            "/home/somebody/skin.png",
            "skin.png",
        ),
        ("other.mtl head.mtl", "head.mtl", "skin.png", "skin.png"),
    ] {
        let mtl = format!("newmtl a skin\r\nKd 1 1 1\r\nmap_Kd {map}\r\n");
        let obj = textured_obj(library, "a skin");
        let scan = in_folder(
            &[
                ("s.obj", &obj),
                (folder_name, mtl.as_bytes()),
                (picture_name, &png),
            ],
            "s.obj",
        )
        .unwrap();
        assert_eq!(
            scan.positions.len(),
            7,
            "vertices on texture seams are not split"
        );
        assert_eq!(colours(&scan), SIX, "{library} {map}");
    }
}

#[test]
fn what_a_scan_names_outside_its_folder_is_not_read() {
    let png = picture();
    let folder = tempfile::tempdir().unwrap();
    let inside = folder.path().join("inside");
    fs::create_dir(&inside).unwrap();
    fs::write(folder.path().join("secret.png"), &png).unwrap();
    fs::write(
        folder.path().join("secret.mtl"),
        "newmtl a\nmap_Kd skin.png\n",
    )
    .unwrap();
    fs::write(inside.join("skin.png"), &png).unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink(folder.path().join("secret.png"), inside.join("link.png")).unwrap();
    let absolute = folder.path().join("secret.png").display().to_string();
    let scan = inside.join("s.obj");
    for map in [
        "../secret.png",
        absolute.as_str(),
        "link.png",
        "./../secret.png",
        "x/../../secret.png",
    ] {
        fs::write(inside.join("head.mtl"), format!("newmtl a\nmap_Kd {map}\n")).unwrap();
        fs::write(&scan, textured_obj("head.mtl", "a")).unwrap();
        let read = read(&scan).unwrap();
        assert!(read.paint.is_none(), "{map}");
        assert!(read.notes[0].contains("was not used"), "{:?}", read.notes);
    }
    fs::write(&scan, textured_obj("../secret.mtl", "a")).unwrap();
    assert!(read(&scan).unwrap().paint.is_none());
}

#[test]
fn glb_with_node_transforms_and_embedded_picture() {
    let scan = in_memory(Format::Glb, &glb(&[], None));
    assert_eq!(scan.notes, Vec::<String>::new());
    assert_eq!(colours(&scan), SIX);
    let [a, b, c] = scan.faces[0].map(|v| scan.positions[v as usize]);
    assert_eq!(a, Point3::new(1000.0, 0.0, 0.0));
    // Mirrored by the node, so turned back: the first quad still looks up.
    assert!((b - a).cross(&(c - a)).z > 0.0);
    assert!((area(&scan) - 30_000.0).abs() < 1e-6);
}

/// glTF 2.0, section 3.7.2.1: triangle i of a strip is (i, i + 1 + i % 2, i + 2 − i % 2), of a fan (i + 1, i + 2, 0).
#[test]
fn glb_strips_and_fans_are_triangles() {
    let four = |mode: u32| {
        let primitive = format!("\"mode\":{mode},\"material\"");
        let changes = [
            ("\"indices\":2,\"material\"", primitive.as_str()),
            ("\"count\":12", "\"count\":4"),
        ];
        shape(&in_memory(Format::Glb, &glb(&changes, None)))
    };
    // Moved and mirrored by the nodes, and so turned to face the same way.
    let expected = |faces: [[usize; 3]; 2]| {
        let mut text = String::new();
        for [x, y, z] in &POSITIONS[..4] {
            text += &format!("v {} {} {z}\n", 1000.0 + x, -y);
        }
        for [a, b, c] in faces {
            text += &format!("f {} {} {}\n", a + 1, c + 1, b + 1);
        }
        shape(&in_memory(Format::Obj, text.as_bytes()))
    };
    assert_eq!(four(5), expected([[0, 1, 2], [1, 3, 2]]));
    assert_eq!(four(6), expected([[1, 2, 0], [2, 3, 0]]));
}

#[test]
fn glb_colours_on_vertices_are_kept() {
    // The positions for colours: 0 is black, and what is over 1 is taken for 1.
    let changes = [
        ("\"TEXCOORD_0\":1", "\"COLOR_0\":0"),
        ("\"baseColorTexture\":{\"index\":0}", ""),
    ];
    let bytes = glb(&changes, None);
    let scan = in_memory(Format::Glb, &bytes);
    let Some(Paint::Vertex(colours)) = &scan.paint else {
        panic!("no colours on vertices");
    };
    assert_eq!(colours.len(), scan.positions.len());
    let quads = QUADS.iter().flatten();
    for (colour, &v) in colours.iter().zip(quads) {
        let expected = POSITIONS[v as usize].map(|c| if c > 0.0 { 255 } else { 0 });
        assert_eq!(*colour, expected);
    }
}

#[test]
fn glb_whose_numbers_are_written_as_text_in_its_structure() {
    use base64::{Engine, engine::general_purpose::STANDARD};
    // Found with meshes written by Open3D 0.20.
    let plain = glb(&[], None);
    let json = u32::from_le_bytes(plain[12..16].try_into().unwrap()) as usize;
    let text = STANDARD.encode(&plain[28 + json..]);
    let with = |uri: &str| {
        let uri = format!("\"buffers\":[{{\"uri\":\"{uri}\",");
        glb(&[("\"buffers\":[{", &uri)], None)
    };
    let bytes = with(&format!("data:application/octet-stream;base64,{text}"));
    let scan = in_memory(Format::Glb, &bytes);
    assert_eq!(colours(&scan), SIX);
    assert!((area(&scan) - 30_000.0).abs() < 1e-6);
    for bad in [
        "mold.bin",
        "data:,AAAA",
        "data:;base64,?",
        "data:;base64,AAAA",
    ] {
        let refused = read_bytes(Format::Glb, &with(bad), &NoCompanions);
        assert!(refused.is_err(), "{bad}");
    }
}

#[test]
fn hostile_files_are_refused_in_words_at_once() {
    let s = |text: &str| text.as_bytes().to_vec();
    let header = "ply\nformat binary_little_endian 1.0\nelement vertex 4000000000\nproperty float x\nproperty float y\nproperty float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n";
    let nothing = "ply\nformat ascii 1.0\nelement junk 4000000000\nelement vertex 0\nproperty float x\nelement face 0\nproperty list uchar int vertex_indices\nend_header\n";
    let ascii = |body: &str| {
        s(&format!(
            "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n{body}"
        ))
    };
    let mut claims = stl_binary(b"");
    claims[80..84].copy_from_slice(&u32::MAX.to_le_bytes());
    let big_count = glb(&[("\"count\":12", "\"count\":4000000000")], None);
    let long_list = {
        let mut bytes = s(
            "ply\nformat binary_little_endian 1.0\nelement vertex 1\nproperty float x\nelement face 1\nproperty list uint int vertex_indices\nend_header\n",
        );
        bytes.extend([0; 4]);
        bytes.extend(u32::MAX.to_le_bytes());
        bytes
    };
    let triangle = "v 0 0 0\nv 1 0 0\nv 0 1 0\n";
    for (name, bytes, words) in [
        ("empty.obj", vec![], "has no triangles"),
        ("empty.ply", vec![], "end_header"),
        ("empty.stl", vec![], "fewer than the 84 bytes"),
        ("empty.glb", vec![], "cut short"),
        ("points.obj", s(triangle), "has no triangles"),
        ("text.xyz", s("1 2 3\n"), "not a known kind of scan"),
        ("picture.obj", picture(), "has no triangles"),
        ("zeros.obj", vec![0; 1000], "has no triangles"),
        (
            "nan.obj",
            s("v nan 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3"),
            "vertex 0 (counted from 0) has the coordinate NaN",
        ),
        (
            "inf.obj",
            s("v 0 0 0\nv 1 inf 0\nv 0 1 0\nf 1 2 3"),
            "vertex 1",
        ),
        (
            "huge.obj",
            s("v 0 0 0\nv 1 1e300 0\nv 0 1 0\nf 1 2 3"),
            "1000000",
        ),
        (
            "range.obj",
            s(&format!("{triangle}f 1 2 4")),
            "names vertex 3 but there are only 3",
        ),
        (
            "far.obj",
            s(&format!("{triangle}f 1 2 4294967296")),
            "line 4: index 4294967296 does not exist",
        ),
        (
            "over.obj",
            s(&format!("{triangle}f 1 2 9223372036854775807")),
            "line 4",
        ),
        (
            "under.obj",
            s(&format!("{triangle}f -4 -1 -2")),
            "index -4 does not exist",
        ),
        (
            "least.obj",
            s(&format!("{triangle}f -9223372036854775808 1 2")),
            "line 4",
        ),
        (
            "zero.obj",
            s(&format!("{triangle}f 0 1 2")),
            "index 0 does not exist",
        ),
        ("word.obj", s("v a b c"), "line 1: a vertex needs numbers"),
        (
            "poly.obj",
            s(&format!("{triangle}f 1 2 3 9")),
            "names vertex 8",
        ),
        (
            "claims.ply",
            s(header),
            "claims 4000000000 elements \"vertex\"",
        ),
        (
            "nothing.ply",
            s(nothing),
            "claims 4000000000 elements \"junk\"",
        ),
        ("list.ply", long_list, "face"),
        ("cut.ply", ascii("0 0 0\n1 0 0\n"), "claims"),
        (
            "short.ply",
            ascii("0 0 0\n1 0 0\n0 1 0\n3 0 1\n"),
            "line 13",
        ),
        (
            "range.ply",
            ascii("0 0 0\n1 0 0\n0 1 0\n3 0 1 7\n"),
            "it names vertex 7 and there are 3",
        ),
        (
            "minus.ply",
            ascii("0 0 0\n1 0 0\n0 1 0\n3 0 1 -1\n"),
            "it names vertex -1",
        ),
        (
            "nan.ply",
            ascii("0 0 nan\n1 0 0\n0 1 0\n3 0 1 2\n"),
            "line 10",
        ),
        ("header.ply", s("ply\nformat ascii 1.0\n"), "end_header"),
        (
            "format.ply",
            s("ply\nformat klingon 1.0\nend_header\n"),
            "line 2",
        ),
        ("claims.stl", claims, "claims 4294967295 triangles"),
        (
            "corners.stl",
            s("solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nendloop\n"),
            "2 corners",
        ),
        (
            "cut.stl",
            s("solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1"),
            "line 5",
        ),
        (
            "nan.stl",
            s("solid x\nfacet\nvertex 0 0 0\nvertex 1 0 0\nvertex nan 0 0\nendloop\n"),
            "coordinate NaN",
        ),
        ("count.glb", big_count, "claims 4000000000"),
        ("cut.glb", glb(&[], Some(700)), "claims"),
        ("head.glb", glb(&[], Some(13)), "cut short"),
        (
            "length.glb",
            s("glTF\x02\0\0\0\x01\0\0\0\0\0\0\0JSON"),
            "claims",
        ),
        (
            "offset.glb",
            glb(
                &[("\"byteOffset\":144", "\"byteOffset\":18446744073709551615")],
                None,
            ),
            "claims",
        ),
        (
            "stride.glb",
            glb(
                &[("\"byteLength\":144", "\"byteLength\":144,\"byteStride\":4")],
                None,
            ),
            "overlap",
        ),
        (
            "index.glb",
            glb(
                &[(
                    "\"count\":12,\"type\":\"VEC3\"",
                    "\"count\":3,\"type\":\"VEC3\"",
                )],
                None,
            ),
            "is named and there are 3",
        ),
        (
            "accessor.glb",
            glb(&[("\"POSITION\":0", "\"POSITION\":99")], None),
            "structure",
        ),
        (
            "json.glb",
            glb(&[("\"asset\"", "asset")], None),
            "structure",
        ),
        (
            "packed.glb",
            glb(
                &[(
                    "{\"asset\"",
                    "{\"extensionsRequired\":[\"KHR_draco_mesh_compression\"],\"asset\"",
                )],
                None,
            ),
            "export it as plain GLB",
        ),
        (
            "kind.glb",
            glb(
                &[("\"componentType\":5123", "\"componentType\":5126")],
                None,
            ),
            "claims",
        ),
    ] {
        let start = Instant::now();
        let error = in_folder(&[(name, &bytes)], name)
            .err()
            .unwrap_or_else(|| panic!("{name} was read"));
        let message = error.to_string();
        assert!(
            message.contains(name) && message.contains(words),
            "{message}"
        );
        assert!(!message.contains('\n') && message.len() < 500, "{message}");
        assert!(start.elapsed() < Duration::from_secs(1), "{name}");
    }
    let missing = read(Path::new("/nowhere/at all.ply"))
        .unwrap_err()
        .to_string();
    assert!(missing.contains("cannot be read"), "{missing}");
    let folder = read(&std::env::temp_dir()).unwrap_err().to_string();
    assert!(folder.contains("not a regular file"), "{folder}");
}

#[test]
fn a_node_loop_a_huge_picture_and_a_damaged_one_do_no_harm() {
    let looped = glb(&[("\"mesh\":0,", "\"mesh\":0,\"children\":[0],")], None);
    assert_eq!(in_memory(Format::Glb, &looped).faces.len(), 6);

    // A PNG whose header claims 100 000 by 100 000 pixels.
    let mut png = picture();
    png[16..20].copy_from_slice(&100_000_u32.to_be_bytes());
    png[20..24].copy_from_slice(&100_000_u32.to_be_bytes());
    let mtl = b"newmtl a\nmap_Kd skin.png\n";
    let obj = textured_obj("head.mtl", "a");
    let cut = &picture()[..60];
    for bytes in [png.as_slice(), cut, b"GIF89a", b""] {
        let files: [(&str, &[u8]); 3] = [("s.obj", &obj), ("head.mtl", mtl), ("skin.png", bytes)];
        let scan = in_folder(&files, "s.obj").unwrap();
        assert!(scan.paint.is_none());
        assert!(
            scan.notes[0].contains("\"skin.png\" was not used"),
            "{:?}",
            scan.notes
        );
    }
}

#[test]
fn a_mold_comes_out_of_every_format_the_same() {
    let (positions, faces) = fixtures::mold(60);
    let mut stl = vec![0; 80];
    stl.extend((faces.len() as u32).to_le_bytes());
    let mut obj = String::new();
    for p in &positions {
        writeln!(obj, "v {} {} {}", p[0] / 10.0, p[1] / 10.0, p[2] / 10.0).unwrap();
    }
    for face in &faces {
        stl.extend([0; 12]);
        for &v in face {
            stl.extend(
                positions[v as usize]
                    .iter()
                    .flat_map(|&c| (c as f32).to_le_bytes()),
            );
        }
        stl.extend([0; 2]);
        writeln!(obj, "f {} {} {}", face[0] + 1, face[1] + 1, face[2] + 1).unwrap();
    }
    let options = MendOptions::default();
    let (from_stl, stl_report) = mend(in_memory(Format::Stl, &stl), &options).unwrap();
    let (from_obj, obj_report) = mend(in_memory(Format::Obj, obj.as_bytes()), &options).unwrap();
    assert_eq!(from_stl.mesh.faces(), from_obj.mesh.faces());
    assert_eq!(obj_report.settled.unit.to_string(), "centimetres");
    assert_eq!(stl_report.settled.unit.to_string(), "millimetres");
    let (a, b) = (from_stl.mesh.area(), from_obj.mesh.area());
    assert!((a / b - 1.0).abs() < 1e-6, "{a} {b}");
}

/// Flips, cuts, repeats and overwrites bytes; the same ones for the same seed.
fn damaged(bytes: &[u8], seed: u64) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut below = |n: usize| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        ((state >> 33) % n.max(1) as u64) as usize
    };
    let mut bytes = bytes.to_vec();
    for _ in 0..1 + below(4) {
        if bytes.is_empty() {
            break;
        }
        let at = below(bytes.len());
        match below(6) {
            0 => bytes[at] ^= 1 << below(8),
            1 => bytes[at] = [0, 255, b'-', b'9', b' ', b'\n', b'/', b'e'][below(8)],
            2 => bytes.truncate(at),
            3 => {
                let end = (at + below(64)).min(bytes.len());
                let piece = bytes[at..end].to_vec();
                let to = below(bytes.len());
                bytes.splice(to..to, piece);
            }
            4 => drop(bytes.drain(at..(at + below(16)).min(bytes.len()))),
            _ => {
                let number = [
                    "4294967295",
                    "-1",
                    "1e999",
                    "0",
                    "99999999999999999999",
                    "nan",
                ][below(6)];
                bytes.splice(at..at, number.bytes());
            }
        }
    }
    bytes
}

struct Anything(Vec<u8>);

impl flatten::scan::Companions for Anything {
    fn fetch(&self, name: &str, _limit: u64) -> Result<Vec<u8>, String> {
        Ok(if name.contains("png") {
            picture()
        } else {
            self.0.clone()
        })
    }
}

#[test]
fn damaged_files_never_panic_and_what_is_read_obeys_its_law() {
    let rounds: u64 = std::env::var("ROUNDS").map_or(400, |rounds| rounds.parse().unwrap());
    let mtl = b"newmtl a\nKd 1 0 0\nmap_Kd -o 0 0 skin.png\n".to_vec();
    for (format, seeds) in [
        (
            Format::Obj,
            vec![obj().into_bytes(), textured_obj("h.mtl", "a")],
        ),
        (
            Format::Ply,
            vec![ply(Order::Text), ply(Order::Little), ply(Order::Big)],
        ),
        (Format::Stl, vec![stl_binary(b""), stl_text().into_bytes()]),
        (Format::Glb, vec![glb(&[], None)]),
    ] {
        let mut read = 0;
        for seed in 0..rounds {
            for (k, good) in seeds.iter().enumerate() {
                let bytes = damaged(good, seed * 7 + k as u64);
                let beside = Anything(damaged(&mtl, seed));
                match read_bytes(format, &bytes, &beside) {
                    Ok(scan) => {
                        read += 1;
                        let n = scan.positions.len();
                        assert!(scan.faces.iter().flatten().all(|&v| (v as usize) < n));
                        match &scan.paint {
                            Some(Paint::Vertex(colours)) => assert_eq!(colours.len(), n),
                            Some(Paint::Texture { corners, .. }) => {
                                assert_eq!(corners.len(), scan.faces.len());
                            }
                            None => {}
                        }
                    }
                    Err(fault) => {
                        let words = fault.to_string();
                        assert!(!words.contains('\n') && words.len() < 500, "{words}");
                    }
                }
            }
        }
        assert!(read > 0, "{format:?}");
    }
}
