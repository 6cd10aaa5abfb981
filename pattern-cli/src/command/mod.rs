//! One file a command: library calls and a report.

mod compare;

mod demo;

mod draft;

mod measure;

mod measuring_sheet;

mod sheets;

mod trace;

pub(crate) use compare::Row;

use crate::{
    args::{Args, Command},
    outcome::{Done, Failure, Voice},
};

/// Does what the command line says.
///
/// # Errors
/// One sentence when nothing could be done.
pub fn run(args: &Args, voice: &Voice) -> Result<Done, Failure> {
    match &args.command {
        Command::Draft(draft) => draft::run(draft, voice),
        Command::Demo(demo) => demo::run(demo, voice),
        Command::Compare(asked) => compare::run(asked, voice),
        Command::Sheets(asked) => sheets::run(asked),
        Command::Measure(asked) => measure::run(asked, voice),
        Command::Trace(asked) => trace::run(asked, voice),
        Command::MeasuringSheet(asked) => measuring_sheet::run(asked),
    }
}
