//! Millimetres and inches: reading lengths as people write them, and writing them back.
//!
//! In: text such as `10mm`, `3/8in`, `5 3/8`, `14½"`. Out: millimetres, the only unit inside the
//! crate; and for print both units side by side, `361 mm (14 1/4 in)`.
//! A decimal comma is refused rather than guessed at: `1,250` is one metre and a quarter to one
//! reader and a millimetre and a quarter to the next.

use std::fmt;

/// Millimetres in an inch, exact (international inch, 1959).
pub const MM_PER_INCH: f64 = 25.4;

/// A unit of length that fittings and options may use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Unit {
    /// Millimetres, `mm`.
    #[serde(rename = "mm")]
    Millimetre,
    /// Centimetres, `cm`.
    #[serde(rename = "cm")]
    Centimetre,
    /// Metres, `m`.
    #[serde(rename = "m")]
    Metre,
    /// Inches, `in`.
    #[serde(rename = "in")]
    Inch,
}

impl Unit {
    /// Every unit, in the order error messages list them.
    pub const ALL: [Unit; 4] = [Unit::Millimetre, Unit::Centimetre, Unit::Metre, Unit::Inch];

    /// Millimetres in one of this unit.
    #[must_use]
    pub fn in_mm(self) -> f64 {
        match self {
            Unit::Millimetre => 1.0,
            Unit::Centimetre => 10.0,
            Unit::Metre => 1000.0,
            Unit::Inch => MM_PER_INCH,
        }
    }

    /// The abbreviation used in files and options.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::Millimetre => "mm",
            Unit::Centimetre => "cm",
            Unit::Metre => "m",
            Unit::Inch => "in",
        }
    }

    /// The unit of an abbreviation or name, any case: `mm`, `cm`, `m`, `in`, `inch`, `inches`, `"`.
    #[must_use]
    pub fn from_symbol(symbol: &str) -> Option<Unit> {
        match symbol.to_lowercase().as_str() {
            "mm" => Some(Unit::Millimetre),
            "cm" => Some(Unit::Centimetre),
            "m" => Some(Unit::Metre),
            "in" | "inch" | "inches" | "\"" | "″" | "”" => Some(Unit::Inch),
            _ => None,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// Why a text is not a length.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LengthError {
    /// Nothing there.
    #[error("expected a length such as 10mm or 3/8in, found nothing")]
    Empty,
    /// Not a number.
    #[error("`{found}` is not a length; write a number such as 10mm, 9.5mm or 5 3/8in")]
    NotANumber {
        /// The text.
        found: String,
    },
    /// A comma: its meaning depends on the reader.
    #[error("`{found}` has a comma; write decimals with a point and leave thousands unmarked")]
    Comma {
        /// The text.
        found: String,
    },
    /// A fraction over zero.
    #[error("`{found}` divides by zero")]
    ZeroDenominator {
        /// The text.
        found: String,
    },
    /// An unknown unit.
    #[error("`{unit}` is not a unit of length; use mm, cm, m or in")]
    UnknownUnit {
        /// What stands where the unit should.
        unit: String,
    },
    /// No unit where one is needed.
    #[error("`{found}` has no unit; write for example {found}mm or {found}in")]
    NoUnit {
        /// The text.
        found: String,
    },
    /// Too large for any length here.
    #[error("`{found}` is beyond any length that can be cut")]
    TooLarge {
        /// The text.
        found: String,
    },
}

/// Lengths above this are refused as slips of the pen, mm.
const GREATEST_MM: f64 = 1.0e6;

/// Reads a length, mm. A number without a unit is in `unit`; `None` demands one.
///
/// Whole numbers, decimals with a point, fractions (`3/8`), mixed numbers (`5 3/8`, `5-3/8`, `5⅜`)
/// and a leading sign are understood, with or without a space before the unit.
///
/// # Errors
/// [`LengthError`], saying what was found and what would be right.
///
/// # Example
/// ```
/// use flatten::units::{Unit, parse_length};
/// assert_eq!(parse_length("5 3/8in", None), Ok(136.525));
/// assert_eq!(parse_length("-35", Some(Unit::Millimetre)), Ok(-35.0));
/// ```
pub fn parse_length(text: &str, unit: Option<Unit>) -> Result<f64, LengthError> {
    let found = text.trim();
    if found.is_empty() {
        return Err(LengthError::Empty);
    }
    if found.contains(',') {
        return Err(LengthError::Comma {
            found: found.into(),
        });
    }
    let (number, symbol) = split_unit(found);
    let unit = match (symbol, unit) {
        ("", None) => {
            return Err(LengthError::NoUnit {
                found: found.into(),
            });
        }
        ("", Some(unit)) => unit,
        (symbol, _) => Unit::from_symbol(symbol).ok_or_else(|| LengthError::UnknownUnit {
            unit: symbol.into(),
        })?,
    };
    let mm = parse_number(number, found)? * unit.in_mm();
    if mm.is_finite() && mm.abs() <= GREATEST_MM {
        Ok(mm)
    } else {
        Err(LengthError::TooLarge {
            found: found.into(),
        })
    }
}

/// The number and the unit after it, which may be empty.
fn split_unit(text: &str) -> (&str, &str) {
    let is_unit = |c: char| c.is_alphabetic() || matches!(c, '"' | '″' | '”');
    match text
        .char_indices()
        .rev()
        .take_while(|(_, c)| is_unit(*c))
        .last()
    {
        Some((at, _)) => (text[..at].trim_end(), &text[at..]),
        None => (text, ""),
    }
}

/// A signed decimal, fraction or mixed number.
fn parse_number(number: &str, found: &str) -> Result<f64, LengthError> {
    let not_a_number = || LengthError::NotANumber {
        found: found.into(),
    };
    let (sign, size) = match number.strip_prefix(['-', '−']) {
        Some(rest) => (-1.0, rest.trim_start()),
        None => (1.0, number.strip_prefix('+').unwrap_or(number).trim_start()),
    };
    let plain = spell_out_fractions(size);
    if plain.starts_with('-') || plain.ends_with('-') || plain.contains("--") {
        return Err(not_a_number());
    }
    let mut parts = plain.split([' ', '-']).filter(|part| !part.is_empty());
    let first = parts.next().ok_or_else(not_a_number)?;
    let second = parts.next();
    if parts.next().is_some() {
        return Err(not_a_number());
    }
    let value = match second {
        None if first.contains('/') => fraction(first, found)?,
        None => decimal(first).ok_or_else(not_a_number)?,
        Some(second) if second.contains('/') && is_digits(first) => {
            decimal(first).ok_or_else(not_a_number)? + fraction(second, found)?
        }
        Some(_) => return Err(not_a_number()),
    };
    Ok(sign * value)
}

/// `5⅜` as `5 3/8`.
fn spell_out_fractions(text: &str) -> String {
    let mut plain = String::with_capacity(text.len() + 4);
    for c in text.chars() {
        plain.push_str(match c {
            '½' => " 1/2",
            '¼' => " 1/4",
            '¾' => " 3/4",
            '⅛' => " 1/8",
            '⅜' => " 3/8",
            '⅝' => " 5/8",
            '⅞' => " 7/8",
            '⁄' => "/",
            '\u{a0}' | '\u{202f}' | '\t' => " ",
            other => {
                plain.push(other);
                continue;
            }
        });
    }
    plain.trim().into()
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

/// A decimal without sign, exponent or words: `12`, `.5`, `9.5`.
fn decimal(text: &str) -> Option<f64> {
    let legal = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    if legal { text.parse().ok() } else { None }
}

fn fraction(text: &str, found: &str) -> Result<f64, LengthError> {
    let not_a_number = || LengthError::NotANumber {
        found: found.into(),
    };
    let (over, under) = text.split_once('/').ok_or_else(not_a_number)?;
    if !is_digits(over) || !is_digits(under) {
        return Err(not_a_number());
    }
    let over = decimal(over).ok_or_else(not_a_number)?;
    let under = decimal(under).ok_or_else(not_a_number)?;
    if under > 0.0 {
        Ok(over / under)
    } else {
        Err(LengthError::ZeroDenominator {
            found: found.into(),
        })
    }
}

/// Millimetres to a tenth, a needless `.0` left off: `361 mm`, `9.5 mm`.
#[must_use]
pub fn format_mm(mm: f64) -> String {
    format!("{} mm", trimmed(mm, 1))
}

/// A number at so many decimals with trailing zeros and a needless minus taken off.
#[must_use]
pub fn trimmed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_string(),
        false => text,
    };
    if text == "-0" { "0".into() } else { text }
}

/// Inches to the nearest part (8 for eighths, 16 for sixteenths), in lowest terms: `14 1/4 in`.
#[must_use]
pub fn format_inch(mm: f64, parts: u32) -> String {
    let parts = i64::from(parts.max(1));
    // The product is bounded by the format's users to well below 2^53.
    #[allow(
        clippy::cast_possible_truncation,
        reason = "rounded first; casts saturate"
    )]
    let count = (mm.abs() / MM_PER_INCH * parts as f64).round() as i64;
    let sign = if mm < 0.0 && count > 0 { "-" } else { "" };
    let (whole, rest) = (count / parts, count % parts);
    let shrink = gcd(rest, parts);
    let (over, under) = (rest / shrink, parts / shrink);
    match (whole, over) {
        (_, 0) => format!("{sign}{whole} in"),
        (0, _) => format!("{sign}{over}/{under} in"),
        _ => format!("{sign}{whole} {over}/{under} in"),
    }
}

fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a.max(1) } else { gcd(b, a % b) }
}

/// Below this a length is told in sixteenths, from here on in eighths, mm.
const SIXTEENTHS_BELOW_MM: f64 = 2.0 * MM_PER_INCH;

/// Both units for print: `361 mm (14 1/4 in)`; lengths under 2 in to a sixteenth, others to an eighth.
///
/// # Example
/// ```
/// assert_eq!(flatten::units::format_mm_and_inch(361.0), "361 mm (14 1/4 in)");
/// ```
#[must_use]
pub fn format_mm_and_inch(mm: f64) -> String {
    let parts = if mm.abs() < SIXTEENTHS_BELOW_MM {
        16
    } else {
        8
    };
    format!("{} ({})", format_mm(mm), format_inch(mm, parts))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mm(text: &str) -> f64 {
        parse_length(text, None).unwrap()
    }

    #[test]
    fn reads_what_people_write() {
        let expected = [
            ("10mm", 10.0),
            (" 10 mm ", 10.0),
            ("9.5MM", 9.5),
            ("+.5cm", 5.0),
            ("0.571 m", 571.0),
            ("3/8in", 9.525),
            ("5 3/8 in", 136.525),
            ("5-3/8in", 136.525),
            ("5⅜\"", 136.525),
            ("½ inch", 12.7),
            ("14 1/4 inches", 361.95),
            ("-5 3/8in", -136.525),
            ("−35mm", -35.0),
            ("0mm", 0.0),
        ];
        for (text, want) in expected {
            assert!(
                (mm(text) - want).abs() < 1e-9,
                "{text}: {} for {want}",
                mm(text)
            );
        }
    }

    #[test]
    fn a_bare_number_takes_the_unit_in_force_and_a_written_one_wins() {
        assert_eq!(parse_length("5 3/8", Some(Unit::Inch)), Ok(136.525));
        assert_eq!(parse_length("571", Some(Unit::Millimetre)), Ok(571.0));
        assert_eq!(parse_length("57 cm", Some(Unit::Inch)), Ok(570.0));
        assert!(matches!(
            parse_length("571", None),
            Err(LengthError::NoUnit { .. })
        ));
    }

    #[test]
    fn refuses_what_has_two_readings_or_none() {
        let no_number = [
            "mm",
            "abc",
            "1/2/3in",
            "5 3mm",
            "5.5 3/8in",
            "1e3mm",
            "--5mm",
            "5 3/8 1/2in",
            "1/-2in",
            "nan",
            "1.2.3mm",
            "/8in",
        ];
        for text in no_number {
            let got = parse_length(text, Some(Unit::Millimetre));
            assert!(
                matches!(
                    got,
                    Err(LengthError::NotANumber { .. } | LengthError::UnknownUnit { .. })
                ),
                "{text}: {got:?}"
            );
        }
        assert_eq!(parse_length("", None), Err(LengthError::Empty));
        assert!(matches!(
            parse_length("1,250mm", None),
            Err(LengthError::Comma { .. })
        ));
        assert!(matches!(
            parse_length("3/0in", None),
            Err(LengthError::ZeroDenominator { .. })
        ));
        assert!(matches!(
            parse_length("5 ft", None),
            Err(LengthError::UnknownUnit { .. })
        ));
        let long = "9".repeat(400);
        assert!(matches!(
            parse_length(&format!("{long}mm"), None),
            Err(LengthError::TooLarge { .. })
        ));
    }

    #[test]
    fn writes_both_units() {
        assert_eq!(format_mm_and_inch(361.0), "361 mm (14 1/4 in)");
        assert_eq!(format_mm_and_inch(10.0), "10 mm (3/8 in)");
        assert_eq!(format_mm_and_inch(20.0), "20 mm (13/16 in)");
        assert_eq!(format_mm_and_inch(571.04), "571 mm (22 1/2 in)");
        assert_eq!(format_mm_and_inch(0.0), "0 mm (0 in)");
        assert_eq!(format_mm_and_inch(-0.01), "0 mm (0 in)");
        assert_eq!(format_mm_and_inch(-136.525), "-136.5 mm (-5 3/8 in)");
        assert_eq!(format_inch(25.4 * 15.99, 8), "16 in");
    }

    #[test]
    fn what_is_written_in_inches_reads_back_within_half_a_part() {
        for tenth in 0..8000_u32 {
            let length = f64::from(tenth) / 10.0;
            let back = mm(&format_inch(length, 16));
            assert!(
                (back - length).abs() <= MM_PER_INCH / 32.0 + 1e-9,
                "{length}: {back}"
            );
        }
    }
}
