//! What was typed. Nothing is opened here.

use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand};
use flatten::{job::LayoutChoice, sheet::Paper, units::parse_length};

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
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
}

/// The commands.
#[derive(Debug, Clone, Subcommand)]
pub enum Command {
    /// Draft a fitting into a folder: pattern, sheets, numbers, report
    Draft(Draft),
    /// Draft an invented client into a folder; no input needed
    Demo(Demo),
    /// Lay several dart layouts of one fitting side by side
    Compare(Compare),
    /// Print an earlier pattern.json again: other paper, or corrected for the printer
    Sheets(Sheets),
    /// Lay tapes on the mold and compare them with the readings, each difference with a likely cause
    Measure(Measure),
    /// Find the pen line on a coloured scan and write a fitting to start from, with a picture to check
    Trace(Trace),
    /// Print the page a client measures by: six tapes, mold, photos, packing
    MeasuringSheet(MeasuringSheet),
}

const DRAFT_EXAMPLE: &str = "\
Example:
  pattern-cli draft clients/0042/fitting.toml --out clients/0042/pattern

  pattern-cli draft clients/0042/new-mold.toml --like clients/0042/pattern/pattern.json --out again

The folder holds pattern.svg, sheets.pdf, pattern.json and report.html.";

/// Draft a fitting.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = DRAFT_EXAMPLE)]
pub struct Draft {
    /// The fitting file (TOML)
    pub fitting: PathBuf,
    /// Keep the layout of this earlier pattern.json, whatever the fitting says of darts, and tell what has changed
    #[arg(long, value_name = "PATTERN")]
    pub like: Option<PathBuf>,
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

const COMPARE_EXAMPLE: &str = "\
Example:
  pattern-cli compare clients/0042/fitting.toml --layout none --layout even:6 --layout auto:6

A layout is none, even:N or auto:N (N: most darts). With --out the folder holds compare.html,
compare.svg and compare.json; without it nothing is written.";

/// Compare layouts.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = COMPARE_EXAMPLE)]
pub struct Compare {
    /// The fitting file (TOML)
    pub fitting: PathBuf,
    /// A layout; give it once for each [default: none, even and auto with 4, 6 and 8 darts]
    #[arg(long, value_name = "LAYOUT", value_parser = layout)]
    pub layout: Vec<LayoutChoice>,
    /// Folder to write; must not exist. Left out: nothing is written
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace the folder whole if it is there
    #[arg(long)]
    pub replace: bool,
}

/// Most darts a layout may ask for.
const MOST_DARTS: usize = 24;

fn layout(text: &str) -> Result<LayoutChoice, String> {
    let (name, count) = text
        .split_once(':')
        .map_or((text, None), |(n, c)| (n, Some(c)));
    let count = |otherwise: Option<usize>| match count {
        None => otherwise.ok_or_else(|| format!("{name} needs a number of darts: {name}:6")),
        Some(digits) => digits
            .parse()
            .ok()
            .filter(|n| (1..=MOST_DARTS).contains(n))
            .ok_or_else(|| format!("{digits} is no number of darts from 1 to {MOST_DARTS}")),
    };
    match name {
        "none" => Ok(LayoutChoice::None),
        "even" => Ok(LayoutChoice::Even(count(None)?)),
        "auto" => Ok(LayoutChoice::Auto {
            most: count(Some(8))?,
        }),
        _ => Err("a layout is none, even:N or auto:N".to_owned()),
    }
}

const SHEETS_EXAMPLE: &str = "\
Example:
  pattern-cli sheets clients/0042/pattern/pattern.json --paper a4 --measured 98.6x99.1 --out again

--measured takes what the printed square of 100 mm measures: its x side, then its y side. The folder
holds sheets.pdf and pattern.svg. With no options they are the same bytes as the first time.";

/// Print again.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = SHEETS_EXAMPLE)]
pub struct Sheets {
    /// The pattern.json of an earlier draft
    pub pattern: PathBuf,
    /// Folder to write; must not exist
    #[arg(long, value_name = "DIR", default_value = "sheets")]
    pub out: PathBuf,
    /// Replace the folder whole if it is there
    #[arg(long)]
    pub replace: bool,
    /// Paper: letter, legal, tabloid, a4, a3, 300x400 (mm), 18inx24in, roll:610
    #[arg(long)]
    pub paper: Option<Paper>,
    /// Shared by neighbouring sheets, with a unit: 12mm, 1/2in
    #[arg(long, value_parser = length)]
    pub overlap: Option<f64>,
    /// Left free at every edge of the paper, with a unit: 12mm, 1/2in
    #[arg(long, value_parser = length)]
    pub margin: Option<f64>,
    /// What the printed square measures in mm: XxY
    #[arg(long, value_name = "XxY", value_parser = measured)]
    pub measured: Option<[f64; 2]>,
}

fn length(text: &str) -> Result<f64, String> {
    parse_length(text, None).map_err(|why| why.to_string())
}

/// Both sides of the printed square, mm. Farther from 100 than a tenth it is no printer's error but
/// a page fitted to the paper or a wrong reading.
fn measured(text: &str) -> Result<[f64; 2], String> {
    let sides = text.split_once('x').and_then(|(x, y)| {
        let side = |t: &str| t.trim().parse::<f64>().ok();
        Some([side(x)?, side(y)?])
    });
    let sides = sides.ok_or("write both sides in mm with an x between them: 98.6x99.1")?;
    if sides.iter().all(|s| (90.0..=110.0).contains(s)) {
        Ok(sides)
    } else {
        Err("a side of the square is farther than 10 mm from 100: print at actual size and measure again".to_owned())
    }
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

const TRACE_EXAMPLE: &str = "\
Example:
  pattern-cli trace clients/0042/mold.glb --out clients/0042/traced

The folder holds fitting.toml with the line and the landmarks as found, trace.html and trace.svg with
pictures to check them by, and trace.json. Look at the pictures, above all at LEFT and RIGHT; put right
what is wrong in fitting.toml, set confirmed = true, and draft it.";

/// Find the pen line.
#[derive(Debug, Clone, ClapArgs)]
#[command(after_help = TRACE_EXAMPLE)]
pub struct Trace {
    /// The scan, with colours: OBJ, PLY or GLB
    pub scan: PathBuf,
    /// Folder to write; must not exist. Left out: beside the scan, its name and "-traced"
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace the folder whole if it is there
    #[arg(long)]
    pub replace: bool,
    /// Unit of the scan's coordinates
    #[arg(long, value_enum, default_value = "auto")]
    pub units: TraceUnits,
}

/// Unit of a scan's coordinates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum TraceUnits {
    /// Settled from the girth.
    Auto,
    /// Millimetres.
    Mm,
    /// Centimetres.
    Cm,
    /// Metres.
    M,
    /// Inches.
    In,
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
