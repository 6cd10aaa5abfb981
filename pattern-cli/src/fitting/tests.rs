//! Every key, right and wrong.

use std::path::Path;

use flatten::tape::TapePath;

use super::*;

const WHOLE: &str = r#"
fitting = 1
client = "0042"
date = 2026-03-01
units = "in"

[mold]
scan = "mold.ply"
scan_units = "mm"
offset = "1/16"

[landmarks]
front = [0, 96.0, 31.0]
nape = [0.0, -88.0, -52.0]
left_ear = [-76.0, 4.0, -8.0]
right_ear = [76.0, 4.0, -8.0]
crown = [0, 0, 120]

[perimeter]
from = "points"
points = [[0, 96, 31], [60, 60, 20], [76, 4, -8], [0, -88, -52], [-76, 4, -8], [-60, 60, 20]]

[[opening]]
points = [[-30, 40, 100], [-20, 40, 100], [-20, -20, 115]]

[[keep_clear]]
centre = [20, 0, 118]
radius = "20mm"
reason = "scar"

[tape]
girth = "22 1/2"
front_to_nape = 14.25

[material]
name = "stretch net"
limit = 0.05
crowding = 2
grain = "across"
width = 60
length = "1200mm"

[hair]
density = 75
length = 6
thickness = "0.08mm"
front = 50

[allowance]
front = "20mm"
dart = 0.25

[[dart]]
from = "nape"
along = 1.5
depth = 3.5
towards = "crown"

[[dart]]
from = "opening:1"
depth = "40mm"
turned = -10

[[seam]]
through = [[0, 96, 31], [0, 0, 120], [0, -88, -52]]

[sheet]
paper = "a4"
overlap = "15mm"
"#;

fn parse(text: &str) -> Result<Fitting, String> {
    Fitting::parse(Path::new("fitting.toml"), text).map_err(|error| error.to_string())
}

/// The first sentence about the whole fitting with one piece of text put for another.
fn refusal(from: &str, to: &str) -> String {
    assert!(WHOLE.contains(from), "{from}");
    parse(&WHOLE.replacen(from, to, 1)).expect_err(to)
}

#[test]
fn a_whole_fitting_is_read_with_its_units() {
    let fitting = parse(WHOLE).unwrap();
    assert_eq!(fitting.client, "0042");
    assert_eq!(fitting.date.as_deref(), Some("2026-03-01"));
    assert!(fitting.confirmed);
    assert!((fitting.mold.offset_mm - 25.4 / 16.0).abs() < 1e-12);
    assert_eq!(
        Vec::from_iter(fitting.tape),
        [
            (TapePath::Girth, 571.5),
            (TapePath::FrontToNape, 14.25 * 25.4)
        ]
    );
    assert!((fitting.keep_clear[0].radius_mm - 20.0).abs() < 1e-12);
    assert_eq!(fitting.material.name, "stretch net");
    assert!((fitting.material.limit - 0.05).abs() < 1e-12);
    let stock = fitting.stock.unwrap();
    assert!((stock.width_mm - 1524.0).abs() < 1e-9 && stock.length_mm == Some(1200.0));
    let hair = fitting.hair.unwrap();
    assert!(
        (hair.plan.length_mm - 152.4).abs() < 1e-9 && (hair.plan.return_mm - 25.0).abs() < 1e-9
    );
    assert_eq!(hair.zones, [Some(50.0), None, None, None]);
    assert!((fitting.allowance.front_mm - 20.0).abs() < 1e-12);
    assert!((fitting.allowance.dart_mm - 6.35).abs() < 1e-12);
    assert!((fitting.allowance.seam_mm - 8.0).abs() < 1e-12);
    let Darts::Given { darts, seams } = &fitting.darts else {
        panic!("{:?}", fitting.darts);
    };
    assert!((darts[0].along_mm - 38.1).abs() < 1e-12);
    assert_eq!(darts[0].towards, Towards::Landmark(Landmark::Crown));
    assert_eq!(darts[1].from, flatten::dart::Anchor::Opening(0));
    assert_eq!(darts[1].towards, Towards::Turned((-10_f64).to_radians()));
    assert_eq!(seams[0].len(), 3);
    assert_eq!(fitting.sheet.paper, flatten::sheet::Paper::A4);
    assert_eq!(fitting.grain, flatten::piece::Grain::Across);
    assert!((fitting.sheet.overlap_mm - 15.0).abs() < 1e-12);
}

#[test]
fn a_fitting_without_a_scan_needs_readings_only() {
    let fitting = parse("fitting = 1\nclient = 7\n[tape]\ngirth = 571").unwrap();
    assert_eq!(fitting.perimeter, Perimeter::Form);
    assert_eq!(fitting.darts, Darts::Auto(8));
    let sentence = parse("fitting = 1\nclient = 7").expect_err("no head at all");
    assert!(
        sentence.contains("name a scan, or give tape readings"),
        "{sentence}"
    );
}

#[test]
fn what_is_wrong_is_said_with_line_and_remedy() {
    let cases = [
        (
            "units = \"in\"",
            "unit = \"in\"",
            "line 5: `unit` is not a known key of the file; did you mean `units`?",
        ),
        (
            "units = \"in\"",
            "units = \"inch\"",
            "line 5: `units` is \"inch\"; it takes \"mm\", \"in\"",
        ),
        (
            "fitting = 1",
            "fitting = 2",
            "line 2: `fitting` is the number 2; this program reads version 1",
        ),
        (
            "\"0042\"",
            "\"Jane Doe\"",
            "line 3: `client` is the text \"Jane Doe\"; it is printed on every sheet",
        ),
        (
            "[mold]",
            "[mould]",
            "`mould` is not a known section of the file; did you mean `mold`?",
        ),
        (
            "scan_units = \"mm\"",
            "scan_units = mm",
            "line 9: this is not TOML",
        ),
        (
            "offset = \"1/16\"",
            "offset = \"3 in thick\"",
            "line 10: `offset`: ",
        ),
        (
            "offset = \"1/16\"",
            "offset = 4",
            "`offset` is 4 in; it lies between",
        ),
        (
            "[0, 96.0, 31.0]",
            "[0, 96.0, nan]",
            "a point of `front` holds something that is not a number",
        ),
        (
            "[0, 96.0, 31.0]",
            "[0, 96.0]",
            "a point of `front` is a list of 2; a point is three numbers",
        ),
        (
            "front = [0, 96.0, 31.0]",
            "",
            "[landmarks] lacks `front`; give the centre of the front hairline",
        ),
        (
            "[-76.0, 4.0, -8.0]",
            "[76.0, 4.0, -8.0]",
            "two landmarks are one point",
        ),
        (
            "from = \"points\"",
            "from = \"pencil\"",
            "`from` is \"pencil\"; it takes \"points\", \"pen\", \"clock\"",
        ),
        (
            "from = \"points\"",
            "from = \"clock\"",
            "[perimeter] lacks `clock`; give twelve lengths",
        ),
        (
            "radius = \"20mm\"",
            "radius = -20",
            "`radius` is -20 in; it lies between",
        ),
        (
            "\"22 1/2\"",
            "571",
            "`girth` is 571 in; it lies between 15.748 in and 29.921 in; if it was read in millimetres, write \"571mm\"",
        ),
        (
            "\"22 1/2\"",
            "true",
            "`girth` is true; a length is a number in the file's units",
        ),
        (
            "\"stretch net\"\nlimit = 0.05",
            "\"silk\"",
            "material \"silk\" is not in the table; take one of light lace,",
        ),
        (
            "limit = 0.05",
            "limit = 5",
            "`limit` is 5, that is 500 %; it is a strain: write 0.03 for 3 %",
        ),
        (
            "front = \"20mm\"",
            "front = \"200mm\"",
            "`front` is 7.874 in; it lies between 0 in and 2.362 in",
        ),
        (
            "from = \"nape\"",
            "from = \"neck\"",
            "`from` is \"neck\"; it takes \"front\", \"nape\",",
        ),
        (
            "opening:1",
            "opening:2",
            "this dart starts on opening 2; the fitting has 1 [[opening]]s",
        ),
        ("depth = 3.5", "depth = inf", "`depth` is the number inf"),
        (
            "turned = -10",
            "turned = -10\ntowards = \"crown\"",
            "a dart has both `towards` and `turned`",
        ),
        (
            "[sheet]",
            "[darts]\nlayout = \"auto\"\n[sheet]",
            "`layout` asks for another layout",
        ),
        (
            "[sheet]",
            "[darts]\nlayout = \"even:six\"\n[sheet]",
            "`layout` is \"even:six\"; it takes \"none\", \"auto\"",
        ),
        (
            "paper = \"a4\"",
            "paper = \"napkin\"",
            "paper \"napkin\" is unknown: give letter, legal",
        ),
        (
            "[[seam]]",
            "[seam]",
            "`seam` is a section; there may be several: write [[seam]]",
        ),
    ];
    for (from, to, expected) in cases {
        let sentence = refusal(from, to);
        assert!(sentence.contains(expected), "{sentence}\nlacks\n{expected}");
    }
}

#[test]
fn a_key_given_twice_or_a_broken_line_is_told_with_its_line() {
    let twice = refusal("units = \"in\"", "units = \"in\"\nunits = \"mm\"");
    assert!(
        twice.contains("line 6: this is not TOML: duplicate key"),
        "{twice}"
    );
}

#[test]
fn all_mistakes_are_counted_and_shown() {
    let text = WHOLE
        .replace("units = \"in\"", "unit = 3")
        .replace("\"0042\"", "\"x\"");
    let Err(FittingError::Problems(problems)) = Fitting::parse(Path::new("f.toml"), &text) else {
        panic!("accepted");
    };
    assert!(problems.list().len() >= 2);
    let picture = problems.picture(false);
    assert!(
        picture.contains("unit = 3") && picture.contains("did you mean `units`"),
        "{picture}"
    );
}

#[test]
fn the_built_in_materials_can_all_be_named() {
    for stock in material::STOCK {
        let text = WHOLE
            .replace("stretch net", stock.name)
            .replace("limit = 0.05\n", "");
        let fitting = parse(&text).unwrap();
        assert!((fitting.material.limit - stock.limit).abs() < 1e-12);
    }
}

#[test]
fn a_written_fitting_reads_back() {
    let scanned = parse(WHOLE).unwrap();
    let texts = [
        "fitting = 1\nclient = 7\n[tape]\ngirth = 571\nnape = \"5 1/2in\"",
        "fitting = 1\nclient = \"4-2\"\nconfirmed = false\n[tape]\ngirth = 571\n[perimeter]\nfrom = \"clock\"\n\
         clock = [150, 150, 160, 150, 190, 200, 200, 200, 190, 150, 160, 150]\n[darts]\nlayout = \"even:4\"",
    ];
    let formed = texts.map(|text| parse(text).unwrap());
    for fitting in formed.iter().chain([&scanned]) {
        let text = fitting.to_text();
        let again = parse(&text).unwrap();
        // Once written, nothing changes any more.
        assert_eq!(again.to_text(), text);
        assert_eq!(again.perimeter, fitting.perimeter);
        assert_eq!(again.confirmed, fitting.confirmed);
        assert_eq!(again.client, fitting.client);
        for (path, mm) in &fitting.tape {
            assert!((again.tape[path] - mm).abs() < 1e-4, "{text}");
        }
    }
}
