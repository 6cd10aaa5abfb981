//! How a command ends and how that is told: exit code, words on the terminal, JSON for programs.

use std::{
    io::{IsTerminal, Write},
    process::ExitCode,
};

use serde_json::{Value, json};

use crate::fitting::FittingError;

/// Everything was written and is as asked.
pub const DONE: u8 = 0;
/// The input can't be used; nothing was written.
pub const UNUSABLE: u8 = 1;
/// The command line is wrong; the argument parser exits with this by itself.
pub const USAGE: u8 = 2;
/// Written, but a limit was not met or a reading disagrees.
pub const BEWARE: u8 = 3;

/// What a command did.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Done {
    /// For the person, line by line.
    pub lines: Vec<String>,
    /// What to beware of, each a sentence; any turns the exit code to [`BEWARE`].
    pub beware: Vec<String>,
    /// For programs.
    pub json: Value,
}

/// Why a command did nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Failure {
    /// One clear sentence.
    pub sentence: String,
    /// The place in the file, for a person.
    pub picture: Option<String>,
}

impl Failure {
    /// A sentence without a picture.
    pub fn new(sentence: impl Into<String>) -> Self {
        Self {
            sentence: sentence.into(),
            picture: None,
        }
    }
}

impl From<FittingError> for Failure {
    fn from(error: FittingError) -> Self {
        let picture = match &error {
            FittingError::Problems(problems) => {
                Some(problems.picture(std::io::stderr().is_terminal()))
            }
            _ => None,
        };
        Self {
            sentence: error.to_string(),
            picture,
        }
    }
}

/// How the program speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Voice {
    /// JSON on the standard output instead of words.
    pub json: bool,
    /// Warnings and errors only.
    pub quiet: bool,
}

impl Voice {
    /// Whether a person is watching who wants to know how far the work is.
    pub fn shows_progress(&self) -> bool {
        !self.json && !self.quiet && std::io::stderr().is_terminal()
    }

    /// Tells what was done.
    pub fn tell(&self, done: &Done) -> ExitCode {
        if self.json {
            let mut value = done.json.clone();
            if let Value::Object(map) = &mut value {
                map.insert("beware".into(), json!(done.beware));
            }
            say(&format!("{value:#}"));
        } else if !self.quiet {
            for line in &done.lines {
                say(line);
            }
        }
        for sentence in &done.beware {
            complain(&format!("beware: {sentence}"));
        }
        ExitCode::from(if done.beware.is_empty() { DONE } else { BEWARE })
    }

    /// Tells why nothing was done.
    pub fn refuse(&self, failure: &Failure) -> ExitCode {
        if self.json {
            let value = json!({ "error": failure.sentence });
            say(&format!("{value:#}"));
        }
        complain(&format!("pattern-cli: {}", failure.sentence));
        if let (Some(picture), false) = (&failure.picture, self.json || self.quiet) {
            complain(picture.trim_end());
        }
        ExitCode::from(UNUSABLE)
    }
}

/// A line on the standard output. A reader that has gone away is no fault of ours.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout().lock(), "{line}");
}

fn complain(line: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{line}");
}
