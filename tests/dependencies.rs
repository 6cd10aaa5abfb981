//! What the product is built from: licences, sources, known faults, and the compiler it asks for.
//!
//! The lists are kept here, so that a new dependency is looked at before it lands. Known faults are
//! those of the public advisory database at rustsec.org; `cargo audit` or `cargo deny check
//! advisories` compares with its newest state, where there is a network.

use std::{cmp::Ordering, path::Path, process::Command, sync::LazyLock};

use serde_json::Value;

/// Licences that ask for no more than to be named; SPDX names.
const LICENCES: [&str; 9] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "MIT",
    "Unicode-3.0",
    "Zlib",
];

/// Known faults: crate, first version without it (empty: none is), advisory. Looked up for the crates
/// of the lock file and for what commonly comes with them; it is no copy of the database.
const FAULTY: [(&str, &str, &str); 22] = [
    // Given up by their authors.
    ("ansi_term", "", "RUSTSEC-2021-0139"),
    ("atty", "", "RUSTSEC-2024-0375"),
    ("bincode", "", "RUSTSEC-2025-0141"),
    ("derivative", "", "RUSTSEC-2024-0388"),
    ("fxhash", "", "RUSTSEC-2025-0057"),
    ("instant", "", "RUSTSEC-2024-0384"),
    ("number_prefix", "", "RUSTSEC-2025-0119"),
    ("paste", "", "RUSTSEC-2024-0436"),
    ("proc-macro-error", "", "RUSTSEC-2024-0370"),
    ("ttf-parser", "", "RUSTSEC-2026-0192"),
    // Mended in the version named.
    ("crossbeam-deque", "0.8.1", "RUSTSEC-2021-0093"),
    ("crossbeam-epoch", "0.9.20", "RUSTSEC-2026-0204"),
    ("hashbrown", "0.15.1", "RUSTSEC-2024-0402"),
    ("nalgebra", "0.27.1", "RUSTSEC-2021-0070"),
    ("ouroboros", "0.16.0", "RUSTSEC-2023-0042"),
    ("rand", "0.10.1", "RUSTSEC-2026-0097"),
    ("regex", "1.5.5", "RUSTSEC-2022-0013"),
    ("shlex", "1.3.0", "RUSTSEC-2024-0006"),
    ("slab", "0.4.11", "RUSTSEC-2025-0047"),
    ("smallvec", "1.6.1", "RUSTSEC-2021-0003"),
    ("time", "0.3.47", "RUSTSEC-2026-0009"),
    ("tokio", "1.44.2", "RUSTSEC-2025-0023"),
];

/// Advisories that are known and borne, with the reason.
const BORNE: [(&str, &str); 1] = [(
    "RUSTSEC-2024-0436",
    "paste: no longer maintained; it runs at build time only, under faer's kernels",
)];

static METADATA: LazyLock<Value> = LazyLock::new(|| {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(root())
        .output()
        .expect("cargo runs");
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "the lock file is not that of Cargo.toml, or crates are not fetched: {told}"
    );
    serde_json::from_slice(&output.stdout).expect("cargo writes JSON")
});

fn root() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

fn packages() -> impl Iterator<Item = (&'static str, &'static Value)> {
    let list = METADATA["packages"].as_array().expect("a list");
    list.iter()
        .map(|package| (package["name"].as_str().expect("a name"), package))
}

fn version(text: &str) -> Vec<u64> {
    let plain = text.split(['-', '+']).next().unwrap_or_default();
    plain.split('.').filter_map(|n| n.parse().ok()).collect()
}

/// Whether one of the choices that a licence expression leaves is on the list.
fn allowed(expression: &str) -> bool {
    let plain = expression.trim();
    // Parts at the outermost level, split at a word.
    let split = |word: &str| -> Option<Vec<String>> {
        let (mut depth, mut parts, mut part) = (0, Vec::new(), String::new());
        for token in plain.replace('(', " ( ").replace(')', " ) ").split(' ') {
            match token {
                "" => continue,
                "(" => depth += 1,
                ")" => depth -= 1,
                _ => {}
            }
            if depth == 0 && token == word {
                parts.push(std::mem::take(&mut part));
            } else {
                part = part + token + " ";
            }
        }
        parts.push(part);
        (parts.len() > 1).then_some(parts)
    };
    // The old way of writing "or" was a stroke.
    if plain.contains('/') {
        return plain.split('/').any(allowed);
    }
    if let Some(parts) = split("OR") {
        return parts.iter().any(|part| allowed(part));
    }
    if let Some(parts) = split("AND") {
        return parts.iter().all(|part| allowed(part));
    }
    match plain.strip_prefix('(').and_then(|p| p.strip_suffix(')')) {
        Some(inner) => allowed(inner),
        None => LICENCES.contains(&plain),
    }
}

#[test]
fn licence_expressions_are_understood() {
    for good in [
        "MIT",
        "MIT/Apache-2.0",
        "GPL-3.0 OR MIT",
        "(MIT OR GPL-3.0) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception OR GPL-2.0",
    ] {
        assert!(allowed(good), "{good}");
    }
    for bad in [
        "",
        "GPL-3.0",
        "MIT AND GPL-3.0",
        "(GPL-3.0 OR MPL-2.0) AND MIT",
    ] {
        assert!(!allowed(bad), "{bad}");
    }
}

#[test]
fn every_licence_is_on_the_list() {
    let mut count = 0;
    for (name, package) in packages() {
        let licence = package["license"].as_str().unwrap_or_default();
        assert!(
            allowed(licence),
            "{name} is under \"{licence}\", which is not on the list"
        );
        count += 1;
    }
    assert!(count > 100, "only {count} packages were looked at");
}

#[test]
fn everything_comes_from_the_registry_or_from_here() {
    for (name, package) in packages() {
        let here =
            package["source"].is_null() && ["flatten", "fixtures", "pattern-cli"].contains(&name);
        let registry = package["source"]
            .as_str()
            .is_some_and(|source| source.starts_with("registry+"));
        assert!(here || registry, "{name} comes from {}", package["source"]);
    }
}

#[test]
fn no_dependency_has_a_known_fault_that_is_not_borne() {
    let mut borne = Vec::new();
    for (name, package) in packages() {
        let found = package["version"].as_str().expect("a version");
        for (_, mended, advisory) in FAULTY.iter().filter(|row| row.0 == name) {
            let faulty =
                mended.is_empty() || version(found).cmp(&version(mended)) == Ordering::Less;
            if !faulty {
                continue;
            }
            assert!(
                BORNE.iter().any(|row| row.0 == *advisory),
                "{name} {found} is under {advisory}"
            );
            borne.push(*advisory);
        }
    }
    for (advisory, reason) in BORNE {
        assert!(
            borne.contains(&advisory),
            "{advisory} ({reason}) is no longer met: take it off the list"
        );
    }
}

#[test]
fn no_dependency_asks_for_a_newer_compiler_than_we_do() {
    let text = std::fs::read_to_string(root().join("Cargo.toml")).expect("a manifest");
    let ours = text
        .lines()
        .find_map(|line| line.strip_prefix("rust-version = \""))
        .expect("the workspace states its compiler")
        .trim_end_matches('"');
    for (name, package) in packages() {
        if let Some(theirs) = package["rust_version"].as_str() {
            assert!(
                version(theirs) <= version(ours),
                "{name} asks for Rust {theirs}, and we state {ours}"
            );
        }
    }
}

#[test]
fn no_code_of_ours_is_unsafe() {
    for (name, package) in packages().filter(|(_, package)| package["source"].is_null()) {
        let manifest = package["manifest_path"].as_str().expect("a path");
        let text = std::fs::read_to_string(manifest).expect("a manifest");
        assert!(
            text.contains("[lints]\nworkspace = true"),
            "{name} does not take the workspace's lints, which forbid unsafe code"
        );
    }
    let text = std::fs::read_to_string(root().join("Cargo.toml")).expect("a manifest");
    assert!(text.contains("unsafe_code = \"forbid\""));
}
