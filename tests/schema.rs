//! The schema of `pattern.json` that is kept beside the README is the program's own.
//!
//! After a wanted change: `UPDATE_GOLDEN=1 cargo test -p pattern-cli --test schema`.

use std::{fs, path::Path};

use pattern_cli::record::Record;

#[test]
fn the_kept_schema_is_current() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/reference/pattern.schema.json");
    let schema = serde_json::to_string_pretty(&Record::schema()).unwrap() + "\n";
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        fs::write(&path, &schema).unwrap();
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == schema,
        "tests/reference/pattern.schema.json is not what the program writes; \
         run with UPDATE_GOLDEN=1 and look at the difference"
    );
}
