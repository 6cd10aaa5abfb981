//! Takes keys out of a TOML table one by one and notes everything that is not right with them.
//!
//! In: one table of the parsed file. Out: values, and problems in a common list. A key that nobody
//! asked for is a problem too, so what is documented and what is read cannot drift apart.

use std::{fmt::Display, ops::Range};

use toml::{
    Spanned,
    de::{DeTable, DeValue},
};

use flatten::units::{Unit, format_mm, parse_length, trimmed};

use super::problem::Problem;

/// Where problems are noted, and the unit that plain numbers are in.
#[derive(Debug)]
pub(super) struct Notes {
    pub(super) problems: Vec<Problem>,
    pub(super) unit: Unit,
}

impl Notes {
    pub(super) fn add(
        &mut self,
        span: &Range<usize>,
        found: impl Into<String>,
        right: impl Into<String>,
    ) {
        self.problems.push(Problem {
            found: found.into(),
            right: right.into(),
            span: span.clone(),
        });
    }
}

/// A value with the place it was found at.
#[derive(Debug, Clone)]
pub(super) struct Placed<T> {
    pub(super) value: T,
    pub(super) span: Range<usize>,
}

/// A table while its keys are taken out.
#[derive(Debug)]
pub(super) struct Section<'a> {
    title: String,
    table: &'a DeTable<'a>,
    pub(super) span: Range<usize>,
    asked: Vec<&'static str>,
}

impl<'a> Section<'a> {
    pub(super) fn new(title: impl Into<String>, table: &'a Spanned<DeTable<'a>>) -> Self {
        Self {
            title: title.into(),
            span: table.span(),
            table: table.get_ref(),
            asked: Vec::new(),
        }
    }

    /// The value under a key, whatever it is.
    pub(super) fn value(&mut self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.asked.push(key);
        self.table.get(key)
    }

    /// Whether a key is there, right or wrong.
    pub(super) fn holds(&self, key: &str) -> bool {
        self.table.get(key).is_some()
    }

    /// Says that a key must be there.
    pub(super) fn missing(&self, notes: &mut Notes, key: &str, right: impl Display) {
        notes.add(
            &self.span,
            format!("{} lacks `{key}`", self.title),
            format!("{right}"),
        );
    }

    /// A table of its own under a key.
    pub(super) fn section(&mut self, notes: &mut Notes, key: &'static str) -> Option<Section<'a>> {
        let value = self.value(key)?;
        let DeValue::Table(table) = value.get_ref() else {
            notes.add(
                &value.span(),
                format!("`{key}` is {}", kind(value.get_ref())),
                format!("it is a section of its own: write [{key}] on a line, its keys below"),
            );
            return None;
        };
        Some(Section {
            title: format!("[{key}]"),
            table,
            span: value.span(),
            asked: Vec::new(),
        })
    }

    /// The tables under a key that may come more than once.
    pub(super) fn sections(&mut self, notes: &mut Notes, key: &'static str) -> Vec<Section<'a>> {
        let Some(value) = self.value(key) else {
            return Vec::new();
        };
        let mut out = Vec::new();
        let items: Vec<&Spanned<DeValue<'a>>> = match value.get_ref() {
            DeValue::Array(items) => items.iter().collect(),
            _ => vec![value],
        };
        for item in items {
            match item.get_ref() {
                DeValue::Table(table) if !std::ptr::eq(item, value) => out.push(Section {
                    title: format!("[[{key}]] number {}", out.len() + 1),
                    table,
                    span: item.span(),
                    asked: Vec::new(),
                }),
                other => notes.add(
                    &item.span(),
                    format!("`{key}` is {}", kind(other)),
                    format!("there may be several: write [[{key}]] in double brackets for each"),
                ),
            }
        }
        out
    }

    /// A text.
    pub(super) fn text(&mut self, notes: &mut Notes, key: &'static str) -> Option<Placed<String>> {
        let value = self.value(key)?;
        match value.get_ref() {
            DeValue::String(text) => Some(Placed {
                value: text.to_string(),
                span: value.span(),
            }),
            other => {
                notes.add(
                    &value.span(),
                    format!("`{key}` is {}", kind(other)),
                    "it takes a text in quotes",
                );
                None
            }
        }
    }

    /// True or false.
    pub(super) fn flag(&mut self, notes: &mut Notes, key: &'static str) -> Option<bool> {
        let value = self.value(key)?;
        match value.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            other => {
                notes.add(
                    &value.span(),
                    format!("`{key}` is {}", kind(other)),
                    "it takes true or false, without quotes",
                );
                None
            }
        }
    }

    /// One of a list of words.
    pub(super) fn word<T: Copy>(
        &mut self,
        notes: &mut Notes,
        key: &'static str,
        words: &[(&str, T)],
    ) -> Option<T> {
        let text = self.text(notes, key)?;
        let found = words.iter().find(|(word, _)| *word == text.value);
        if found.is_none() {
            let list: Vec<String> = words.iter().map(|(word, _)| format!("{word:?}")).collect();
            notes.add(
                &text.span,
                format!("`{key}` is {:?}", text.value),
                format!("it takes {}", list.join(", ")),
            );
        }
        found.map(|(_, value)| *value)
    }

    /// A plain number within limits.
    pub(super) fn number(
        &mut self,
        notes: &mut Notes,
        key: &'static str,
        limits: (f64, f64),
    ) -> Option<Placed<f64>> {
        let value = self.value(key)?;
        let Some(number) = finite(value.get_ref()) else {
            notes.add(
                &value.span(),
                format!("`{key}` is {}", kind(value.get_ref())),
                "it takes a number",
            );
            return None;
        };
        if number < limits.0 || number > limits.1 {
            notes.add(
                &value.span(),
                format!("`{key}` is {number}"),
                format!("it lies between {} and {}", limits.0, limits.1),
            );
            return None;
        }
        Some(Placed {
            value: number,
            span: value.span(),
        })
    }

    /// A length, within limits in millimetres; given in the file's units or as a text with its own.
    pub(super) fn length(
        &mut self,
        notes: &mut Notes,
        key: &'static str,
        limits_mm: (f64, f64),
    ) -> Option<Placed<f64>> {
        let value = self.value(key)?;
        length_of(notes, &format!("`{key}`"), value, limits_mm)
    }

    /// A point on the scan.
    pub(super) fn point(
        &mut self,
        notes: &mut Notes,
        key: &'static str,
    ) -> Option<Placed<[f64; 3]>> {
        let value = self.value(key)?;
        point_of(notes, key, value)
    }

    /// A list of points on the scan, at least so many.
    pub(super) fn points(
        &mut self,
        notes: &mut Notes,
        key: &'static str,
        least: usize,
    ) -> Option<Vec<[f64; 3]>> {
        let Some(value) = self.value(key) else {
            self.missing(
                notes,
                key,
                format!("give at least {least} points [x, y, z]"),
            );
            return None;
        };
        let DeValue::Array(items) = value.get_ref() else {
            notes.add(
                &value.span(),
                format!("`{key}` is {}", kind(value.get_ref())),
                "it takes a list of points: [[x, y, z], [x, y, z], …]",
            );
            return None;
        };
        if items.len() < least {
            notes.add(
                &value.span(),
                format!("`{key}` has {} points", items.len()),
                format!("it takes at least {least}"),
            );
            return None;
        }
        items
            .iter()
            .map(|item| point_of(notes, key, item).map(|point| point.value))
            .collect()
    }

    /// Ends the reading of this table: every key that was not asked for is unknown.
    pub(super) fn finish(self, notes: &mut Notes) {
        for (key, value) in self.table {
            let name: &str = key.get_ref();
            if self.asked.contains(&name) {
                continue;
            }
            let what = match value.get_ref() {
                DeValue::Table(_) => "section",
                _ => "key",
            };
            let near = self
                .asked
                .iter()
                .map(|known| (strsim::jaro_winkler(known, name), *known))
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .filter(|(alike, _)| *alike > NEAR);
            let takes = format!("{} takes {}", self.title, self.asked.join(", "));
            notes.add(
                &key.span(),
                format!("`{name}` is not a known {what} of {}", self.title),
                match near {
                    Some((_, known)) => format!("did you mean `{known}`? {takes}"),
                    None => takes,
                },
            );
        }
    }
}

/// Likeness (Jaro–Winkler, 1 is equal) from which a known key is proposed for an unknown one; 0.8
/// takes in a slipped or swapped letter and leaves out words that merely share a letter or two.
const NEAR: f64 = 0.8;

/// What a value is, in plain words.
pub(super) fn kind(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) if text.chars().count() <= 40 => format!("the text {text:?}"),
        DeValue::String(_) => "a long text".into(),
        DeValue::Integer(number) => format!("the number {number}"),
        DeValue::Float(number) => format!("the number {}", number.as_str()),
        DeValue::Boolean(flag) => format!("{flag}"),
        DeValue::Datetime(_) => "a date".into(),
        DeValue::Array(items) if items.len() == 1 => "a list of one".into(),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a section".into(),
    }
}

/// A number that can be computed with.
fn finite(value: &DeValue<'_>) -> Option<f64> {
    let number: f64 = match value {
        // Underscores between digits are gone after parsing; other radixes make no lengths.
        DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok()?,
        DeValue::Float(number) => number.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

fn point_of(
    notes: &mut Notes,
    key: &str,
    value: &Spanned<DeValue<'_>>,
) -> Option<Placed<[f64; 3]>> {
    let numbers: Option<Vec<f64>> = match value.get_ref() {
        DeValue::Array(items) => items.iter().map(|item| finite(item.get_ref())).collect(),
        _ => None,
    };
    match numbers.as_deref() {
        Some([x, y, z]) => Some(Placed {
            value: [*x, *y, *z],
            span: value.span(),
        }),
        _ => {
            notes.add(
                &value.span(),
                match (value.get_ref(), &numbers) {
                    (DeValue::Array(_), None) => {
                        format!("a point of `{key}` holds something that is not a number")
                    }
                    (other, _) => format!("a point of `{key}` is {}", kind(other)),
                },
                "a point is three numbers on the scan: [x, y, z]",
            );
            None
        }
    }
}

pub(super) fn length_of(
    notes: &mut Notes,
    name: &str,
    value: &Spanned<DeValue<'_>>,
    limits_mm: (f64, f64),
) -> Option<Placed<f64>> {
    let span = value.span();
    let unit = notes.unit;
    let millimetres = match value.get_ref() {
        DeValue::String(text) => match parse_length(text, Some(unit)) {
            Ok(length) => length,
            Err(why) => {
                notes.add(&span, format!("{name}: {why}"), LENGTH);
                return None;
            }
        },
        other => match finite(other) {
            Some(number) => number * unit.in_mm(),
            None => {
                notes.add(&span, format!("{name} is {}", kind(other)), LENGTH);
                return None;
            }
        },
    };
    if millimetres >= limits_mm.0 && millimetres <= limits_mm.1 {
        return Some(Placed {
            value: millimetres,
            span,
        });
    }
    let mut right = format!(
        "it lies between {} and {}",
        say(unit, limits_mm.0),
        say(unit, limits_mm.1)
    );
    // The commonest slips: inches or centimetres in a file of millimetres, or the other way round; and
    // inches taken for centimetres, then written in millimetres.
    let number = millimetres / unit.in_mm();
    let slips = [
        (number, Unit::Millimetre, "millimetres"),
        (number, Unit::Centimetre, "centimetres"),
        (number, Unit::Inch, "inches"),
        (number / 10.0, Unit::Inch, "inches"),
    ];
    let fits = |read: f64| limits_mm.0 > 0.0 && read >= limits_mm.0 && read <= limits_mm.1;
    let slip = slips
        .into_iter()
        .find(|&(number, other, _)| other != unit && fits(number * other.in_mm()));
    if let Some((number, slip, words)) = slip {
        let read = trimmed(number, 3);
        right += &format!("; if it was read in {words}, write \"{read}{slip}\"");
    }
    notes.add(
        &span,
        format!("{name} is {}", say(unit, millimetres)),
        right,
    );
    None
}

/// A length in the unit of the file.
fn say(unit: Unit, mm: f64) -> String {
    match unit {
        Unit::Millimetre => format_mm(mm),
        other => format!("{} {other}", trimmed(mm / other.in_mm(), 3)),
    }
}

/// How a length is written.
const LENGTH: &str =
    "a length is a number in the file's units, or a text such as \"10mm\" or \"5 3/8in\"";
