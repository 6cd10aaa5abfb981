//! Lays a mesh flat by least-squares conformal maps, and says how long each step took.
//!
//! `map_mesh IN OUT.obj [--pins A,B]` reads a mesh with a boundary (OBJ or PLY; vertex order is
//! kept), pins vertices A and B, counted from 0, at (0, 0) and (1, 0), and writes OUT.obj with one
//! `vt` a vertex at full precision. Without `--pins` the map is the pin-free one, in the mesh's own
//! unit. Prints one JSON object; times are wall milliseconds.

use std::{error::Error, fmt::Write, fs, path::Path, time::Instant};

use flatten::{
    Point2,
    flat::{
        FlatMap,
        conformal::{ConformalOptions, Flattener, Method},
    },
    mesh::TriMesh,
    process, scan,
};

fn main() -> Result<(), Box<dyn Error>> {
    process::set_up(0)?;
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (input, output, method) = match arguments.as_slice() {
        [input, output] => (input, output, Method::PinFree),
        [input, output, flag, pins] if flag == "--pins" => (input, output, pinned(pins)?),
        _ => return Err("usage: map_mesh IN OUT.obj [--pins A,B]".into()),
    };
    let mut timings = serde_json::Map::new();
    let start = Instant::now();
    let mut lap = start;
    let mut record = |name: &str, timings: &mut serde_json::Map<_, _>| {
        timings.insert(name.into(), (1e3 * lap.elapsed().as_secs_f64()).into());
        lap = Instant::now();
    };
    let scan = scan::read(Path::new(input))?;
    record("read", &mut timings);
    let mesh = TriMesh::new(scan.positions, scan.faces)?;
    record("neighbours", &mut timings);
    let flattener = Flattener::new(&mesh)?;
    record("prepare", &mut timings);
    let options = ConformalOptions {
        method,
        true_size: method == Method::PinFree,
    };
    let map = flattener.flatten(&options)?;
    record("map", &mut timings);
    fs::write(output, obj(&mesh, &map)?)?;
    record("write", &mut timings);
    timings.insert("total".into(), (1e3 * start.elapsed().as_secs_f64()).into());
    for (step, time) in flattener.timings() {
        timings.insert(format!("prepare.{step}"), (1e3 * time.as_secs_f64()).into());
    }
    let report = serde_json::json!({
        "vertices": mesh.vertex_count(),
        "triangles": mesh.face_count(),
        "flipped": map.report.flipped,
        "conformal_energy": map.report.energy,
        "timings_ms": timings,
    });
    println!("{report:#}");
    Ok(())
}

fn pinned(text: &str) -> Result<Method, Box<dyn Error>> {
    let (a, b) = text
        .split_once(',')
        .ok_or("--pins takes two numbers: A,B")?;
    Ok(Method::Pinned([
        (a.trim().parse()?, Point2::new(0.0, 0.0)),
        (b.trim().parse()?, Point2::new(1.0, 0.0)),
    ]))
}

fn obj(mesh: &TriMesh, map: &FlatMap) -> Result<String, std::fmt::Error> {
    let mut text = String::with_capacity(100 * mesh.vertex_count() + 40 * mesh.face_count());
    for p in mesh.positions() {
        writeln!(text, "v {} {} {}", p.x, p.y, p.z)?;
    }
    for p in &map.uv {
        writeln!(text, "vt {} {}", p.x, p.y)?;
    }
    for f in mesh.faces() {
        let [a, b, c] = f.map(|v| v + 1);
        writeln!(text, "f {a}/{a} {b}/{b} {c}/{c}")?;
    }
    Ok(text)
}
