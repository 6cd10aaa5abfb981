//! `measure` and `measuring-sheet`, run as a person runs them.

#![allow(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

use std::{fmt::Write, fs, path::Path, process::Command};

use flatten::{form, tape::TapePath};

/// A scan of the average head in centimetres with a fitting whose tape readings are the given ones.
fn write_fitting(folder: &Path, tape: &str) {
    let (form, cm) = (form::average_head(), 0.1);
    let mesh = form.mesh(8000);
    let mut obj = String::new();
    for p in mesh.positions() {
        writeln!(obj, "v {:.5} {:.5} {:.5}", p.x * cm, p.y * cm, p.z * cm).unwrap();
    }
    for f in mesh.faces() {
        writeln!(obj, "f {} {} {}", f[0] + 1, f[1] + 1, f[2] + 1).unwrap();
    }
    fs::write(folder.join("mold.obj"), obj).unwrap();
    let point =
        |p: &flatten::Point3| format!("[{:.4}, {:.4}, {:.4}]", p.x * cm, p.y * cm, p.z * cm);
    let head = form.head();
    let points: Vec<String> = form.outline().perimeter.iter().map(point).collect();
    let text = format!(
        "fitting = 1\nclient = \"0000\"\nunits = \"mm\"\n[mold]\nscan = \"mold.obj\"\n\
         [landmarks]\nfront = {}\nnape = {}\nleft_ear = {}\nright_ear = {}\n\
         [perimeter]\nfrom = \"points\"\npoints = [{}]\n[tape]\n{tape}\n\
         [material]\nname = \"light lace\"\n[darts]\nlayout = \"none\"\n",
        point(&head.front),
        point(&head.nape),
        point(&head.left_ear),
        point(&head.right_ear),
        points.join(", "),
    );
    fs::write(folder.join("fitting.toml"), text).unwrap();
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

#[test]
fn readings_that_fit_the_mold_end_with_nought_and_a_picture_of_every_tape() {
    let folder = tempfile::tempdir().unwrap();
    // the average head's own tapes, see the engine's tests
    write_fitting(
        folder.path(),
        "girth = 586\nfront_to_nape = 346\near_to_ear_over = 300",
    );
    let (code, out, err) = run(
        folder.path(),
        &["measure", "fitting.toml", "--out", "tapes"],
    );
    assert_eq!(code, Some(0), "{out}{err}");
    let svg = fs::read_to_string(folder.path().join("tapes/tapes.svg")).unwrap();
    let json = fs::read_to_string(folder.path().join("tapes/tapes.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    for path in &TapePath::ALL[..9] {
        assert!(svg.contains(path.key()), "{}", path.key());
    }
    assert_eq!(json["tapes"].as_array().unwrap().len(), 9);
    assert!(json["asymmetry"]["max_mm"].as_f64().unwrap() < 0.2);
}

#[test]
fn a_reading_far_from_the_mold_ends_with_three_and_names_a_cause() {
    let folder = tempfile::tempdir().unwrap();
    write_fitting(
        folder.path(),
        "girth = 586\nfront_to_nape = 370\near_to_ear_over = 300",
    );
    let (code, out, err) = run(folder.path(), &["measure", "fitting.toml"]);
    assert_eq!(code, Some(3), "{out}{err}");
    assert!(
        format!("{out}{err}").contains("the neck was bent"),
        "{out}{err}"
    );
    assert!(!folder.path().join("tapes").exists());
}

#[test]
fn the_clients_page_is_written_once_and_never_over_another() {
    let folder = tempfile::tempdir().unwrap();
    let (code, out, err) = run(folder.path(), &["measuring-sheet"]);
    assert_eq!(code, Some(0), "{out}{err}");
    let pdf = fs::read(folder.path().join("measuring-sheet/measuring-sheet.pdf")).unwrap();
    assert!(pdf.starts_with(b"%PDF-"));
    assert_eq!(run(folder.path(), &["measuring-sheet"]).0, Some(1));
}
