//! What can't be used gets one clear sentence, exit code 1 (2 for the command line) and nothing on
//! the disk. Run on the built binary, as a person would.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

#[path = "bad_input/desk.rs"]
mod desk;

use std::{fmt::Write, fs};

use desk::{DRAFT, Desk, crown, edited, good_fitting, obj, refused, scan};

#[test]
fn the_good_fitting_is_not_refused() {
    let desk = Desk::new();
    let output = desk.run(&DRAFT);
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(matches!(output.status.code(), Some(0 | 3)), "{told}");
    assert!(desk.path("out/pattern.json").is_file(), "{told}");
}

#[test]
fn fittings_that_are_none() {
    let missing = ["draft", "nowhere.toml", "--out", "out"];
    refused(
        "missing",
        |_| {},
        &missing,
        1,
        "can't read the fitting nowhere.toml: ",
    );
    let folder = ["draft", ".", "--out", "out"];
    refused("a folder", |_| {}, &folder, 1, "can't read the fitting .: ");
    let bytes = |desk: &Desk| desk.put("fitting.toml", [0xff, 0xfe, 0, 1]);
    refused("bytes", bytes, &DRAFT, 1, "fitting.toml is not a text file");
    let large = |desk: &Desk| desk.put("fitting.toml", vec![b'#'; 9 << 20]);
    refused(
        "large",
        large,
        &DRAFT,
        1,
        "too large for a fitting; is it a scan?",
    );
    let empty = |desk: &Desk| desk.put("fitting.toml", "");
    refused(
        "empty",
        empty,
        &DRAFT,
        1,
        "line 1: the file lacks `fitting`",
    );
    let deep = |desk: &Desk| desk.put("fitting.toml", format!("a = {}", "[".repeat(100_000)));
    refused("deep", deep, &DRAFT, 1, "line 1: this is not TOML");
}

#[test]
fn keys_and_numbers_that_are_wrong() {
    edited(
        "units =",
        "unit =",
        "line 3: `unit` is not a known key of the file; did you mean `units`?",
    );
    edited(
        "\"mm\"",
        "\"metric\"",
        "line 3: `units` is \"metric\"; it takes \"mm\", \"in\"",
    );
    edited("\"0042\"", "\"J. Doe\"", "never a name");
    edited("front = [", "front = [1e999, ", "a point of `front` ");
    edited(
        "[landmarks]\n",
        "[landmarks]\nchin = [0, 0, 0]\n",
        "line 9: `chin` is not a known key of [landmarks]",
    );
    edited(
        "[perimeter]",
        "[tape]\ngirth = 22.5\n[perimeter]",
        "`girth` is 22.5 mm; it lies between 400 mm and 760 mm; if it was read in inches, write \"22.5in\"",
    );
    edited(
        "\"even:4\"",
        "\"even:-4\"",
        "`layout` is \"even:-4\"; it takes",
    );
    edited(
        "[darts]",
        "[material]\nname = \"felt\"\n[darts]",
        "material \"felt\" is not in the table",
    );
    edited("[darts]", "[sheet]\npaper = \"napkin\"\n[darts]", "napkin");
}

#[test]
fn scans_that_are_none() {
    edited("mold.obj", "gone.obj", "gone.obj");
    scan("empty.obj", "", "empty.obj");
    scan("empty.stl", "", "empty.stl");
    scan("prose.obj", "Dear Sir or Madam,\n", "prose.obj");
    scan("mold.doc", "x", "mold.doc");
    scan("points.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n", "points.obj");
    let mut cut_off = vec![b' '; 80];
    cut_off.extend(1000_u32.to_le_bytes());
    cut_off.extend([0; 60]);
    scan("cut_off.stl", cut_off, "cut_off.stl");
    let boast = "ply\nformat ascii 1.0\nelement vertex 4000000000\nproperty float x\nproperty float y\n\
                 property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n";
    scan("boast.ply", boast, "boast.ply");
    scan("nan.obj", obj(1.0).replacen("v ", "v nan ", 1), "nan.obj");
    scan(
        "tiny.obj",
        "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n",
        "tiny.obj",
    );
    let two = obj(1.0) + &obj(1.0).replace("v ", "v 99");
    scan("two.obj", two, "two.obj");
}

#[test]
fn units_that_make_no_head() {
    edited(
        "scan = \"mold.obj\"",
        "scan = \"mold.obj\"\nscan_units = \"m\"",
        "a head has 450 to 700 mm",
    );
    let prepare = |desk: &Desk| {
        desk.put("mold.obj", obj(7.0));
    };
    refused("seven times", prepare, &DRAFT, 1, "mold.obj");
}

#[test]
fn places_that_are_not_on_the_head() {
    edited("front = [0.000, ", "front = [0.000, 9", "front");
    let swapped = |desk: &Desk| {
        // The form has no face: only a given crown can tell top from bottom on it.
        let given = format!("[landmarks]\ncrown = {}\n", crown());
        let text = good_fitting().replace("[landmarks]\n", &given);
        let text = text
            .replace("left_ear", "middle_ear")
            .replace("right_ear", "left_ear");
        desk.put("fitting.toml", text.replace("middle_ear", "right_ear"));
    };
    refused("swapped ears", swapped, &DRAFT, 1, "ear");
    let crossing = |desk: &Desk| {
        let text = good_fitting();
        let (front, list) = text.split_once("points = [").unwrap();
        let (list, rest) = list.split_once("]]").unwrap();
        let mut points: Vec<_> = list.split("], ").collect();
        points.swap(20, 60);
        let list = points.join("], ");
        desk.put("fitting.toml", format!("{front}points = [{list}]]{rest}"));
    };
    refused("crossing", crossing, &DRAFT, 1, "cross");
    edited(
        "[darts]",
        "[[opening]]\npoints = [[0, 0, 900], [10, 0, 900], [0, 10, 900]]\n[darts]",
        "opening",
    );
}

#[test]
fn darts_that_can_not_be_cut() {
    let long = "[[dart]]\nfrom = \"nape\"\nalong = 650\ndepth = 290\nturned = 80\n[[dart]]\nfrom = \"nape\"\nalong = 640\ndepth = 290\nturned = -80\n";
    edited("[darts]\nlayout = \"even:4\"\n", long, "leaves the base");
    edited(
        "[darts]\nlayout = \"even:4\"\n",
        "[[dart]]\nfrom = \"opening:1\"\ndepth = 40\n",
        "this dart starts on opening 1",
    );
}

#[test]
fn output_folders_that_can_not_be_written() {
    let taken = |desk: &Desk| fs::create_dir(desk.path("out")).unwrap();
    refused(
        "taken",
        taken,
        &DRAFT,
        1,
        "out exists already; name another folder with --out, or add --replace",
    );
    let replace = ["draft", "fitting.toml", "--out", ".", "--replace"];
    refused(
        "here",
        |_| {},
        &replace,
        1,
        "is no name for an output folder",
    );
    let stranger = |desk: &Desk| {
        fs::create_dir(desk.path("out")).unwrap();
        desk.put("out/thesis.doc", "years of work");
    };
    let replace = ["draft", "fitting.toml", "--out", "out", "--replace"];
    refused(
        "a stranger's file",
        stranger,
        &replace,
        1,
        "which this program did not write",
    );
    let file = |desk: &Desk| desk.put("out", "");
    refused(
        "a file",
        file,
        &replace,
        1,
        "out exists and is not a folder",
    );
    let nowhere = ["draft", "fitting.toml", "--out", "no/such/place"];
    refused("nowhere", |_| {}, &nowhere, 1, "there is no folder no/such");
}

#[test]
fn command_lines_that_are_wrong() {
    for args in [
        &["drafft", "fitting.toml"][..],
        &["draft"][..],
        &["draft", "fitting.toml", "--colour"][..],
        &["draft", "fitting.toml", "--threads", "0"][..],
        &["--out", "out"][..],
    ] {
        refused("usage", |_| {}, args, 2, "error: ");
    }
}

#[test]
fn tables_that_are_wrong() {
    edited("fitting = 1", "fitting = 2", "this program reads version 1");
    edited(
        "client =",
        "client = \"7\"\nclient =",
        "line 3: this is not TOML",
    );
    edited(
        "[mold]",
        "date = \"\"\n[mold]",
        "it takes a date such as 2026-03-01",
    );
    edited("\"mold.obj\"", "\"\"", "`scan` is empty");
    edited("scan = ", "offset = 90\nscan = ", "`offset` is 90");
    edited(
        "nape = [",
        "nap = [",
        "[landmarks] lacks `nape`; give the centre of the nape hairline",
    );
    edited("front = [", "front = [nan, ", "a point of `front`");
    edited(
        "[darts]",
        "[[opening]]\npoints = [[0, 0, 1], [1, 0, 1]]\n[darts]",
        "it takes at least 3",
    );
    edited(
        "[darts]",
        "[[keep_clear]]\ncentre = [0, 0, 100]\nradius = 900\n[darts]",
        "`radius` is 900",
    );
    edited(
        "[darts]",
        "[tape]\ngirth = \"about 22\"\n[darts]",
        "`girth`",
    );
    edited(
        "[darts]",
        "[allowance]\nfront = -5\n[darts]",
        "`front` is -5",
    );
    edited(
        "[darts]",
        "[material]\nlimit = 3\n[darts]",
        "write 0.03 for 3 %",
    );
    edited("[darts]\n", "[darts]\nmost = 1e300\n", "`most` is ");
    edited(
        "[darts]\nlayout = \"even:4\"\n",
        "[[dart]]\nfrom = \"chin\"\ndepth = 40\n",
        "`from` is \"chin\"; it takes \"front\"",
    );
    edited(
        "[darts]\nlayout = \"even:4\"\n",
        "[[dart]]\nfrom = \"nape\"\ndepth = nan\n",
        "`depth` is",
    );
}

#[test]
fn a_head_from_no_readings() {
    let text = "fitting = 1\nclient = \"7\"\nunits = \"mm\"\n[tape]\n";
    let prepare = |desk: &Desk| desk.put("fitting.toml", text);
    let sentence = "line 4: [tape] holds no reading";
    refused("no readings", prepare, &DRAFT, 1, sentence);
}

#[test]
fn scans_that_lie_about_themselves() {
    scan(
        "beyond.obj",
        "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n",
        "beyond.obj",
    );
    scan(
        "huge.obj",
        obj(1.0).replacen("v ", "v 1e300 ", 1),
        "huge.obj",
    );
    let list = "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\n\
                property float z\nelement face 1\nproperty list int int vertex_indices\nend_header\n\
                0 0 0\n1 0 0\n0 1 0\n-3 0 1 2\n";
    scan("negative.ply", list, "negative.ply");
    scan("headless.ply", "ply\nformat ascii 1.0\n", "headless.ply");
    let mut glb = b"glTF".to_vec();
    for word in [2_u32, u32::MAX, u32::MAX, 0x4E4F_534A] {
        glb.extend(word.to_le_bytes());
    }
    scan("boast.glb", glb, "boast.glb");
    scan(
        "picture.obj",
        b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR",
        "picture.obj",
    );
    scan(
        "open.stl",
        "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0",
        "open.stl",
    );
    let folder = |desk: &Desk| {
        fs::create_dir(desk.path("folder.obj")).unwrap();
        desk.edit("mold.obj", "folder.obj");
    };
    refused("a folder", folder, &DRAFT, 1, "it is not a regular file");
}

#[cfg(unix)]
#[test]
fn what_has_no_end_is_not_read() {
    let link = |desk: &Desk, name: &str| {
        std::os::unix::fs::symlink("/dev/zero", desk.path(name)).unwrap();
    };
    let endless = |desk: &Desk| {
        link(desk, "endless.obj");
        desk.edit("mold.obj", "endless.obj");
    };
    refused("a scan", endless, &DRAFT, 1, "it is not a regular file");
    let args = ["draft", "endless.toml"];
    let prepare = |desk: &Desk| link(desk, "endless.toml");
    refused("a fitting", prepare, &args, 1, "it is not a regular file");
    let args = ["sheets", "endless.json"];
    let prepare = |desk: &Desk| link(desk, "endless.json");
    refused("a record", prepare, &args, 1, "it is not a regular file");
}

#[test]
fn records_that_are_none() {
    const SHEETS: [&str; 4] = ["sheets", "pattern.json", "--out", "again"];
    let put = |bytes: &[u8], sentence: &str| {
        let prepare = |desk: &Desk| desk.put("pattern.json", bytes);
        refused(sentence, prepare, &SHEETS, 1, sentence);
    };
    refused("missing", |_| {}, &SHEETS, 1, "pattern.json: ");
    put(b"", "is no pattern.json of a draft: EOF");
    put(
        b"{\"format\": 1}",
        "is no pattern.json of a draft: missing field",
    );
    put(&[0xff, 0xfe], "is no text file");
    put(
        &[b'['; 200_000],
        "is no pattern.json of a draft: invalid type",
    );

    let good = include_str!("fuzz/seeds/pattern.json");
    let other = |from: &str, to: &str, sentence: &str| {
        assert!(good.contains(from), "{from}");
        put(good.replacen(from, to, 1).as_bytes(), sentence);
    };
    other(
        "\"format\":1,",
        "\"format\":9,",
        "has format 9; this version prints format 1",
    );
    other(
        "\"paper\":\"letter\",\"orientation\"",
        "\"paper\":\"napkin\",\"orientation\"",
        "napkin",
    );
    other("\"margin_mm\":", "\"margin_mm\":-1e9, \"x\":", "margin");
    other("\"overlap_mm\":", "\"overlap_mm\":1e300, \"x\":", "overlap");
    other(
        "\"cut_line_mm\":[[",
        "\"cut_line_mm\":[[1e12,0],[",
        "`cut_line_mm` holds 1000000000000.0, and at most 10000 can be",
    );
}

#[test]
fn other_commands_refuse_in_the_same_way() {
    for command in ["compare", "measure"] {
        let args = [command, "nowhere.toml", "--out", "out"];
        refused(
            command,
            |_| {},
            &args,
            1,
            "can't read the fitting nowhere.toml: ",
        );
    }
    let taken = |desk: &Desk| fs::create_dir(desk.path("out")).unwrap();
    for args in [
        &["compare", "fitting.toml", "--out", "out"][..],
        &["measure", "fitting.toml", "--out", "out"],
        &["demo", "--out", "out"],
        &["measuring-sheet", "--out", "out"],
    ] {
        refused(
            args[0],
            taken,
            args,
            1,
            "out exists already; name another folder",
        );
    }
    for args in [
        &["compare", "fitting.toml", "--layout", "even:0"][..],
        &["compare", "fitting.toml", "--layout", "odd:3"],
        &["sheets", "pattern.json", "--paper", "napkin"],
        &["sheets", "pattern.json", "--overlap", "12"],
        &["sheets", "pattern.json", "--measured", "50x50"],
    ] {
        refused("usage", |_| {}, args, 2, "error: ");
    }
}

#[test]
fn a_refusal_is_json_when_asked() {
    let desk = Desk::new();
    let output = desk.run(&["draft", "nowhere.toml", "--json"]);
    assert_eq!(output.status.code(), Some(1));
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(told["error"].as_str().unwrap().contains("nowhere.toml"));
}

/// A small good record with one piece of text put for another.
fn record_with(from: &str, to: &str) -> String {
    let good = include_str!("fuzz/seeds/pattern.json");
    assert!(good.contains(from), "{from}");
    good.replacen(from, to, 1)
}

#[test]
fn earlier_patterns_whose_layout_can_not_be_kept() {
    const LIKE: [&str; 6] = [
        "draft",
        "fitting.toml",
        "--like",
        "earlier.json",
        "--out",
        "out",
    ];
    let like = |text: &str, sentence: &str| {
        let prepare = |desk: &Desk| desk.put("earlier.json", text);
        refused(sentence, prepare, &LIKE, 1, sentence);
    };
    refused("missing", |_| {}, &LIKE, 1, "earlier.json: ");
    let folder = |desk: &Desk| fs::create_dir(desk.path("earlier.json")).unwrap();
    refused("a folder", folder, &LIKE, 1, "earlier.json: ");
    like("", "earlier.json: is no pattern.json of a draft");
    like(
        &good_fitting(),
        "earlier.json: is no pattern.json of a draft",
    );
    let format = record_with("\"format\":1,", "\"format\":2,");
    like(&format, "has format 2; this version prints format 1");
    let chin = record_with("\"from\":\"nape\"", "\"from\":\"chin\"");
    like(&chin, "D1 of the earlier pattern counts from \"chin\"");
    let point = record_with(
        "\"towards\":\"crown\"",
        "\"towards\":{\"point_mm\":[0,0,90]}",
    );
    like(&point, "D1 of the earlier pattern is placed by points");
    let opening = record_with("\"from\":\"nape\"", "\"from\":\"opening:3\"");
    like(
        &opening,
        "the earlier layout can't be kept on this mold: dart D1 starts on opening 3",
    );
    let off = record_with("\"along_mm\":-118.6253", "\"along_mm\":-9000");
    like(
        &off,
        "the earlier layout can't be kept on this mold: dart D1: its mouth lies",
    );
    let deep = record_with("\"depth_mm\":121.5502", "\"depth_mm\":900");
    like(
        &deep,
        "the earlier layout can't be kept on this mold: dart D1 leaves the base",
    );
    let none = record_with("\"depth_mm\":121.5502", "\"depth_mm\":-5");
    like(
        &none,
        "the earlier layout can't be kept on this mold: dart D1",
    );
}

#[test]
fn stock_that_nobody_sells() {
    let stock = |keys: &str, sentence: &str| {
        edited("[darts]", &format!("[material]\n{keys}\n[darts]"), sentence);
    };
    stock(
        "width = 0",
        "`width` is 0 mm; it lies between 50 mm and 5000 mm",
    );
    stock("width = -600", "`width` is -600 mm");
    stock("width = \"wide\"", "`width`");
    stock("width = 1e300", "`width` is");
    stock("width = inf", "`width` is");
    stock("width = 600\nlength = 5", "`length` is 5 mm");
    stock("length = 900", "`length` of the stock without its `width`");
    stock(
        "breadth = 600",
        "`breadth` is not a known key of [material]",
    );
    stock(
        "name = \"felt\"\nwidth = 600",
        "material \"felt\" is not in the table",
    );
}

#[test]
fn hair_that_nobody_wears() {
    let hair = |keys: &str, sentence: &str| {
        edited("[darts]", &format!("[hair]\n{keys}\n[darts]"), sentence);
    };
    hair("length = 150", "[hair] lacks `density`");
    hair("density = 75", "[hair] lacks `length`");
    hair("density = 0\nlength = 150", "`density` is 0");
    hair("density = 1e9\nlength = 150", "`density` is 1000000000");
    hair("density = nan\nlength = 150", "`density` is");
    hair("density = \"thick\"\nlength = 150", "`density`");
    hair("density = 75\nlength = 1", "`length` is 1 mm");
    hair("density = 75\nlength = 150\nfold = -1", "`fold` is -1 mm");
    hair(
        "density = 75\nlength = 150\nthickness = 5",
        "`thickness` is 5 mm",
    );
    hair("density = 75\nlength = 150\nfront = -1", "`front` is -1");
    hair(
        "density = 75\nlength = 150\ncolour = \"red\"",
        "`colour` is not a known key of [hair]",
    );
}

#[test]
fn lines_that_are_not_there() {
    edited(
        "from = \"points\"\npoints = ",
        "from = \"pen\"\n# ",
        "the scan has no colours",
    );
    let clock = "from = \"clock\"\nclock = [90, 90, 90]\n# ";
    edited("from = \"points\"\npoints = ", clock, "`clock`");
    let far = "from = \"clock\"\nclock = [990, 90, 90, 90, 90, 90, 90, 90, 90, 90, 90, 90]\n# ";
    edited("from = \"points\"\npoints = ", far, "`clock`");
    let args = ["trace", "mold.obj", "--out", "out"];
    refused("no colours", |_| {}, &args, 1, "the scan has no colours");
    let args = ["trace", "nowhere.glb", "--out", "out"];
    refused("no scan", |_| {}, &args, 1, "nowhere.glb");
}

#[test]
fn more_than_a_machine_can_do() {
    edited("[darts]\n", "[darts]\nmost = 4000\n", "`most` is 4000");
    edited("\"even:4\"", "\"even:4000\"", "`layout` is \"even:4000\"");
    edited("[darts]", "[sheet]\npaper = \"1x1\"\n[darts]", "paper");
    edited(
        "[darts]",
        "[sheet]\nmargin = 300\n[darts]",
        "`margin` is 300",
    );
    edited("[darts]", "[sheet]\noverlap = 0\n[darts]", "`overlap` is 0");
    let args = ["draft", "fitting.toml", "--threads", "1000000"];
    refused("threads", |_| {}, &args, 2, "error: ");
    // Files of a few hundred bytes that claim billions.
    let mut stl = vec![b' '; 80];
    stl.extend(u32::MAX.to_le_bytes());
    scan("claim.stl", stl, "claim.stl");
    let ply = "ply\nformat binary_little_endian 1.0\nelement vertex 4294967295\nproperty float x\n\
               property float y\nproperty float z\nelement face 4294967295\n\
               property list uint uint vertex_indices\nend_header\n";
    scan("claim.ply", ply, "claim.ply");
    let json = r#"{"asset":{"version":"2.0"},"scene":0,"scenes":[{"nodes":[0]}],"nodes":[{"mesh":0}],
        "meshes":[{"primitives":[{"attributes":{"POSITION":0},"indices":1}]}],"buffers":[{"byteLength":12}],
        "bufferViews":[{"buffer":0,"byteLength":12}],
        "accessors":[{"bufferView":0,"componentType":5126,"count":4000000000,"type":"VEC3",
        "min":[0,0,0],"max":[1,1,1]},{"bufferView":0,"componentType":5125,"count":4000000000,"type":"SCALAR"}]}"#;
    let mut glb = b"glTF".to_vec();
    let padded = format!("{json:<width$}", width = json.len().next_multiple_of(4));
    let chunk = |bytes: &[u8], kind: u32| {
        let mut out = u32::try_from(bytes.len()).unwrap().to_le_bytes().to_vec();
        out.extend(kind.to_le_bytes());
        out.extend(bytes);
        out
    };
    let body = [
        chunk(padded.as_bytes(), 0x4E4F_534A),
        chunk(&[0; 12], 0x004E_4942),
    ]
    .concat();
    glb.extend(2_u32.to_le_bytes());
    glb.extend(u32::try_from(12 + body.len()).unwrap().to_le_bytes());
    glb.extend(body);
    scan("claim.glb", glb, "claim.glb");
}

/// Runs a draft of a fitting that can be used, and gives what it said on both streams.
fn drafted(desk: &Desk, args: &[&str]) -> (Vec<String>, Vec<String>) {
    let output = desk.run(args);
    let lines = |bytes: &[u8]| -> Vec<String> {
        let text = String::from_utf8_lossy(bytes);
        text.lines().map(str::to_owned).collect()
    };
    let (told, beware) = (lines(&output.stdout), lines(&output.stderr));
    assert!(
        matches!(output.status.code(), Some(0 | 3)),
        "{:?} {beware:?}",
        output.status
    );
    (told, beware)
}

/// No list of notes or warnings is longer than this, whatever a file gives cause for.
const MOST_LINES: usize = 40;

#[test]
fn a_scan_of_many_names_is_read_quickly_and_told_in_few_lines() {
    let desk = Desk::new();
    let mut text = String::new();
    for k in 0..300 {
        let _ = writeln!(text, "mtllib none{k}.mtl");
    }
    // Every triangle wears a material of its own, and most files name pictures that are not there.
    let mut number = 0;
    for line in obj(1.0).lines() {
        if let Some(corners) = line.strip_prefix("f ") {
            let [a, b, c]: [&str; 3] = corners.split(' ').collect::<Vec<_>>().try_into().unwrap();
            for _ in 0..20 {
                let _ = writeln!(text, "usemtl material {number}");
                number += 1;
            }
            let _ = writeln!(text, "f {a}/1 {b}/1 {c}/1");
        } else {
            let _ = writeln!(text, "{line}");
        }
    }
    text.push_str("vt 0 0\n");
    let mut materials = String::new();
    for k in 0..9000 {
        let _ = writeln!(materials, "newmtl material {k}\nmap_Kd gone{k}.png");
    }
    desk.put("none0.mtl", materials);
    desk.put("mold.obj", text);
    let (told, beware) = drafted(&desk, &DRAFT);
    let all = told.len() + beware.len();
    assert!(all < MOST_LINES, "{all} lines: {told:#?} {beware:#?}");
    let more = told
        .iter()
        .any(|line| line.contains("more of the scan's notes"));
    assert!(more, "{told:#?}");
}

#[test]
fn a_scan_full_of_faults_is_told_in_counts() {
    let desk = Desk::new();
    let text = obj(1.0);
    // Each triangle thrice, once the wrong way round, and as many needles and doubled corners.
    let faces: Vec<&str> = text.lines().filter(|line| line.starts_with("f ")).collect();
    let mut spoiled = text.clone();
    for face in &faces {
        let [a, b, c]: [&str; 3] = face[2..].split(' ').collect::<Vec<_>>().try_into().unwrap();
        let _ = writeln!(spoiled, "f {c} {b} {a}\nf {a} {b} {b}\nf {a} {b} {c}");
    }
    desk.put("mold.obj", spoiled);
    let (told, beware) = drafted(&desk, &DRAFT);
    let all = told.len() + beware.len();
    assert!(all < MOST_LINES, "{all} lines: {told:#?} {beware:#?}");
}

#[test]
fn many_broken_rules_are_told_worst_first_and_counted() {
    let desk = Desk::new();
    // Thirteen short darts, eighteen millimetres apart, where twenty-two are usual.
    let mut darts = String::new();
    for k in -6..=6 {
        let along = 18 * k;
        let _ = writeln!(
            darts,
            "[[dart]]\nfrom = \"nape\"\nalong = {along}\ndepth = 25"
        );
    }
    desk.edit("[darts]\nlayout = \"even:4\"\n", &darts);
    let (told, beware) = drafted(&desk, &DRAFT);
    let all = told.len() + beware.len();
    assert!(all < MOST_LINES, "{all} lines: {told:#?} {beware:#?}");
    let more = "more places keep less than the usual distance between mouths";
    assert!(beware.iter().any(|line| line.contains(more)), "{beware:#?}");
    // What forbids to cut comes first, a rule of the craft last.
    let place = |words: &str| beware.iter().position(|line| line.contains(words));
    let strain = place("the material takes").unwrap();
    assert!(strain < place(more).unwrap(), "{beware:#?}");
    // The same on paper and in the record.
    let record = fs::read_to_string(desk.path("out/pattern.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    assert!(record["warnings"].as_array().unwrap().len() < MOST_LINES);
}

#[test]
fn a_base_that_can_not_be_laid_to_rest_says_so() {
    use std::f64::consts::{FRAC_PI_2, PI, TAU};
    // A bag closed under the neck to next to nothing and no dart: the descent finds no rest.
    let (positions, faces) = fixtures::head(3);
    let mut mold = String::new();
    for [x, y, z] in positions {
        let _ = writeln!(mold, "v {x} {y} {z}");
    }
    for [a, b, c] in faces {
        let _ = writeln!(mold, "f {} {} {}", a + 1, b + 1, c + 1);
    }
    let at = |bearing: f64, elevation: f64| {
        let (sin, cos) = elevation.sin_cos();
        let (x, y) = (-bearing.sin() * cos, bearing.cos() * cos);
        let slim = if sin < 0.0 {
            1.0 - 0.25 * sin * sin
        } else {
            1.0
        };
        let (back, down) = if sin < 0.0 {
            (15.0, 190.0)
        } else {
            (0.0, 105.0)
        };
        format!(
            "[{:.3}, {:.3}, {:.3}]",
            77.0 * x * slim,
            100.0 * y * slim - back * sin * sin,
            down * sin
        )
    };
    let ring: Vec<String> = (0..40)
        .map(|k| at(TAU * f64::from(k) / 40.0, -1.54))
        .collect();
    let fitting = format!(
        "fitting = 1\nclient = \"0042\"\n[mold]\nscan = \"mold.obj\"\n[landmarks]\nfront = {}\n\
         nape = {}\nleft_ear = {}\nright_ear = {}\ncrown = {}\n[perimeter]\nfrom = \"points\"\n\
         points = [{}]\n[darts]\nlayout = \"none\"\n",
        at(0.0, 0.3),
        at(PI, 0.0),
        at(FRAC_PI_2, 0.05),
        at(-FRAC_PI_2, 0.05),
        at(0.0, FRAC_PI_2),
        ring.join(", ")
    );
    let desk = Desk::new();
    desk.put("mold.obj", mold);
    desk.put("fitting.toml", fitting);
    let output = desk.run(&DRAFT);
    let told = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{told}");
    let words = "could not be laid to rest in ";
    assert!(told.contains(words), "{told}");
    // On paper and in the record as well.
    let record = fs::read_to_string(desk.path("out/pattern.json")).unwrap();
    let report = fs::read_to_string(desk.path("out/report.html")).unwrap();
    assert!(record.contains(words) && report.contains(words));
}
