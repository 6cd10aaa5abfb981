//! `compare` and `sheets` as a person runs them.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::{
    fs,
    path::Path,
    process::{Command, Output},
};

const FITTING: &str = "\
fitting = 1
client = \"0000\"
units = \"mm\"
[tape]
girth = 571
[material]
name = \"light lace\"
[darts]
layout = \"even:4\"
";

fn run(folder: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pattern-cli"))
        .current_dir(folder)
        .args(words)
        .output()
        .unwrap()
}

#[test]
fn an_earlier_pattern_prints_again_byte_for_byte() {
    let home = tempfile::tempdir().unwrap();
    let at = |name: &str| home.path().join(name);
    fs::write(at("fitting.toml"), FITTING).unwrap();
    // Four even darts strain light lace beyond its limit, which the exit code says.
    let drafted = run(home.path(), &["draft", "fitting.toml", "--out", "first"]);
    assert_eq!(drafted.status.code(), Some(3), "{drafted:?}");
    run(
        home.path(),
        &["sheets", "first/pattern.json", "--out", "again"],
    );
    for file in ["sheets.pdf", "pattern.svg"] {
        let [first, again] = ["first", "again"].map(|f| fs::read(at(f).join(file)).unwrap());
        assert!(first == again, "{file} differs");
    }

    let words = [
        "sheets",
        "first/pattern.json",
        "--measured",
        "98.6x99.1",
        "--out",
        "corrected",
    ];
    run(home.path(), &words);
    let [first, corrected] =
        ["first", "corrected"].map(|f| fs::read(at(f).join("sheets.pdf")).unwrap());
    assert!(first != corrected, "the correction changes nothing");

    let wrong = run(
        home.path(),
        &["sheets", "first/pattern.json", "--measured", "80x99"],
    );
    assert_eq!(wrong.status.code(), Some(2));
    let other = run(home.path(), &["sheets", "fitting.toml", "--out", "none"]);
    assert_eq!(other.status.code(), Some(1));
    assert!(!at("none").exists());
}

#[test]
fn layouts_are_compared_on_one_head() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("fitting.toml"), FITTING).unwrap();
    let words = [
        "compare",
        "fitting.toml",
        "--layout",
        "none",
        "--layout",
        "even:4",
        "--layout",
        "even:8",
        "--json",
        "--out",
        "side-by-side",
    ];
    let done = run(home.path(), &words);
    let told: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    let text = told.to_string();
    let file = home.path().join("side-by-side/compare.json");
    let written: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(file).unwrap()).unwrap();
    let layouts = written["layouts"].as_array().unwrap();
    assert_eq!(layouts.len(), 3, "{text}");
    let p95: Vec<f64> = layouts.iter().map(|l| l["p95"].as_f64().unwrap()).collect();
    assert!(
        p95[0] > p95[1] && p95[1] > p95[2],
        "more darts, less strain: {p95:?}"
    );
    assert!(layouts[0]["to_front_mm"].is_null());
    let picture = fs::read_to_string(home.path().join("side-by-side/compare.svg")).unwrap();
    assert!(picture.contains("even:8") && picture.trim_end().ends_with("</svg>"));

    let wrong = run(
        home.path(),
        &["compare", "fitting.toml", "--layout", "spiral"],
    );
    assert_eq!(wrong.status.code(), Some(2));
}
