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
