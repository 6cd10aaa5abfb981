//! `trace` from a painted scan to drafted sheets, run as a person runs it.

#![allow(
    clippy::unwrap_used,
    dead_code,
    reason = "helpers of tests fail loudly, and not every test needs all of the painter"
)]

#[path = "pen_line/paint.rs"]
mod paint;

use std::{fmt::Write, fs, path::Path, process::Command, sync::OnceLock};

use flatten::{
    Point3,
    form::average_head,
    scan::{Paint, RawScan},
};
use paint::{Painting, Stroke};
use serde_json::{Value, json};

/// A painted scan as OBJ, MTL and PNG, in centimetres; without its picture when it has none.
fn write_obj(folder: &Path, raw: &RawScan) {
    let mut text = String::from("mtllib mold.mtl\nusemtl skin\n");
    for p in &raw.positions {
        writeln!(text, "v {:.5} {:.5} {:.5}", 0.1 * p.x, 0.1 * p.y, 0.1 * p.z).unwrap();
    }
    let Some(Paint::Texture { corners, image }) = &raw.paint else {
        for f in &raw.faces {
            let [a, b, c] = f.map(|v| v + 1);
            writeln!(text, "f {a} {b} {c}").unwrap();
        }
        fs::write(folder.join("mold.obj"), text).unwrap();
        return;
    };
    for [u, v] in corners.iter().flatten() {
        writeln!(text, "vt {u:.6} {v:.6}").unwrap();
    }
    for (k, f) in raw.faces.iter().enumerate() {
        let [a, b, c] = f.map(|v| v + 1);
        let k = 3 * k;
        writeln!(text, "f {a}/{} {b}/{} {c}/{}", k + 1, k + 2, k + 3).unwrap();
    }
    fs::write(folder.join("mold.obj"), text).unwrap();
    fs::write(folder.join("mold.mtl"), "newmtl skin\nmap_Kd mold.png\n").unwrap();
    image.save(folder.join("mold.png")).unwrap();
}

/// The average head with its hairline drawn on it, and an opening.
fn painting(gap_mm: f64) -> Painting {
    let form = average_head();
    let mut line = Stroke::through(&form, &form.outline().perimeter);
    line.gaps.push((20.0, gap_mm));
    let ring: Vec<Point3> = (0..24)
        .map(|k| {
            let a = std::f64::consts::TAU * f64::from(k) / 24.0;
            form.point(&flatten::Vector3::new(
                -25.0 + 12.0 * a.sin(),
                10.0 + 30.0 * a.cos(),
                95.0,
            ))
        })
        .collect();
    let mut painting = Painting::plain(vec![line, Stroke::through(&form, &ring)]);
    painting.hair.1 = 0.5;
    painting.noise = 4.0;
    painting.light.1 = 0.5;
    painting.width = 3.0;
    // crosses at ears and crown; a stroke across the line is none
    let head = form.head();
    painting.mark(&form, &head.front, flatten::Vector3::z(), 14.0);
    for place in [head.left_ear, head.right_ear, CROWN] {
        let above = |p: Point3| form.point(&(p.coords + flatten::Vector3::z() * 16.0));
        let at = if place == CROWN {
            form.point(&CROWN.coords)
        } else {
            above(place)
        };
        let normal = at.coords.normalize();
        let u = normal
            .cross(&flatten::Vector3::new(0.3, 1.0, 0.2))
            .normalize();
        painting.mark(&form, &at, u + normal.cross(&u), 14.0);
        painting.mark(&form, &at, u - normal.cross(&u), 14.0);
    }
    painting
}

/// Behind the top of the head, where no shape tells it.
const CROWN: Point3 = Point3::new(4.0, -25.0, 95.0);

/// The same painted scan for every test: painting takes longer than tracing.
fn painted() -> RawScan {
    static SCAN: OnceLock<RawScan> = OnceLock::new();
    SCAN.get_or_init(|| scan(&painting(12.0))).clone()
}

/// The open shell of a mold: it ends a thumb's breadth below the line.
fn scan(painting: &Painting) -> RawScan {
    let form = average_head();
    let mesh = form.mesh(4_000);
    let low = |v: u32| {
        let p = mesh.position(v);
        p.z < -88.0 + 0.25 * p.y || (p.y > 50.0 && p.z < -25.0)
    };
    let mut faces = mesh.faces().to_vec();
    faces.retain(|f| !f.iter().any(|&v| low(v)));
    painting.on_texture(&form, mesh.positions(), &faces, 1000)
}

fn run(folder: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_pattern-cli"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (out.status.code(), text(out.stdout), text(out.stderr))
}

fn numbers(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn a_drawn_line_becomes_sheets_that_say_nobody_has_checked_it() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path();
    fs::create_dir(folder.join("scans")).unwrap();
    write_obj(&folder.join("scans"), &painted());
    let (code, out, err) = run(folder, &["trace", "scans/mold.obj", "--out", "traced"]);
    assert_eq!(code, Some(0), "{out}{err}");
    assert!(out.contains("1 gap closed"), "{out}");

    let told = numbers(&folder.join("traced/trace.json"));
    let truth = average_head().head();
    let x = |name: &str| told["landmarks"][name][0].as_f64().unwrap();
    // centimetres, and the client's right is at x > 0
    assert!(x("right_ear") > 6.0 && x("left_ear") < -6.0, "{told:#}");
    let form = average_head();
    let above = |p: &Point3| form.point(&(p.coords + flatten::Vector3::z() * 16.0));
    for (name, place, allowed) in [
        ("front", truth.front, 5.0),
        ("nape", truth.nape, 5.0),
        ("left_ear", above(&truth.left_ear), 1.5),
        ("right_ear", above(&truth.right_ear), 1.5),
        ("crown", form.point(&CROWN.coords), 1.5),
    ] {
        let at: Vec<f64> = (0..3)
            .map(|k| 10.0 * told["landmarks"][name][k].as_f64().unwrap())
            .collect();
        let off = (Point3::new(at[0], at[1], at[2]) - place).norm();
        assert!(off < allowed, "{name} {off} mm off");
    }
    let drawn = json!(["left_ear", "right_ear", "crown"]);
    assert_eq!(told["landmarks_drawn"], drawn, "{told:#}");
    for words in [
        "taken from pen crosses: left ear, right ear and crown",
        "no pen cross was seen there: front and nape",
    ] {
        assert!(out.contains(words), "{out}");
    }
    let openings = told["openings"].as_array().unwrap();
    assert_eq!(openings.len(), 1);
    // at the client's left
    let points = openings[0]["points"].as_array().unwrap();
    assert!(points.iter().all(|p| p[0].as_f64().unwrap() < 0.0));
    let svg = fs::read_to_string(folder.join("traced/trace.svg")).unwrap();
    for word in [
        "LEFT",
        "RIGHT",
        "FRONT",
        "NAPE",
        "LEFT EAR",
        "RIGHT EAR",
        "gap ",
    ] {
        assert!(svg.contains(word), "{word}");
    }

    let fitting = fs::read_to_string(folder.join("traced/fitting.toml")).unwrap();
    assert!(
        fitting.contains("scan = \"../scans/mold.obj\""),
        "{fitting}"
    );
    let fitting = fitting.replace("layout = \"auto\"", "layout = \"even:4\"");
    fs::write(folder.join("traced/fitting.toml"), &fitting).unwrap();
    let (code, out, err) = run(
        folder,
        &["draft", "traced/fitting.toml", "--out", "pattern"],
    );
    assert_eq!(code, Some(3), "{out}{err}");
    assert!(err.contains("NOT CONFIRMED"), "{err}");
    let pattern = numbers(&folder.join("pattern/pattern.json"));
    // the traced outline and its opening leave room for the darts
    assert_eq!(pattern["layout"]["darts"].as_array().unwrap().len(), 4);
    let length = pattern["surface"]["perimeter_mm"].as_f64().unwrap();
    let drawn = told["perimeter"]["length_mm"].as_f64().unwrap();
    assert!((length - drawn).abs() < 3.0, "{length} {drawn}");

    // the same from the pen itself: the line is found again, with the landmarks of the fitting
    let start = fitting.find("\n[perimeter]").unwrap();
    let end = fitting.find("\n[material]").unwrap();
    let from_pen = format!(
        "{}\n[perimeter]\nfrom = \"pen\"\n\n{}",
        &fitting[..start],
        &fitting[end..]
    )
    .replace("confirmed = false", "confirmed = true");
    fs::write(folder.join("traced/pen.toml"), from_pen).unwrap();
    let (code, out, err) = run(folder, &["draft", "traced/pen.toml", "--out", "again"]);
    assert!(matches!(code, Some(0 | 3)), "{out}{err}");
    assert!(!err.contains("NOT CONFIRMED"), "{err}");
    let again = numbers(&folder.join("again/pattern.json"));
    let area = |of: &Value| of["surface"]["area_mm2"].as_f64().unwrap();
    assert!((area(&again) / area(&pattern) - 1.0).abs() < 0.001);
    if let Some(keep) = std::env::var_os("KEEP") {
        let _ = Command::new("cp").arg("-r").arg(folder).arg(keep).status();
    }
}

#[test]
fn a_mirror_image_keeps_left_and_right_and_its_opening_changes_sides() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path();
    let mut raw = painted();
    for p in &mut raw.positions {
        p.x = -p.x;
    }
    for face in &mut raw.faces {
        face.swap(1, 2);
    }
    if let Some(Paint::Texture { corners, .. }) = &mut raw.paint {
        for own in corners {
            own.swap(1, 2);
        }
    }
    write_obj(folder, &raw);
    let (code, out, err) = run(folder, &["trace", "mold.obj", "--out", "traced"]);
    assert_eq!(code, Some(0), "{out}{err}");
    let told = numbers(&folder.join("traced/trace.json"));
    let x = |point: &Value| point[0].as_f64().unwrap();
    // nobody's head has its right ear on the left: the client of this scan is another one
    assert!(x(&told["landmarks"]["right_ear"]) > 6.0, "{told:#}");
    assert!(x(&told["landmarks"]["left_ear"]) < -6.0);
    // drawn on the other client's left
    let points = told["openings"][0]["points"].as_array().unwrap();
    assert!(points.iter().all(|p| x(p) > 0.0), "{points:?}");
    let fitting = fs::read_to_string(folder.join("traced/fitting.toml")).unwrap();
    assert!(fitting.contains("confirmed = false"), "{fitting}");
}

#[test]
fn what_cannot_be_traced_is_refused_with_the_place_and_nothing_is_written() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path();
    // exit code 1, and no folder
    let refused = |raw: &RawScan| {
        write_obj(folder, raw);
        let (code, out, err) = run(folder, &["trace", "mold.obj"]);
        assert_eq!(code, Some(1), "{out}{err}");
        assert!(!folder.join("mold-traced").exists());
        err
    };
    // the pen's round ends, 3 mm wide, reach into it from both sides; it lies at a bend, where the
    // line is longer than the way from end to end
    let wide = painting(25.0 + 3.0);
    let line = &wide.strokes[0];
    let (from, long) = line.gaps[0];
    let ends = [from + 1.5, from + long - 1.5].map(|run| line.at(run));
    let err = refused(&scan(&wide));
    let told: f64 = err
        .split("gap of ")
        .nth(1)
        .unwrap()
        .split(' ')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    assert!(
        (told - (ends[1] - ends[0]).norm()).abs() < 2.0,
        "{err} {ends:?}"
    );
    // the middle of the gap, in the scan's centimetres
    let at = line.at(from + 0.5 * long);
    let told: Vec<f64> = err
        .split(['(', ')', ','])
        .filter_map(|part| part.trim().parse().ok())
        .collect();
    let near = Point3::new(told[0], told[1], told[2]) * 10.0;
    assert!((near - at).norm() < 4.0, "{err} {at}");

    let mut bare = scan(&wide);
    bare.paint = None;
    let err = refused(&bare);
    assert!(err.contains("no colours"), "{err}");

    let mut plain = wide;
    plain.strokes.clear();
    plain.marks.clear();
    let err = refused(&scan(&plain));
    assert!(err.contains("no pen line"), "{err}");
}
