//! How wide a text is, so that it can be centred, boxed and wrapped.
//!
//! Sheets use Helvetica and Helvetica-Bold, which every PDF reader has (ISO 32000-1, 9.6.2.2), in the
//! WinAnsi encoding (ISO 32000-1, Annex D.2). Advance widths, in thousandths of the font size: Adobe's
//! font metrics for the 14 core fonts, files `Helvetica.afm` and `Helvetica-Bold.afm` (1997). Kerning
//! is left out, as PDF readers leave it out.

/// Width of a text set in Helvetica, mm.
#[must_use]
pub fn text_width_mm(text: &str, size_mm: f64, bold: bool) -> f64 {
    let table = if bold { &BOLD } else { &PLAIN };
    let mut thousandths = 0_u32;
    for c in printable(text).chars() {
        // `printable` leaves only characters that have a code.
        let code = win_ansi(c).unwrap_or(b'?');
        thousandths += u32::from(table[usize::from(code - 32)]);
    }
    f64::from(thousandths) / 1000.0 * size_mm
}

/// Breaks a text into lines no wider than `width_mm`, at spaces; a word wider than a line is broken
/// where it must be. A line break in the text is kept.
#[must_use]
pub fn wrap_text(text: &str, size_mm: f64, bold: bool, width_mm: f64) -> Vec<String> {
    let fits = |line: &str| text_width_mm(line, size_mm, bold) <= width_mm;
    let mut lines = Vec::new();
    for paragraph in text.lines() {
        let mut line = String::new();
        // A hard space holds its neighbours together.
        for word in paragraph.split([' ', '\t']).filter(|word| !word.is_empty()) {
            let longer = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if fits(&longer) {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for c in word.chars() {
                line.push(c);
                if !fits(&line) && line.chars().count() > 1 {
                    line.pop();
                    lines.push(std::mem::replace(&mut line, c.to_string()));
                }
            }
        }
        lines.push(line);
    }
    lines
}

/// The longest beginning of a text that is no wider than `width_mm`, with "..." when something is left out.
#[must_use]
pub fn shorten_text(text: &str, size_mm: f64, bold: bool, width_mm: f64) -> String {
    if text_width_mm(text, size_mm, bold) <= width_mm {
        return text.to_owned();
    }
    let mut short = text.to_owned();
    while short.pop().is_some() {
        let candidate = format!("{}...", short.trim_end());
        if text_width_mm(&candidate, size_mm, bold) <= width_mm {
            return candidate;
        }
    }
    String::new()
}

/// The text in characters that the sheets' fonts have: others become their nearest likeness, or `?`.
#[must_use]
pub fn printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if win_ansi(c).is_some() {
            out.push(c);
        } else {
            out.push_str(likeness(c));
        }
    }
    out
}

/// The WinAnsi code of a character, if it has one.
#[must_use]
pub fn win_ansi(c: char) -> Option<u8> {
    let code = u32::from(c);
    if matches!(code, 0x20..=0x7e | 0xa0..=0xff) {
        return u8::try_from(code).ok();
    }
    // Codes 0x80 to 0x9f, in order; a space stands where the encoding has nothing.
    const UPPER: &str = "€ ‚ƒ„…†‡ˆ‰Š‹Œ Ž  ‘’“”•–—˜™š›œ žŸ";
    let place = UPPER.chars().position(|u| u == c && c != ' ')?;
    u8::try_from(0x80 + place).ok()
}

/// What stands for a character that WinAnsi lacks.
fn likeness(c: char) -> &'static str {
    match c {
        '\u{2212}' | '\u{2010}' | '\u{2011}' => "-",
        '\u{2002}'..='\u{200a}' | '\u{202f}' | '\u{205f}' | '\t' | '\n' | '\r' => " ",
        '\u{200b}'..='\u{200f}' | '\u{2060}' | '\u{feff}' => "",
        '→' => "->",
        '←' => "<-",
        '↑' => "^",
        '↓' => "v",
        '≤' => "<=",
        '≥' => ">=",
        '≠' => "/=",
        '≈' => "~",
        '′' => "'",
        '″' => "\"",
        '⁄' => "/",
        '⅛' => "1/8",
        '⅜' => "3/8",
        '⅝' => "5/8",
        '⅞' => "7/8",
        'λ' => "lambda",
        'π' => "pi",
        '∅' => "ø",
        'Ω' => "ohm",
        'μ' => "µ",
        'Ā' | 'Ă' | 'Ą' => "A",
        'ā' | 'ă' | 'ą' => "a",
        'Ć' | 'Ĉ' | 'Ċ' | 'Č' => "C",
        'ć' | 'ĉ' | 'ċ' | 'č' => "c",
        'Ď' | 'Đ' => "D",
        'ď' | 'đ' => "d",
        'Ē' | 'Ĕ' | 'Ė' | 'Ę' | 'Ě' => "E",
        'ē' | 'ĕ' | 'ė' | 'ę' | 'ě' => "e",
        'Ĝ' | 'Ğ' | 'Ġ' | 'Ģ' => "G",
        'ĝ' | 'ğ' | 'ġ' | 'ģ' => "g",
        'Ĩ' | 'Ī' | 'Ĭ' | 'Į' | 'İ' => "I",
        'ĩ' | 'ī' | 'ĭ' | 'į' | 'ı' => "i",
        'Ķ' => "K",
        'ķ' => "k",
        'Ĺ' | 'Ļ' | 'Ľ' | 'Ł' => "L",
        'ĺ' | 'ļ' | 'ľ' | 'ł' => "l",
        'Ń' | 'Ņ' | 'Ň' => "N",
        'ń' | 'ņ' | 'ň' => "n",
        'Ō' | 'Ŏ' | 'Ő' => "O",
        'ō' | 'ŏ' | 'ő' => "o",
        'Ŕ' | 'Ŗ' | 'Ř' => "R",
        'ŕ' | 'ŗ' | 'ř' => "r",
        'Ś' | 'Ŝ' | 'Ş' | 'Ș' => "S",
        'ś' | 'ŝ' | 'ş' | 'ș' => "s",
        'Ţ' | 'Ť' | 'Ț' => "T",
        'ţ' | 'ť' | 'ț' => "t",
        'Ũ' | 'Ū' | 'Ŭ' | 'Ů' | 'Ű' | 'Ų' => "U",
        'ũ' | 'ū' | 'ŭ' | 'ů' | 'ű' | 'ų' => "u",
        'Ŵ' => "W",
        'ŵ' => "w",
        'Ŷ' => "Y",
        'ŷ' => "y",
        'Ź' | 'Ż' => "Z",
        'ź' | 'ż' => "z",
        _ => "?",
    }
}

/// Helvetica, codes 32 to 255.
#[rustfmt::skip]
const PLAIN: [u16; 224] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,
    1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,
    333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,
    556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584, 0,
    556, 0, 222, 556, 333, 1000, 556, 556, 333, 1000, 667, 333, 1000, 0, 611, 0,
    0, 222, 222, 333, 333, 350, 556, 1000, 333, 1000, 500, 333, 944, 0, 500, 667,
    278, 333, 556, 556, 556, 556, 260, 556, 333, 737, 370, 556, 584, 333, 737, 333,
    400, 584, 333, 333, 333, 556, 537, 278, 333, 333, 365, 556, 834, 834, 834, 611,
    667, 667, 667, 667, 667, 667, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278,
    722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611,
    556, 556, 556, 556, 556, 556, 889, 500, 556, 556, 556, 556, 278, 278, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 584, 611, 556, 556, 556, 556, 500, 556, 500,
];

/// Helvetica-Bold, codes 32 to 255.
#[rustfmt::skip]
const BOLD: [u16; 224] = [
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 333, 333, 584, 584, 584, 611,
    975, 722, 722, 722, 722, 667, 611, 778, 722, 278, 556, 722, 611, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333, 278, 333, 584, 556,
    333, 556, 611, 556, 611, 556, 333, 611, 611, 278, 278, 556, 278, 889, 611, 611,
    611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584, 0,
    556, 0, 278, 556, 500, 1000, 556, 556, 333, 1000, 667, 333, 1000, 0, 611, 0,
    0, 278, 278, 500, 500, 350, 556, 1000, 333, 1000, 556, 333, 944, 0, 500, 667,
    278, 333, 556, 556, 556, 556, 280, 556, 333, 737, 370, 556, 584, 333, 737, 333,
    400, 584, 333, 333, 333, 611, 556, 278, 333, 333, 365, 556, 834, 834, 834, 611,
    722, 722, 722, 722, 722, 722, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278,
    722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611,
    556, 556, 556, 556, 556, 556, 889, 556, 556, 556, 556, 556, 278, 278, 278, 278,
    611, 611, 611, 611, 611, 611, 611, 584, 611, 611, 611, 611, 611, 556, 611, 556,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_add_up_as_in_the_published_metrics() {
        // Helvetica.afm: S 667, h 556, e 556, e 556, t 278; Helvetica-Bold.afm: S 667, h 611, e 556, t 333.
        assert!((text_width_mm("Sheet", 1000.0, false) - 2613.0).abs() < 1e-9);
        assert!((text_width_mm("Sheet", 1000.0, true) - 2723.0).abs() < 1e-9);
        assert!((text_width_mm("", 4.0, false)).abs() < 1e-12);
    }

    #[test]
    fn digits_are_all_as_wide_as_each_other() {
        let one = text_width_mm("1", 10.0, false);
        for digit in "234567890".chars() {
            assert!((text_width_mm(&digit.to_string(), 10.0, false) - one).abs() < 1e-12);
        }
    }

    #[test]
    fn characters_outside_the_encoding_become_their_likeness() {
        assert_eq!(printable("−3 ≤ 5 → Łódź"), "-3 <= 5 -> Lódz");
        assert_eq!(printable("±½ é €"), "±½ é €");
        assert_eq!(printable("頭"), "?");
        assert_eq!(win_ansi('€'), Some(0x80));
        assert_eq!(win_ansi('Ÿ'), Some(0x9f));
        assert_eq!(win_ansi('“'), Some(0x93));
        assert_eq!(win_ansi('\u{7f}'), None);
    }

    #[test]
    fn wrapped_lines_fit_and_lose_no_word() {
        let text =
            "Print at 100 %, never fit to page, and measure the square before anything is cut.";
        let lines = wrap_text(text, 4.0, false, 60.0);
        assert!(lines.len() > 1);
        assert!(
            lines
                .iter()
                .all(|line| text_width_mm(line, 4.0, false) <= 60.0)
        );
        assert_eq!(lines.join(" "), text);
        let long = wrap_text("Rhabarberbarbarabarbarbarenbart", 4.0, true, 20.0);
        assert!(long.len() > 2);
        assert!(
            long.iter()
                .all(|line| text_width_mm(line, 4.0, true) <= 20.0)
        );
        assert_eq!(long.concat(), "Rhabarberbarbarabarbarbarenbart");
    }

    #[test]
    fn shortened_text_fits() {
        let short = shorten_text("a rather long material name", 4.0, false, 25.0);
        assert!(short.ends_with("..."));
        assert!(text_width_mm(&short, 4.0, false) <= 25.0);
        assert_eq!(shorten_text("lace", 4.0, false, 25.0), "lace");
    }
}
