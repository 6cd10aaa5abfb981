//! What can't be used gets one clear sentence, exit code 1 (2 for the command line) and nothing on
//! the disk. Run on the built binary, as a person would.

#![allow(clippy::unwrap_used, reason = "a failed step fails the test")]

use std::{
    fmt::Write,
    fs,
    path::Path,
    process::{Command, Output},
    sync::LazyLock,
};

use flatten::{form::average_head, mesh::TriMesh};

/// A folder with a scan and a fitting that would draft.
struct Desk {
    home: tempfile::TempDir,
}

/// A fitting on the average head's own mesh; `{…}` are filled in.
fn good_fitting() -> String {
    let form = average_head();
    let head = form.head();
    let point = |p: flatten::Point3| format!("[{:.3}, {:.3}, {:.3}]", p.x, p.y, p.z);
    let list: Vec<_> = form.outline().perimeter.iter().map(|p| point(*p)).collect();
    format!(
        "fitting = 1\nclient = \"0042\"\nunits = \"mm\"\n\n[mold]\nscan = \"mold.obj\"\n\n\
         [landmarks]\nfront = {}\nnape = {}\nleft_ear = {}\nright_ear = {}\n\n\
         [perimeter]\nfrom = \"points\"\npoints = [{}]\n\n[darts]\nlayout = \"even:4\"\n",
        point(head.front),
        point(head.nape),
        point(head.left_ear),
        point(head.right_ear),
        list.join(", ")
    )
}

fn crown() -> String {
    let p = average_head().head().crown;
    format!("[{:.3}, {:.3}, {:.3}]", p.x, p.y, p.z)
}

fn obj(scale: f64) -> String {
    static MESH: LazyLock<TriMesh> = LazyLock::new(|| average_head().mesh(3000));
    let mesh = &*MESH;
    let mut out = String::new();
    for p in mesh.positions() {
        let p = p * scale;
        let _ = writeln!(out, "v {} {} {}", p.x, p.y, p.z);
    }
    for f in mesh.faces() {
        let _ = writeln!(out, "f {} {} {}", f[0] + 1, f[1] + 1, f[2] + 1);
    }
    out
}

impl Desk {
    fn new() -> Self {
        let home = tempfile::tempdir().unwrap();
        fs::write(home.path().join("mold.obj"), obj(1.0)).unwrap();
        fs::write(home.path().join("fitting.toml"), good_fitting()).unwrap();
        Self { home }
    }

    fn path(&self, name: &str) -> std::path::PathBuf {
        self.home.path().join(name)
    }

    fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        fs::write(self.path(name), bytes).unwrap();
    }

    /// The good fitting with one piece of text put for another.
    fn edit(&self, from: &str, to: &str) {
        let text = good_fitting();
        assert!(text.contains(from), "{from}");
        self.put("fitting.toml", text.replacen(from, to, 1));
    }

    /// Runs within 2 s of processor time and 500 MB of address space, where the system can hold it
    /// to that: what needs more is ended by a signal and has no exit code.
    fn run(&self, args: &[&str]) -> Output {
        let program = env!("CARGO_BIN_EXE_pattern-cli");
        let mut command = Command::new(if cfg!(unix) { "sh" } else { program });
        if cfg!(unix) {
            let held = "ulimit -t 2; ulimit -v 500000; exec \"$0\" \"$@\"";
            command.args(["-c", held, program]);
        }
        command
            // Every thread and every pool of memory takes address space that nobody uses.
            .env("RAYON_NUM_THREADS", "2")
            .env("MALLOC_ARENA_MAX", "2")
            .args(args)
            .current_dir(self.home.path())
            .output()
            .unwrap()
    }

    fn listing(&self) -> Vec<String> {
        let mut names = Vec::new();
        list(self.home.path(), &mut names);
        names.sort();
        names
    }
}

fn list(folder: &Path, names: &mut Vec<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        names.push(path.display().to_string());
        if path.is_dir() {
            list(&path, names);
        }
    }
}

/// Runs and checks code, sentence, silence about panics, and that the disk is as it was.
fn refused(name: &str, prepare: impl FnOnce(&Desk), args: &[&str], code: i32, sentence: &str) {
    let desk = Desk::new();
    prepare(&desk);
    let before = desk.listing();
    let output = desk.run(args);
    let told = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{name}: {told}");
    let first = told.lines().next().unwrap_or_default();
    assert!(
        first.contains(sentence),
        "{name}: said\n  {told}\nand not\n  {sentence}"
    );
    assert!(!told.contains("panicked"), "{name}: {told}");
    assert!(output.stdout.is_empty(), "{name}: {:?}", output.stdout);
    assert_eq!(desk.listing(), before, "{name} left something on the disk");
}

const DRAFT: [&str; 4] = ["draft", "fitting.toml", "--out", "out"];

fn edited(from: &str, to: &str, sentence: &str) {
    refused(to, |desk| desk.edit(from, to), &DRAFT, 1, sentence);
}

fn scan(name: &str, bytes: impl AsRef<[u8]>, sentence: &str) {
    let prepare = |desk: &Desk| {
        desk.put(name, bytes);
        desk.edit("mold.obj", name);
    };
    refused(name, prepare, &DRAFT, 1, sentence);
}

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
        "`girth` is 22.5 mm; it lies between 400 mm and 760 mm; if it was read in in, write \"22.5in\"",
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
