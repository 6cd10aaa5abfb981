//! What was typed. Nothing is opened here.

use std::{num::NonZeroUsize, path::PathBuf};

use clap::{Args as ClapArgs, Parser, Subcommand};

const EXIT_CODES: &str = "\
Exit codes:
  0  done
  1  the input can't be used; nothing was written
  2  wrong command line
  3  written, but a limit was not met, a reading disagrees or something waits to be confirmed

Not a medical device. Sew a paper or net trial before good material is cut.";

/// Drafts, prints, compares and checks cutting patterns for custom hair bases.
#[derive(Debug, Clone, Parser)]
#[command(version, about, after_help = EXIT_CODES, max_term_width = 100)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Options that every command has.
    #[command(flatten)]
    pub common: Common,
}

/// Options that every command has.
#[derive(Debug, Clone, ClapArgs)]
pub struct Common {
    /// Tell the outcome as JSON on the standard output
    #[arg(long, global = true)]
    pub json: bool,
    /// Say nothing but warnings and errors
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Work on this many threads; the result is the same with any number
    #[arg(long, global = true, value_name = "N")]
    pub threads: Option<NonZeroUsize>,
}

/// The commands.
#[derive(Debug, Clone, Subcommand)]
pub enum Command {
    /// Draft a fitting into a folder: pattern, sheets, numbers, report
    Draft(Draft),
    /// Draft an invented client into a folder; no input needed
    Demo(Demo),
    /// Lay tapes on the mold and compare them with the readings, each difference with a likely cause
    Measure(Measure),
    /// Print the page a client measures by: six tapes, mold, photos, packing
    MeasuringSheet(MeasuringSheet),
}

const DRAFT_EXAMPLE: &str = "\
Example:
  pattern-cli draft clients/0042/fitting.toml --out clients/0042/pattern

The folder holds pattern.svg, sheets.pdf, pattern.json and report.html.";

/// Draft a fitting.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = DRAFT_EXAMPLE)]
pub struct Draft {
    /// The fitting file (TOML)
    pub fitting: PathBuf,
    /// Where to write
    #[command(flatten)]
    pub out: Out,
    /// Put the milliseconds each step took into pattern.json (the file then differs from run to run)
    #[arg(long)]
    pub timings: bool,
}

const DEMO_EXAMPLE: &str = "\
Example:
  pattern-cli demo --out demo

The client is invented. The folder also holds the fitting that was drafted, to start your own from.";

/// Draft the invented client.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = DEMO_EXAMPLE)]
pub struct Demo {
    /// Where to write
    #[command(flatten)]
    pub out: Out,
}

const MEASURE_EXAMPLE: &str = "\
Example:
  pattern-cli measure clients/0042/fitting.toml --out clients/0042/tapes

The folder holds tapes.svg, every tape drawn on the head, and tapes.json. Without --out nothing is
written. Readings stand under [tape] in the fitting; the mold is never changed.";

/// Compare tapes.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = MEASURE_EXAMPLE)]
pub struct Measure {
    /// The fitting file (TOML)
    pub fitting: PathBuf,
    /// Folder to write; must not exist. Left out: nothing is written
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace the folder whole if it is there
    #[arg(long)]
    pub replace: bool,
}

const MEASURING_SHEET_EXAMPLE: &str = "\
Example:
  pattern-cli measuring-sheet --out measuring-sheet --paper A4

The folder holds measuring-sheet.pdf, one page to send to a client.";

/// Print the client's page.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = MEASURING_SHEET_EXAMPLE)]
pub struct MeasuringSheet {
    /// Folder to write; must not exist
    #[arg(long, value_name = "DIR", default_value = "measuring-sheet")]
    pub out: PathBuf,
    /// Replace the folder whole if it is there
    #[arg(long)]
    pub replace: bool,
    /// Paper
    #[arg(long, value_enum, default_value = "letter")]
    pub paper: PagePaper,
}

/// Paper for a single page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum PagePaper {
    /// 8.5 × 11 in.
    Letter,
    /// 210 × 297 mm.
    #[value(name = "A4", alias = "a4")]
    A4,
}

/// Where to write.
#[derive(Debug, Clone, ClapArgs)]
pub struct Out {
    /// Folder to write; must not exist. Left out: beside the fitting, its name and "-pattern"
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace the folder whole if it is there
    #[arg(long)]
    pub replace: bool,
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::Args;

    #[test]
    fn the_command_line_is_consistent_and_every_command_shows_an_example() {
        let mut whole = Args::command();
        whole.build();
        whole.clone().debug_assert();
        for command in whole.get_subcommands().filter(|c| c.get_name() != "help") {
            let help = command.clone().render_long_help().to_string();
            assert!(help.contains("Example:"), "{}", command.get_name());
        }
    }
}
