//! From parsed TOML to a checked fitting, section by section in the order of the file.

use std::ops::Range;

use flatten::{
    dart::Anchor,
    job::Material,
    piece::{
        Allowance, Grain,
        hair::{HAIR_DIAMETER_MM, HairPlan, HairZone},
        stock,
    },
    sheet::{Orientation, Paper, SheetOptions},
    tape::{Readings, TapePath},
    units::Unit,
};
use toml::de::{DeTable, DeValue};

use super::{
    Clear, Dart, Darts, Fitting, Hair, Landmark, Landmarks, Mold, Perimeter, Problem, Towards,
    material::{STOCK, Stock},
    section::{Notes, Placed, Section, kind, length_of},
};

/// Reads the whole file; the error lists everything that is wrong with it.
pub(super) fn fitting(text: &str) -> Result<Fitting, Vec<Problem>> {
    let table = DeTable::parse(text).map_err(|error| vec![syntax(&error, text)])?;
    let mut notes = Notes {
        problems: Vec::new(),
        unit: Unit::Millimetre,
    };
    let mut top = Section::new("the file", &table);
    top.span = 0..first_line(text);
    let read = sections(&mut top, &mut notes);
    top.finish(&mut notes);
    match read {
        Some(fitting) if notes.problems.is_empty() => Ok(fitting),
        _ => Err(notes.problems),
    }
}

fn first_line(text: &str) -> usize {
    text.find('\n').unwrap_or(text.len())
}

/// What the TOML parser could not read, in a sentence.
fn syntax(error: &toml::de::Error, text: &str) -> Problem {
    let span = error.span().unwrap_or(0..first_line(text));
    let message = error.message().replace('\n', ", ");
    Problem {
        found: format!("this is not TOML: {message}"),
        right: "a line is `key = value`, a text stands in quotes, a section opens with [name]"
            .into(),
        span,
    }
}

fn sections(top: &mut Section<'_>, notes: &mut Notes) -> Option<Fitting> {
    version(top, notes);
    let client = client(top, notes);
    let date = date(top, notes);
    let confirmed = top.flag(notes, "confirmed").unwrap_or(true);
    // Lengths further down need the unit first.
    notes.unit = top
        .word(
            notes,
            "units",
            &[("mm", Unit::Millimetre), ("in", Unit::Inch)],
        )
        .unwrap_or(Unit::Millimetre);

    let mold = mold(top, notes);
    let scanned = mold.scan.is_some();
    let landmarks = landmarks(top, notes, scanned);
    let perimeter = perimeter(top, notes, scanned);
    let openings = openings(top, notes);
    let keep_clear = keep_clear(top, notes);
    let tape = tape(top, notes, scanned);
    let Made {
        material,
        seam_mm,
        grain,
        stock,
    } = material(top, notes);
    let allowance = allowance(top, notes, seam_mm);
    let darts = darts(top, notes, openings.len());
    let hair = hair(top, notes);
    let sheet = sheet(top, notes);
    Some(Fitting {
        client: client?,
        date,
        confirmed,
        unit: notes.unit,
        mold,
        landmarks,
        perimeter: perimeter?,
        openings,
        keep_clear,
        tape,
        material: material?,
        allowance,
        darts: darts?,
        grain,
        stock,
        hair,
        sheet,
    })
}

fn version(top: &mut Section<'_>, notes: &mut Notes) {
    match top.value("fitting") {
        None => top.missing(notes, "fitting", "write fitting = 1 on the first line"),
        Some(value) if matches!(value.get_ref(), DeValue::Integer(n) if n.as_str() == "1") => {}
        Some(value) => notes.add(
            &value.span(),
            format!("`fitting` is {}", kind(value.get_ref())),
            "this program reads version 1: write fitting = 1",
        ),
    }
}

/// A number, never a name: it is printed on every sheet.
fn client(top: &mut Section<'_>, notes: &mut Notes) -> Option<String> {
    let Some(value) = top.value("client") else {
        top.missing(
            notes,
            "client",
            "write the client's number: client = \"0042\"",
        );
        return None;
    };
    let number = match value.get_ref() {
        DeValue::String(text) => text.to_string(),
        DeValue::Integer(number) => number.as_str().into(),
        _ => String::new(),
    };
    let legal = number.len() <= 24
        && number.bytes().any(|byte| byte.is_ascii_digit())
        && number
            .bytes()
            .all(|byte| byte.is_ascii_digit() || matches!(byte, b'-' | b'.' | b'/'));
    if legal {
        return Some(number);
    }
    notes.add(
        &value.span(),
        format!("`client` is {}", kind(value.get_ref())),
        "it is printed on every sheet, so it takes a number (digits, - . /), never a name: \
         client = \"0042\"",
    );
    None
}

fn date(top: &mut Section<'_>, notes: &mut Notes) -> Option<String> {
    let value = top.value("date")?;
    match value.get_ref() {
        DeValue::Datetime(date) => return Some(date.to_string()),
        DeValue::String(text) if !text.trim().is_empty() && text.chars().count() <= 30 => {
            return Some(text.trim().into());
        }
        other => notes.add(
            &value.span(),
            format!("`date` is {}", kind(other)),
            "it takes a date such as 2026-03-01",
        ),
    }
    None
}

fn mold(top: &mut Section<'_>, notes: &mut Notes) -> Mold {
    let mut mold = Mold {
        scan: None,
        unit: None,
        offset_mm: 0.0,
    };
    let Some(mut section) = top.section(notes, "mold") else {
        return mold;
    };
    if let Some(scan) = section.text(notes, "scan") {
        if scan.value.trim().is_empty() {
            notes.add(
                &scan.span,
                "`scan` is empty",
                "name the scan's file, or leave the key out to build the head from [tape]",
            );
        }
        mold.scan = Some(scan.value.into());
    }
    mold.unit = section
        .word(
            notes,
            "scan_units",
            &[
                ("auto", None),
                ("mm", Some(Unit::Millimetre)),
                ("cm", Some(Unit::Centimetre)),
                ("m", Some(Unit::Metre)),
                ("in", Some(Unit::Inch)),
            ],
        )
        .flatten();
    // More than this is no longer a shell about the same head.
    if let Some(offset) = section.length(notes, "offset", (-15.0, 15.0)) {
        mold.offset_mm = offset.value;
    }
    section.finish(notes);
    mold
}

fn landmarks(top: &mut Section<'_>, notes: &mut Notes, scanned: bool) -> Option<Landmarks> {
    let Some(mut section) = top.section(notes, "landmarks") else {
        if scanned {
            top.missing(
                notes,
                "[landmarks]",
                "give front, nape, left_ear and right_ear as points on the scan",
            );
        }
        return None;
    };
    if !scanned {
        notes.add(
            &section.span,
            "[landmarks] without a scan",
            "they are points on a scan: name it in [mold], or leave them out, the head form has its own",
        );
    }
    let mut at = |key, what| {
        let point = section.point(notes, key);
        if point.is_none() && !section.holds(key) {
            section.missing(notes, key, format!("give {what} as a point [x, y, z]"));
        }
        point
    };
    let front = at("front", "the centre of the front hairline");
    let nape = at("nape", "the centre of the nape hairline");
    let left_ear = at("left_ear", "the top of the client's left ear");
    let right_ear = at("right_ear", "the top of the client's right ear");
    let crown = section.point(notes, "crown");
    let given: Vec<_> = [&front, &nape, &left_ear, &right_ear, &crown]
        .into_iter()
        .flatten()
        .cloned()
        .collect();
    for (i, point) in given.iter().enumerate() {
        let same = |other: &Placed<[f64; 3]>| {
            other.value.map(f64::to_bits) == point.value.map(f64::to_bits)
        };
        if given[..i].iter().any(same) {
            notes.add(
                &point.span,
                "two landmarks are one point",
                "each landmark has a place of its own on the head",
            );
        }
    }
    section.finish(notes);
    Some(Landmarks {
        front: front?.value,
        nape: nape?.value,
        left_ear: left_ear?.value,
        right_ear: right_ear?.value,
        crown: crown.map(|point| point.value),
    })
}

/// Which source of the perimeter is asked for.
#[derive(Clone, Copy)]
enum From {
    Points,
    Pen,
    Clock,
}

fn perimeter(top: &mut Section<'_>, notes: &mut Notes, scanned: bool) -> Option<Perimeter> {
    let Some(mut section) = top.section(notes, "perimeter") else {
        if scanned {
            top.missing(
                notes,
                "[perimeter]",
                "say where the base ends: from = \"points\", \"pen\" or \"clock\"",
            );
            return None;
        }
        return Some(Perimeter::Form);
    };
    let words = [
        ("points", From::Points),
        ("pen", From::Pen),
        ("clock", From::Clock),
    ];
    let asked = section.holds("from");
    let from = section.word(notes, "from", &words);
    if !asked {
        section.missing(
            notes,
            "from",
            "write from = \"points\", \"pen\" or \"clock\"",
        );
    }
    let perimeter = match from? {
        From::Points if scanned => section
            .points(notes, "points", LEAST_PERIMETER)
            .map(Perimeter::Points),
        From::Pen if scanned => Some(Perimeter::Pen),
        From::Points | From::Pen => {
            notes.add(
                &section.span,
                "[perimeter] lies on a scan, but [mold] names none",
                "name the scan, or take from = \"clock\", or leave [perimeter] out for the head \
                 form's own hairline",
            );
            section.value("points");
            None
        }
        From::Clock => clock(&mut section, notes).map(Perimeter::Clock),
    };
    section.finish(notes);
    perimeter
}

/// Fewest points that go round a head.
const LEAST_PERIMETER: usize = 6;

fn clock(section: &mut Section<'_>, notes: &mut Notes) -> Option<[f64; 12]> {
    let Some(value) = section.value("clock") else {
        section.missing(notes, "clock", CLOCK);
        return None;
    };
    let items = match value.get_ref() {
        DeValue::Array(items) if items.len() == 12 => items,
        other => {
            notes.add(&value.span(), format!("`clock` is {}", kind(other)), CLOCK);
            return None;
        }
    };
    let mut readings = [0.0; 12];
    let mut whole = true;
    for (hour, (reading, item)) in readings.iter_mut().zip(items.iter()).enumerate() {
        let name = format!("`clock` at {}", if hour == 0 { 12 } else { hour });
        match length_of(notes, &name, item, (30.0, 350.0)) {
            Some(length) => *reading = length.value,
            None => whole = false,
        }
    }
    whole.then_some(readings)
}

const CLOCK: &str = "give twelve lengths from the crown to the hairline: 12 o'clock at the front \
                     first, then 1, 2, 3 at the client's right, and so on";

fn openings(top: &mut Section<'_>, notes: &mut Notes) -> Vec<Vec<[f64; 3]>> {
    let mut out = Vec::new();
    for mut section in top.sections(notes, "opening") {
        out.extend(section.points(notes, "points", 3));
        section.finish(notes);
    }
    out
}

fn keep_clear(top: &mut Section<'_>, notes: &mut Notes) -> Vec<Clear> {
    let mut out = Vec::new();
    for mut section in top.sections(notes, "keep_clear") {
        let centre = section.point(notes, "centre");
        if !section.holds("centre") {
            section.missing(notes, "centre", "give its middle as a point [x, y, z]");
        }
        let radius = section.length(notes, "radius", (1.0, 150.0));
        if !section.holds("radius") {
            section.missing(notes, "radius", "say how far it reaches along the skin");
        }
        let reason = section.text(notes, "reason").map_or_else(
            || "keep clear".into(),
            |text| short(notes, "reason", &text.value, &text.span, 60),
        );
        section.finish(notes);
        if let (Some(centre), Some(radius)) = (centre, radius) {
            out.push(Clear {
                centre: centre.value,
                radius_mm: radius.value,
                reason,
            });
        }
    }
    out
}

/// A text that goes into print, bounded so that it fits there.
fn short(notes: &mut Notes, key: &str, text: &str, span: &Range<usize>, most: usize) -> String {
    let count = text.chars().count();
    if count > most || text.chars().any(char::is_control) {
        notes.add(
            span,
            format!("`{key}` does not fit in print"),
            format!("it takes at most {most} letters on one line"),
        );
    }
    text.trim().into()
}

fn tape(top: &mut Section<'_>, notes: &mut Notes, scanned: bool) -> Readings {
    let mut out = Readings::new();
    if let Some(mut section) = top.section(notes, "tape") {
        for path in TapePath::ALL {
            if let Some(reading) = section.length(notes, path.key(), possible_mm(path)) {
                out.insert(path, reading.value);
            }
        }
        if out.is_empty() && !scanned && notes.problems.is_empty() {
            notes.add(
                &section.span,
                "[tape] holds no reading",
                "without a scan the head is built from readings: write girth = 571, or what was read",
            );
        }
        section.finish(notes);
    } else if !scanned {
        top.missing(
            notes,
            "[mold] scan and [tape]",
            "name a scan, or give tape readings to build the head from: [tape] girth = 571",
        );
    }
    out
}

/// What an adult head can give, mm: smallest and largest stock sizes of the trade and survey extremes,
/// each with a quarter to spare. Only slips of unit or field lie outside.
fn possible_mm(path: TapePath) -> (f64, f64) {
    match path {
        TapePath::Girth | TapePath::HeadGirth => (400.0, 760.0),
        TapePath::FrontToNape => (200.0, 520.0),
        TapePath::EarToEarForehead => (180.0, 420.0),
        TapePath::EarToEarOver => (200.0, 450.0),
        TapePath::TempleToTempleBack => (220.0, 540.0),
        TapePath::Nape => (60.0, 240.0),
        TapePath::HeadLength => (130.0, 260.0),
        TapePath::HeadBreadth => (100.0, 210.0),
        TapePath::CoronalArc => (220.0, 500.0),
    }
}

/// What [material] says.
struct Made {
    material: Option<Material>,
    /// Allowance beside seams that goes with it, mm.
    seam_mm: f64,
    grain: Grain,
    stock: Option<stock::Stock>,
}

fn material(top: &mut Section<'_>, notes: &mut Notes) -> Made {
    let first = STOCK[0];
    let sold = |stock: Stock| {
        stock.width_mm.map(|width_mm| stock::Stock {
            width_mm,
            length_mm: None,
        })
    };
    let Some(mut section) = top.section(notes, "material") else {
        return Made {
            material: Some(first.material()),
            seam_mm: first.seam_mm,
            grain: Grain::default(),
            stock: sold(first),
        };
    };
    let name = section.text(notes, "name");
    let limit = section.number(notes, "limit", (0.001, 1.0e6));
    let limit = limit.filter(|limit| {
        let possible = limit.value <= GREATEST_LIMIT;
        if !possible {
            notes.add(
                &limit.span,
                format!(
                    "`limit` is {}, that is {} %",
                    limit.value,
                    limit.value * 100.0
                ),
                "it is a strain: write 0.03 for 3 %",
            );
        }
        possible
    });
    let tension = section.number(notes, "tension", (0.01, 100.0));
    let crowding = section.number(notes, "crowding", (0.01, 100.0));
    let grains = [
        ("front_back", Grain::FrontBack),
        ("across", Grain::Across),
        ("bias", Grain::Bias),
        ("any", Grain::Any),
    ];
    let grain = section.word(notes, "grain", &grains).unwrap_or_default();
    let width = section.length(notes, "width", (50.0, 5000.0));
    let length = section.length(notes, "length", (50.0, 5000.0));
    if let (Some(length), None) = (&length, &width) {
        notes.add(
            &length.span,
            "`length` of the stock without its `width`",
            "a sheet has both; a roll has a width only",
        );
    }
    section.finish(notes);
    let given = width.map(|width| stock::Stock {
        width_mm: width.value,
        length_mm: length.map(|length| length.value),
    });
    let mut stock = sold(first);
    let (mut material, seam_mm) = match name {
        None => (first.material(), first.seam_mm),
        Some(name) => match (Stock::named(&name.value), &limit) {
            (Some(named), _) => {
                stock = sold(named);
                (named.material(), named.seam_mm)
            }
            (None, Some(limit)) => {
                stock = None;
                let material = Material {
                    name: short(notes, "name", &name.value, &name.span, 40),
                    limit: limit.value,
                    tension: 1.0,
                    crowding: 1.0,
                };
                (material, first.seam_mm)
            }
            (None, None) => {
                let names: Vec<_> = STOCK.iter().map(|stock| stock.name).collect();
                notes.add(
                    &name.span,
                    format!("material {:?} is not in the table", name.value),
                    format!(
                        "take one of {}, or give its limit too: limit = 0.03",
                        names.join(", ")
                    ),
                );
                return Made {
                    material: None,
                    seam_mm: first.seam_mm,
                    grain,
                    stock: given,
                };
            }
        },
    };
    if let Some(limit) = limit {
        material.limit = limit.value;
    }
    material.tension = tension.map_or(material.tension, |number| number.value);
    material.crowding = crowding.map_or(material.crowding, |number| number.value);
    Made {
        material: Some(material),
        seam_mm,
        grain,
        stock: given.or(stock),
    }
}

/// Hair folded back into the knot, mm: 1 in by one maker's published log.
const FOLD_MM: f64 = 25.0;

/// Hairs on a square centimetre at most: scalps have up to 300 (Barman, Astore & Pecoraro 1965).
const DENSEST: f64 = 400.0;

fn hair(top: &mut Section<'_>, notes: &mut Notes) -> Option<Hair> {
    let mut section = top.section(notes, "hair")?;
    let density = section.number(notes, "density", (1.0, DENSEST));
    let length = section.length(notes, "length", (10.0, 1500.0));
    for (key, right) in [
        (
            "density",
            "give the hairs on a square centimetre: density = 75",
        ),
        ("length", "give the length that hangs: length = 150"),
    ] {
        if !section.holds(key) {
            section.missing(notes, key, right);
        }
    }
    let fold = section.length(notes, "fold", (0.0, 200.0));
    let thickness = section.length(notes, "thickness", (0.02, 0.2));
    let zones = HairZone::ALL.map(|zone| {
        let zone = section.number(notes, zone.key(), (0.0, DENSEST));
        zone.map(|density| density.value)
    });
    section.finish(notes);
    Some(Hair {
        plan: HairPlan {
            per_cm2: density?.value,
            length_mm: length?.value,
            return_mm: fold.map_or(FOLD_MM, |fold| fold.value),
            diameter_mm: thickness.map_or(HAIR_DIAMETER_MM, |thickness| thickness.value),
        },
        zones,
    })
}

/// Greatest strain a base is planned with; beyond it nothing holds its shape on a head.
const GREATEST_LIMIT: f64 = 0.3;

fn allowance(top: &mut Section<'_>, notes: &mut Notes, seam_mm: f64) -> Allowance {
    // Front waste lace 20 to 25 mm and 10 mm hems are common practice, no source.
    let mut allowance = Allowance {
        front_mm: 20.0,
        sides_mm: 10.0,
        nape_mm: 10.0,
        opening_mm: 6.0,
        seam_mm,
        dart_mm: seam_mm,
    };
    let Some(mut section) = top.section(notes, "allowance") else {
        return allowance;
    };
    let mut take = |key, width: &mut f64| {
        if let Some(length) = section.length(notes, key, (0.0, 60.0)) {
            *width = length.value;
        }
    };
    take("front", &mut allowance.front_mm);
    take("sides", &mut allowance.sides_mm);
    take("nape", &mut allowance.nape_mm);
    take("opening", &mut allowance.opening_mm);
    take("seam", &mut allowance.seam_mm);
    take("dart", &mut allowance.dart_mm);
    section.finish(notes);
    allowance
}

/// The `layout` word, before the lists are looked at.
enum Wish {
    None,
    Even(usize),
    Auto,
    Given,
}

fn darts(top: &mut Section<'_>, notes: &mut Notes, openings: usize) -> Option<Darts> {
    let darts: Vec<_> = top
        .sections(notes, "dart")
        .into_iter()
        .map(|section| (section.span.clone(), dart(section, notes, openings)))
        .collect();
    let mut seams = Vec::new();
    for mut section in top.sections(notes, "seam") {
        seams.push((section.span.clone(), section.points(notes, "through", 2)));
        section.finish(notes);
    }
    let listed = darts
        .first()
        .map(|dart| dart.0.clone())
        .or_else(|| seams.first().map(|seam| seam.0.clone()));

    let mut most = DEFAULT_MOST;
    let mut wish = if listed.is_some() {
        Wish::Given
    } else {
        Wish::Auto
    };
    if let Some(mut section) = top.section(notes, "darts") {
        if let Some(text) = section.text(notes, "layout") {
            wish = layout(notes, &text.value, &text.span)?;
        }
        let count = section.number(notes, "most", (1.0, MOST_DARTS as f64));
        if let Some(count) = count {
            most = whole(notes, "most", count.value, &count.span)?;
        }
        section.finish(notes);
    }
    match (wish, listed) {
        (Wish::Given, None) => {
            notes.add(
                &top.span,
                "`layout` is \"given\" but no dart or seam is listed",
                "list each under [[dart]] or [[seam]], or take \"none\", \"even:6\" or \"auto\"",
            );
            None
        }
        (Wish::Given, Some(_)) => Some(Darts::Given {
            darts: darts
                .into_iter()
                .map(|dart| dart.1)
                .collect::<Option<_>>()?,
            seams: seams
                .into_iter()
                .map(|seam| seam.1)
                .collect::<Option<_>>()?,
        }),
        (_, Some(span)) => {
            notes.add(
                &span,
                "a dart or seam is listed, but `layout` asks for another layout",
                "take the list out, or write layout = \"given\"",
            );
            None
        }
        (Wish::None, None) => Some(Darts::None),
        (Wish::Even(count), None) => Some(Darts::Even(count)),
        (Wish::Auto, None) => Some(Darts::Auto(most)),
    }
}

/// Most darts of `auto` when the fitting does not say.
const DEFAULT_MOST: usize = 8;
/// More than a base can be sewn with.
const MOST_DARTS: usize = 40;

fn layout(notes: &mut Notes, text: &str, span: &Range<usize>) -> Option<Wish> {
    match text {
        "none" => return Some(Wish::None),
        "auto" => return Some(Wish::Auto),
        "given" => return Some(Wish::Given),
        _ => {}
    }
    if let Some(count) = text.strip_prefix("even:")
        && let Ok(count) = count.trim().parse::<usize>()
        && (1..=MOST_DARTS).contains(&count)
    {
        return Some(Wish::Even(count));
    }
    notes.add(
        span,
        format!("`layout` is {text:?}"),
        format!(
            "it takes \"none\", \"auto\", \"given\" with a list of [[dart]]s, or \"even:6\" with a \
             number from 1 to {MOST_DARTS}"
        ),
    );
    None
}

fn whole(notes: &mut Notes, key: &str, value: f64, span: &Range<usize>) -> Option<usize> {
    if value.fract() == 0.0 && value >= 0.0 {
        // Limits were checked before: the value is small.
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small whole number"
        )]
        return Some(value as usize);
    }
    notes.add(
        span,
        format!("`{key}` is {value}"),
        "it takes a whole number",
    );
    None
}

fn dart(mut section: Section<'_>, notes: &mut Notes, openings: usize) -> Option<Dart> {
    let from = from(&mut section, notes, openings);
    let along = section.length(notes, "along", (-700.0, 700.0));
    let depth = section.length(notes, "depth", (5.0, 300.0));
    if !section.holds("depth") {
        section.missing(notes, "depth", "say how long the dart is along the head");
    }
    let towards = towards(&mut section, notes);
    section.finish(notes);
    Some(Dart {
        from: from?,
        along_mm: along.map_or(0.0, |length| length.value),
        depth_mm: depth?.value,
        towards: towards?,
    })
}

fn from(section: &mut Section<'_>, notes: &mut Notes, openings: usize) -> Option<Anchor> {
    let Some(text) = section.text(notes, "from") else {
        if !section.holds("from") {
            section.missing(notes, "from", FROM);
        }
        return None;
    };
    let number = text.value.strip_prefix("opening").map(|rest| {
        let rest = rest.trim_start_matches(':').trim();
        if rest.is_empty() {
            Ok(1)
        } else {
            rest.parse::<usize>()
        }
    });
    match (text.value.as_str(), number) {
        ("front", _) => Some(Anchor::Front),
        ("nape", _) => Some(Anchor::Nape),
        ("left_ear", _) => Some(Anchor::LeftEar),
        ("right_ear", _) => Some(Anchor::RightEar),
        (_, Some(Ok(number))) if (1..=openings).contains(&number) => {
            Some(Anchor::Opening(number - 1))
        }
        (_, Some(Ok(number))) => {
            notes.add(
                &text.span,
                format!("this dart starts on opening {number}"),
                format!("the fitting has {openings} [[opening]]s, counted from 1"),
            );
            None
        }
        _ => {
            notes.add(&text.span, format!("`from` is {:?}", text.value), FROM);
            None
        }
    }
}

const FROM: &str = "it takes \"front\", \"nape\", \"left_ear\", \"right_ear\", or \"opening:1\" for the \
                    first opening";

fn towards(section: &mut Section<'_>, notes: &mut Notes) -> Option<Towards> {
    let turned = section.number(notes, "turned", (-80.0, 80.0));
    let had_turned = section.holds("turned");
    let Some(value) = section.value("towards") else {
        return match turned {
            Some(degrees) => Some(Towards::Turned(degrees.value.to_radians())),
            None if had_turned => None,
            None => Some(Towards::Inward),
        };
    };
    if had_turned {
        notes.add(
            &value.span(),
            "a dart has both `towards` and `turned`",
            "give one of them",
        );
        return None;
    }
    if matches!(value.get_ref(), DeValue::Array(_)) {
        return section
            .point(notes, "towards")
            .map(|point| Towards::Point(point.value));
    }
    let words = Landmark::ALL.map(|mark| (mark.key(), mark));
    section
        .word(notes, "towards", &words)
        .map(Towards::Landmark)
}

fn sheet(top: &mut Section<'_>, notes: &mut Notes) -> SheetOptions {
    let mut options = SheetOptions::default();
    let Some(mut section) = top.section(notes, "sheet") else {
        return options;
    };
    if let Some(paper) = section.text(notes, "paper") {
        match paper.value.parse::<Paper>() {
            Ok(known) => options.paper = known,
            Err(why) => notes.add(
                &paper.span,
                why.to_string(),
                "lengths without a unit are millimetres there",
            ),
        }
    }
    let orientations = [
        ("fewest", Orientation::Fewest),
        ("portrait", Orientation::Portrait),
        ("landscape", Orientation::Landscape),
    ];
    if let Some(orientation) = section.word(notes, "orientation", &orientations) {
        options.orientation = orientation;
    }
    if let Some(margin) = section.length(notes, "margin", (0.0, 50.0)) {
        options.margin_mm = margin.value;
    }
    if let Some(overlap) = section.length(notes, "overlap", (8.0, 40.0)) {
        options.overlap_mm = overlap.value;
    }
    if let Some(turn) = section.flag(notes, "turn_pieces") {
        options.turn_pieces = turn;
    }
    section.finish(notes);
    options
}
