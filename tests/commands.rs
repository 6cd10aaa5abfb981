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

#[test]
fn an_earlier_layout_is_kept_on_a_new_mold_or_refused_by_name() {
    let home = tempfile::tempdir().unwrap();
    let at = |name: &str| home.path().join(name);
    let record = |folder: &str| -> serde_json::Value {
        serde_json::from_slice(&fs::read(at(folder).join("pattern.json")).unwrap()).unwrap()
    };
    fs::write(at("first.toml"), FITTING).unwrap();
    // A larger head, another wish for darts: the layout of the earlier pattern wins.
    let larger = FITTING.replace("571", "583").replace("even:4", "none");
    fs::write(at("second.toml"), &larger).unwrap();
    let like = ["--like", "one/pattern.json"];
    run(home.path(), &["draft", "first.toml", "--out", "one"]);
    let words = [&["draft", "second.toml", "--out", "two"][..], &like].concat();
    let done = run(home.path(), &words);
    assert_eq!(done.status.code(), Some(3), "{done:?}");
    assert!(String::from_utf8_lossy(&done.stdout).contains("The perimeter has moved by"));
    let (one, two) = (record("one"), record("two"));
    let darts = |record: &serde_json::Value| {
        let darts = record["layout"]["darts"].as_array().unwrap();
        darts
            .iter()
            .map(|d| (d["from"].clone(), d["along_mm"].clone()))
            .collect::<Vec<_>>()
    };
    assert_eq!(darts(&one).len(), 4);
    assert_eq!(darts(&one), darts(&two));
    let change = &two["change"];
    let moved = change["perimeter"]["largest_mm"].as_f64().unwrap();
    assert!(moved > 1.0 && moved < 6.0, "{change}");
    let girth = &change["figures"][2];
    assert_eq!(girth["name"], "girth");
    let by = girth["now"].as_f64().unwrap() - girth["earlier"].as_f64().unwrap();
    assert!((by - 12.0).abs() < 0.5, "{girth}");
    let report = fs::read_to_string(at("two").join("report.html")).unwrap();
    assert!(report.contains("Against the earlier pattern of client 0000"));

    let scar = "[[keep_clear]]\ncentre = [0, -90, 20]\nradius = 80\nreason = \"scar\"\n";
    fs::write(at("third.toml"), format!("{FITTING}{scar}")).unwrap();
    let words = [&["draft", "third.toml", "--out", "three"][..], &like].concat();
    let refused = run(home.path(), &words);
    let why = String::from_utf8_lossy(&refused.stderr);
    assert_eq!(refused.status.code(), Some(1), "{why}");
    assert!(
        why.contains("can't be kept") && why.contains("dart D2 ") && why.contains("scar"),
        "{why}"
    );
    assert!(!at("three").exists());
}
