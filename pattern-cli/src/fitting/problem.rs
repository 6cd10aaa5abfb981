//! What is wrong with a fitting, said with file, line, what was found and what would be right.

use std::{fmt, ops::Range, path::PathBuf};

use miette::{
    Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceCode,
};

/// One thing that is wrong in one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// What was found, as a sentence without its full stop.
    pub found: String,
    /// What would be right.
    pub right: String,
    /// Where, in bytes of the text.
    pub span: Range<usize>,
}

/// A fitting that can't be used.
#[derive(Debug, Clone)]
pub struct Problems {
    path: PathBuf,
    text: String,
    list: Vec<Problem>,
}

impl Problems {
    /// Orders the list by place; it must not be empty.
    pub(super) fn new(path: PathBuf, text: String, mut list: Vec<Problem>) -> Self {
        list.sort_by_key(|problem| (problem.span.start, problem.span.end));
        Self { path, text, list }
    }

    /// All problems, in the order of the file.
    pub fn list(&self) -> &[Problem] {
        &self.list
    }

    /// Line of a problem, counted from 1.
    pub fn line(&self, problem: &Problem) -> usize {
        let end = problem.span.start.min(self.text.len());
        1 + self.text.as_bytes()[..end]
            .iter()
            .filter(|byte| **byte == b'\n')
            .count()
    }

    fn sentence(&self, problem: &Problem) -> String {
        format!(
            "{}, line {}: {}; {}",
            self.path.display(),
            self.line(problem),
            problem.found,
            problem.right
        )
    }

    /// The places in the text, marked, for a person at a terminal.
    pub fn picture(&self, colour: bool) -> String {
        let theme = if colour {
            GraphicalTheme::unicode()
        } else {
            GraphicalTheme::unicode_nocolor()
        };
        let handler = GraphicalReportHandler::new_themed(theme)
            .with_context_lines(1)
            .with_width(100);
        let mut out = String::new();
        for problem in self.list.iter().take(MOST_SHOWN) {
            let view = View {
                source: NamedSource::new(self.path.display().to_string(), self.text.clone()),
                problem,
            };
            if handler.render_report(&mut out, &view).is_err() {
                break;
            }
        }
        if self.list.len() > MOST_SHOWN {
            out += &format!("… and {} more\n", self.list.len() - MOST_SHOWN);
        }
        out
    }
}

/// Problems shown at once; a hundred of one kind help nobody.
const MOST_SHOWN: usize = 8;

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let first = &self.list[0];
        f.write_str(&self.sentence(first))?;
        match self.list.len() {
            1 => Ok(()),
            2 => write!(f, " (and one more problem in this file)"),
            n => write!(f, " (and {} more problems in this file)", n - 1),
        }
    }
}

impl std::error::Error for Problems {}

/// One problem as the renderer wants it.
#[derive(Debug)]
struct View<'a> {
    source: NamedSource<String>,
    problem: &'a Problem,
}

impl fmt::Display for View<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.problem.found)
    }
}

impl std::error::Error for View<'_> {}

impl Diagnostic for View<'_> {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(&self.problem.right))
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(&self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let label = LabeledSpan::new_with_span(Some("here".into()), self.problem.span.clone());
        Some(Box::new(std::iter::once(label)))
    }
}
