//! A record with anything in it: refused, or printed.
//!
//! The first byte chooses between the bytes themselves as the file, and a small good record in which
//! they put awkward values for good ones.
#![no_main]

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;
use pattern_cli::{
    record::Record,
    write::print::{drawing, print},
};
use serde_json::{Value, json};

static GOOD: LazyLock<Value> =
    LazyLock::new(|| serde_json::from_str(include_str!("../seeds/pattern.json")).expect("it is JSON"));

/// How many values there are below this one, itself counted.
fn size(value: &Value) -> usize {
    1 + match value {
        Value::Array(list) => list.iter().map(size).sum(),
        Value::Object(map) => map.values().map(size).sum(),
        _ => 0,
    }
}

fn nth(value: &mut Value, n: usize) -> Option<&mut Value> {
    if n == 0 {
        return Some(value);
    }
    let mut left = n - 1;
    let children: Vec<&mut Value> = match value {
        Value::Array(list) => list.iter_mut().collect(),
        Value::Object(map) => map.values_mut().collect(),
        _ => return None,
    };
    for child in children {
        let here = size(child);
        if left < here {
            return nth(child, left);
        }
        left -= here;
    }
    None
}

fn awkward(kind: u8, old: &Value) -> Value {
    let scaled = |by: f64| old.as_f64().map_or(Value::Null, |x| json!(x * by));
    match kind % 24 {
        0 => json!(0),
        1 => json!(-1),
        2 => json!(1e300),
        3 => json!(-1e300),
        4 => json!(5e-324),
        5 => json!(1e9),
        6 => json!(u64::MAX),
        7 => json!([]),
        8 => json!(""),
        9 => json!("]]>--><script>\u{0}\u{202e}\u{1F9E2}(\\)"),
        10 => json!("x".repeat(3000)),
        11 => Value::Null,
        12 => scaled(1e3),
        13 => scaled(1e6),
        14 => scaled(-1.0),
        15 => scaled(1e-6),
        16 => scaled(2.0),
        17 => match old {
            Value::Array(list) => list.iter().cycle().take(3 * list.len()).cloned().collect(),
            other => other.clone(),
        },
        18 => match old {
            Value::Array(list) => list.iter().take(1).cloned().collect(),
            other => other.clone(),
        },
        19 => match old {
            Value::Array(list) => list.iter().rev().cloned().collect(),
            other => other.clone(),
        },
        20 => match old {
            Value::Array(list) if !list.is_empty() => vec![list[0].clone(); list.len()].into(),
            other => other.clone(),
        },
        21 => json!(f64::MAX),
        22 => json!(1e17),
        _ => json!(0.1),
    }
}

fuzz_target!(|bytes: &[u8]| {
    let Some((&first, rest)) = bytes.split_first() else { return };
    let read = if first & 1 == 0 {
        std::str::from_utf8(rest).ok().and_then(|text| Record::from_text(text).ok())
    } else {
        let mut value = GOOD.clone();
        let count = size(&value);
        for edit in rest.chunks_exact(3).take(8) {
            let place = usize::from(u16::from_le_bytes([edit[0], edit[1]])) % count;
            if let Some(old) = nth(&mut value, place) {
                *old = awkward(edit[2], old);
            }
        }
        // Through text, as a file comes.
        Record::from_text(&value.to_string()).ok()
    };
    if let Some(record) = read {
        if let Ok(printed) = print(&record, &record.sheets.options.clone()) {
            assert!(printed.pdf.starts_with(b"%PDF"));
        }
        let svg = drawing(&record);
        assert!(svg.trim_end().ends_with("</svg>"));
        let again = record.to_text().map(|text| Record::from_text(&text).is_ok());
        assert!(!matches!(again, Ok(false)));
    }
});
