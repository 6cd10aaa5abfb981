//! Every reader, mending, cutting and what comes after it, on the fuzzer's seeds and on a few thousand broken
//! copies of them: the same copies every time. The search for new ones is `tests/fuzz`.
//!
//! `REPLAY_COPIES=20000` makes that many copies of each seed.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::{fs, panic, path::Path};

use flatten::scan::{Format, NoCompanions, read_bytes};
use pattern_cli::{
    fitting::{Fitting, FittingError},
    record::Record,
    write::print::{drawing, print},
};

#[path = "fuzz/src/lib.rs"]
#[allow(unreachable_pub, reason = "it is a crate of its own to the fuzzer")]
mod fuzz;

/// Numbers that are the same on every machine (xorshift; Marsaglia 2003, 10.18637/jss.v008.i14).
struct Dice(u64);

impl Dice {
    fn below(&mut self, count: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % count.max(1) as u64) as usize
    }
}

/// Pieces of text that files of all these kinds are made of, or break on.
const WORDS: [&[u8]; 16] = [
    b"-1",
    b"4294967295",
    b"1e999",
    b"nan",
    b"0",
    b"\n",
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"[[",
    b"\"",
    b"}",
    b" 99999999999999999999 ",
    b"\xc3\xa4\xf0\x9f\xa7\xa2",
    b"\\u0000",
    b"=",
];

fn broken(seed: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    for _ in 0..1 + dice.below(5) {
        let at = dice.below(bytes.len() + 1);
        match dice.below(6) {
            0 => bytes.truncate(at),
            1 if at < bytes.len() => bytes[at] ^= 1 << dice.below(8),
            2 if at < bytes.len() => bytes[at] = dice.below(256) as u8,
            3 => {
                bytes.splice(at..at, WORDS[dice.below(WORDS.len())].iter().copied());
            }
            4 => {
                let word = WORDS[dice.below(WORDS.len())];
                let end = (at + word.len()).min(bytes.len());
                bytes.splice(at..end, word.iter().copied());
            }
            _ => {
                // A stretch comes twice, or goes.
                let end = (at + dice.below(40)).min(bytes.len());
                let stretch = bytes[at..end].to_vec();
                if dice.below(2) == 0 {
                    bytes.drain(at..end);
                } else {
                    bytes.splice(at..at, stretch);
                }
            }
        }
    }
    bytes
}

/// Feeds all seeds of a kind and broken copies of each to a reader.
fn replay(kind: &str, copies: usize, read: impl Fn(&[u8]) + panic::RefUnwindSafe) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../tests/fuzz/seeds")
        .join(kind);
    let mut seeds: Vec<_> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    seeds.sort();
    assert!(!seeds.is_empty(), "{kind} has no seeds");
    let copies = std::env::var("REPLAY_COPIES")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(copies);
    for path in seeds {
        let seed = fs::read(&path).unwrap();
        let mut dice = Dice(0x9E37_79B9_7F4A_7C15);
        for number in 0..=copies {
            let bytes = if number == 0 {
                seed.clone()
            } else {
                broken(&seed, &mut dice)
            };
            if panic::catch_unwind(|| read(&bytes)).is_err() {
                let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{kind}-{number}"));
                fs::write(&kept, &bytes).unwrap();
                panic!(
                    "copy {number} of {} breaks it: kept as {}",
                    path.display(),
                    kept.display()
                );
            }
        }
    }
}

fn scan(format: Format) -> impl Fn(&[u8]) {
    move |bytes| {
        if let Ok(scan) = read_bytes(format, bytes, &NoCompanions) {
            fuzz::obeys(&scan);
        }
    }
}

#[test]
fn scans() {
    replay("ply", 10_000, scan(Format::Ply));
    replay("stl", 10_000, scan(Format::Stl));
    replay("glb", 10_000, scan(Format::Glb));
}

#[test]
fn scans_with_files_beside_them() {
    replay("obj", 10_000, |bytes| {
        let beside = fuzz::Beside(b"newmtl a\nKd 1 0 0\nmap_Kd a.png\nnewmtl b\nKd 0 1 0\n");
        if let Ok(scan) = read_bytes(Format::Obj, bytes, &beside) {
            fuzz::obeys(&scan);
        }
    });
    replay("mtl", 10_000, |bytes| {
        let obj = b"mtllib a.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt 1 0.5\nusemtl a\nf 1/1 2/2 3/1\nusemtl b\nf 3/1 2/2 1/2\n";
        let scan = read_bytes(Format::Obj, obj, &fuzz::Beside(bytes)).unwrap();
        fuzz::obeys(&scan);
    });
}

#[test]
fn fittings() {
    replay("fitting", 5000, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else {
            return;
        };
        match Fitting::parse(Path::new("a.toml"), text) {
            Ok(fitting) => {
                let again = fitting.to_text();
                let read = Fitting::parse(Path::new("b.toml"), &again);
                assert!(read.is_ok(), "{:?}\n{again}", read.err());
            }
            Err(FittingError::Problems(problems)) => {
                assert!(!problems.to_string().contains('\n'));
                assert!(!problems.picture(false).is_empty());
            }
            Err(_) => {}
        }
    });
}

#[test]
fn records() {
    replay("pattern", 2000, |bytes| {
        // The first byte chooses a mode of the fuzzer.
        let text = bytes.get(1..).and_then(|b| std::str::from_utf8(b).ok());
        let Some(Ok(record)) = text.map(Record::from_text) else {
            return;
        };
        if let Ok(printed) = print(&record, &record.sheets.options.clone()) {
            assert!(printed.pdf.starts_with(b"%PDF"));
        }
        assert!(drawing(&record).trim_end().ends_with("</svg>"));
    });
}

#[test]
fn piles_of_triangles() {
    replay("mend", 3000, fuzz::mend_pile);
}

#[test]
fn bases() {
    replay("cut", 60, fuzz::cut_and_lay);
}
