//! The program around the engine: fittings in, pattern folders out, and words for the person.
//!
//! | layer | module | rule |
//! |---|---|---|
//! | what was typed | [`args`] | nothing is opened |
//! | what was ordered | [`fitting`], [`order`] | every key checked; then the engine's job, in millimetres |
//! | what is done | [`command`] | one file a command: library calls and a report |
//! | what was computed | [`record`] | `pattern.json`: enough to print again |
//! | what is written | [`write`](mod@write), [`picture`], [`folder`] | bytes in memory first, then a folder complete or not at all |
//! | what is told | [`outcome`] | exit code, words, JSON |
//!
//! It is a library so that tests and other programs can reach each layer; the binary only calls
//! [`run`].

pub mod args;

pub mod fitting;

pub mod order;

pub mod command;

pub mod record;

pub mod write;

pub mod picture;

pub mod folder;

pub mod head_picture;

pub mod measured;

pub mod measuring_sheet;

pub mod outcome;

mod progress;

mod text_file;

use std::process::ExitCode;

use clap::Parser;

/// Reads the command line, does what it says, and tells the outcome.
pub fn run() -> ExitCode {
    let args = args::Args::parse();
    let voice = outcome::Voice {
        json: args.common.json,
        quiet: args.common.quiet,
    };
    // None of its own is the system's choice. Started here and not where it is first needed, because
    // there a system that gives no more threads could only be answered with a panic.
    let threads = args.common.threads.map_or(0, usize::from);
    if let Err(why) = flatten::process::set_up(threads) {
        let sentence =
            format!("the system gives no threads to work with ({why}); name fewer with --threads");
        return voice.refuse(&outcome::Failure::new(sentence));
    }
    folder::tidy_on_interrupt();
    match command::run(&args, &voice) {
        Ok(done) => voice.tell(&done),
        Err(failure) => voice.refuse(&failure),
    }
}
