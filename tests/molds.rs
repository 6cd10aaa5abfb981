//! Whole drafts from molds of known shape, as a person runs them.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::{
    collections::BTreeSet,
    f64::consts::{FRAC_PI_2, PI, TAU},
    fmt::Write as _,
    fs,
    path::Path,
    process::Command,
};

use fixtures::{Faults, Mesh};
use flatten::{
    Point3,
    mesh::{MendOptions, mend},
    scan::RawScan,
};

fn obj((positions, faces): &Mesh) -> String {
    let mut text = String::new();
    for [x, y, z] in positions {
        writeln!(text, "v {x} {y} {z}").unwrap();
    }
    for [a, b, c] in faces {
        writeln!(text, "f {} {} {}", a + 1, b + 1, c + 1).unwrap();
    }
    text
}

/// Drafts a fitting beside its scan; the pattern, and what was said.
fn draft(folder: &Path, scan: &Mesh, fitting: &str) -> (serde_json::Value, String) {
    fs::create_dir_all(folder).unwrap();
    fs::write(folder.join("mold.obj"), obj(scan)).unwrap();
    fs::write(folder.join("fitting.toml"), fitting).unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_pattern-cli"))
        .current_dir(folder)
        .args(["draft", "fitting.toml", "--out", "pattern"])
        .output()
        .unwrap();
    let said =
        String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
    let text = fs::read_to_string(folder.join("pattern/pattern.json"))
        .unwrap_or_else(|_| panic!("nothing written: {said}"));
    (serde_json::from_str(&text).unwrap(), said)
}

/// Twelve equal tapes from the crown of a sphere end on a circle: of length 2πR·sin(s/R), about a cap of
/// area 2πR²(1 − cos(s/R)) (elementary; do Carmo 1976).
#[test]
fn equal_clock_readings_on_a_sphere_give_a_circle() {
    let radius = 90.0;
    let home = tempfile::tempdir().unwrap();
    let fitting = "fitting = 1\nclient = \"0000\"\n[mold]\nscan = \"mold.obj\"\n[landmarks]\n\
        front = [0, 80.7, 39.9]\nnape = [0, -80.7, 39.9]\nleft_ear = [-80.7, 0, 39.9]\n\
        right_ear = [80.7, 0, 39.9]\ncrown = [0, 0, 90]\n[perimeter]\nfrom = \"clock\"\n\
        clock = [100, 100, 100, 100, 100, 100, 100, 100, 100, 100, 100, 100]\n[darts]\nlayout = \"even:4\"\n";
    let (pattern, said) = draft(home.path(), &fixtures::icosphere(radius, 5), fitting);
    let surface = |key: &str| pattern["surface"][key].as_f64().unwrap();
    let angle: f64 = 100.0 / radius;
    let perimeter = TAU * radius * angle.sin();
    let area = TAU * radius * radius * (1.0 - angle.cos());
    // The inscribed mesh is smaller by a thousandth.
    assert!(
        (surface("perimeter_mm") / perimeter - 1.0).abs() < 0.002,
        "{} for {perimeter}\n{said}",
        surface("perimeter_mm")
    );
    assert!(
        (surface("area_mm2") / area - 1.0).abs() < 0.002,
        "{} for {area}",
        surface("area_mm2")
    );
}

fn text([x, y, z]: [f64; 3]) -> String {
    format!("[{x:.3}, {y:.3}, {z:.3}]")
}

/// Sew lines of all pieces, as printed.
fn sew_lines(pattern: &serde_json::Value) -> Vec<[f64; 2]> {
    let mut points: Vec<[f64; 2]> = Vec::new();
    for piece in pattern["pieces"].as_array().unwrap() {
        for point in piece["sew_line_mm"].as_array().unwrap() {
            points.push([point[0].as_f64().unwrap(), point[1].as_f64().unwrap()]);
        }
    }
    points
}

/// Farthest that a point of one closed line lies from the other.
fn farthest(from: &[[f64; 2]], to: &[[f64; 2]]) -> f64 {
    let distance = |p: &[f64; 2]| {
        (0..to.len())
            .map(|k| {
                let (a, b) = (to[k], to[(k + 1) % to.len()]);
                let (e, d) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
                let square = (e[0] * e[0] + e[1] * e[1]).max(f64::MIN_POSITIVE);
                let t = ((d[0] * e[0] + d[1] * e[1]) / square).clamp(0.0, 1.0);
                (d[0] - t * e[0]).hypot(d[1] - t * e[1])
            })
            .fold(f64::INFINITY, f64::min)
    };
    from.iter().map(distance).fold(0.0, f64::max)
}

#[test]
fn a_scan_full_of_faults_gives_the_pattern_of_its_clean_original() {
    let home = tempfile::tempdir().unwrap();
    let clean = fixtures::mold(90);
    // Higher at the front than at the nape, as hairlines are.
    let edge = |a: f64| fixtures::mold_point(1.48 - 0.25 * a.sin(), a);
    let points: Vec<String> = (0..40)
        .map(|k| text(edge(TAU * f64::from(k) / 40.0)))
        .collect();
    let fitting = format!(
        "fitting = 1\nclient = \"0000\"\n[mold]\nscan = \"mold.obj\"\n[landmarks]\nfront = {}\nnape = {}\n\
         left_ear = {}\nright_ear = {}\n[perimeter]\nfrom = \"points\"\npoints = [{}]\n[darts]\n\
         layout = \"even:4\"\n",
        text(edge(FRAC_PI_2)),
        text(edge(-FRAC_PI_2)),
        text(edge(PI)),
        text(edge(0.0)),
        points.join(", ")
    );
    let (whole, _) = draft(&home.path().join("clean"), &clean, &fitting);
    for seed in [1, 2] {
        let spoiled = fixtures::spoiled(&clean, &Faults::all(), seed);
        let (mended, said) = draft(&home.path().join(format!("{seed}")), &spoiled, &fitting);
        let [a, b] = [&whole, &mended].map(sew_lines);
        let off = farthest(&a, &b).max(farthest(&b, &a));
        println!("seed {seed}: sew lines differ by {off:.3} mm");
        assert!(off < 0.5, "{off} mm\n{said}");
    }
}

/// One fault in a mold, and how often it is in there.
fn faults_one_by_one(clean: &Mesh) -> Vec<(&'static str, Mesh, usize)> {
    let with = |faults: Faults| fixtures::spoiled(clean, &faults, 5);
    let none = Faults::default;
    let (corners, faces) = (clean.0.len(), clean.1.len());
    let added = |mesh: &Mesh| mesh.1.len() - faces;
    let used = |mesh: &Mesh| mesh.1.iter().flatten().collect::<BTreeSet<_>>().len();
    let soup = with(Faults {
        soup: true,
        jitter_mm: 0.0005,
        ..none()
    });
    let turned = with(Faults {
        turned: Some(7),
        ..none()
    });
    let doubled = with(Faults {
        doubled: Some(20),
        ..none()
    });
    let collapsed = with(Faults {
        collapsed: Some(50),
        ..none()
    });
    let fins = with(Faults { fins: 8, ..none() });
    let fin_count = added(&fins);
    let crumbs = with(Faults {
        crumbs: 25,
        ..none()
    });
    let touching = with(Faults {
        touching: 5,
        ..none()
    });
    let cones = added(&touching);
    let table = with(Faults {
        table: true,
        ..none()
    });
    let top = added(&table);
    let holes = with(Faults {
        holes: 12,
        ..none()
    });
    let pierced = corners - used(&holes);
    let slivers = with(Faults {
        slivers: 30,
        ..none()
    });
    let extra = used(&slivers) - corners;
    let inside_out = with(Faults {
        inside_out: true,
        ..none()
    });
    vec![
        (
            "every triangle with corners of its own, up to 0.0017 mm apart",
            soup,
            3 * faces - corners,
        ),
        ("triangles that face the other way", turned, faces / 7),
        ("everything inside out", inside_out, faces),
        ("triangles there twice", doubled, faces / 20),
        ("triangles without extent", collapsed, faces / 50),
        ("fins: three triangles on an edge", fins, fin_count),
        ("cones that touch in a point", touching, cones),
        ("crumbs beside the head", crumbs, 4 * 25),
        ("a table under it", table, top),
        ("small holes", holes, pierced),
        ("needles and caps", slivers, extra),
    ]
}

/// The table of DEVELOPERS.md is what happens: each fault alone is told in its words, with its count and a
/// place, nothing else is told, and the mold is whole again.
#[test]
fn each_fault_alone_is_mended_and_told_as_the_table_says() {
    let text = include_str!("../DEVELOPERS.md");
    let section = text.split("\n## What is mended\n").nth(1).unwrap();
    let rows: Vec<Vec<&str>> = section
        .split("\n## ")
        .next()
        .unwrap()
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| fault"))
        .map(|line| line.trim_matches('|').split('|').map(str::trim).collect())
        .collect();
    let clean = fixtures::mold(90);
    let cases = faults_one_by_one(&clean);
    assert_eq!(rows.len(), cases.len());
    let raw = |(positions, faces): &Mesh| RawScan {
        positions: positions.iter().map(|p| Point3::from(*p)).collect(),
        faces: faces.clone(),
        ..RawScan::default()
    };
    let (whole, report) = mend(raw(&clean), &MendOptions::default()).unwrap();
    assert!(report.acts.is_empty());
    for (row, (name, mesh, count)) in rows.iter().zip(&cases) {
        assert_eq!(row[0], *name);
        let (mended, report) = mend(raw(mesh), &MendOptions::default()).unwrap();
        let told: Vec<String> = report.acts.iter().map(ToString::to_string).collect();
        println!("{name}: {told:?}");
        let words: Vec<&str> = row[2].split("; ").collect();
        assert_eq!(told.len(), words.len(), "{name}: {told:?}");
        for (told, words) in told.iter().zip(words) {
            let wanted = format!("{count} {words}");
            assert!(told.starts_with(&wanted), "{name}: {told}, not {wanted}");
        }
        let place = report.acts[0].place;
        let near = |p: &[f64; 3]| (Point3::from(*p) - place).norm() < 15.0;
        assert!(
            mesh.0.iter().any(near),
            "{name}: nothing of the scan is at {place}"
        );
        assert_eq!(mended.mesh.euler_characteristic(), 1, "{name}");
        assert_eq!(mended.mesh.boundary_loops().len(), 1, "{name}");
        let area = mended.mesh.area() / whole.mesh.area() - 1.0;
        assert!(area.abs() < 1e-4, "{name}: {area}");
    }
}
