//! A desk with a good scan and a good fitting on it, to spoil one thing at a time, and the built binary.

use std::{
    fmt::Write,
    fs,
    path::Path,
    process::{Command, Output, Stdio},
    sync::LazyLock,
    time::{Duration, Instant},
};

use flatten::{form::average_head, mesh::TriMesh};

/// A folder with a scan and a fitting that would draft.
pub(crate) struct Desk {
    home: tempfile::TempDir,
}

/// A fitting on the average head's own mesh.
pub(crate) fn good_fitting() -> String {
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

pub(crate) fn crown() -> String {
    let p = average_head().head().crown;
    format!("[{:.3}, {:.3}, {:.3}]", p.x, p.y, p.z)
}

/// The average head as an OBJ file, so many times as large.
pub(crate) fn obj(scale: f64) -> String {
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
    pub(crate) fn new() -> Self {
        let home = tempfile::tempdir().unwrap();
        fs::write(home.path().join("mold.obj"), obj(1.0)).unwrap();
        fs::write(home.path().join("fitting.toml"), good_fitting()).unwrap();
        Self { home }
    }

    pub(crate) fn path(&self, name: &str) -> std::path::PathBuf {
        self.home.path().join(name)
    }

    pub(crate) fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        fs::write(self.path(name), bytes).unwrap();
    }

    /// The good fitting with one piece of text put for another.
    pub(crate) fn edit(&self, from: &str, to: &str) {
        let text = good_fitting();
        assert!(text.contains(from), "{from}");
        self.put("fitting.toml", text.replacen(from, to, 1));
    }

    /// Runs within 2 s of processor time and 500 MB of address space, where the system can hold it
    /// to that: what needs more is ended by a signal and has no exit code. What waits for something
    /// that never comes is ended too.
    pub(crate) fn run(&self, args: &[&str]) -> Output {
        const ENDLESS: Duration = Duration::from_secs(60);
        let program = env!("CARGO_BIN_EXE_pattern-cli");
        let mut command = Command::new(if cfg!(unix) { "sh" } else { program });
        if cfg!(unix) {
            let held = "ulimit -t 2; ulimit -v 500000; exec \"$0\" \"$@\"";
            command.args(["-c", held, program]);
        }
        // Into files: a pipe that nobody empties would stop it.
        let aside = tempfile::tempdir().unwrap();
        let [out, err] = ["out", "err"].map(|name| aside.path().join(name));
        let into = |path: &Path| Stdio::from(fs::File::create(path).unwrap());
        let mut child = command
            // Every thread and every pool of memory takes address space that nobody uses.
            .env("RAYON_NUM_THREADS", "2")
            .env("MALLOC_ARENA_MAX", "2")
            .args(args)
            .current_dir(self.home.path())
            .stdin(Stdio::null())
            .stdout(into(&out))
            .stderr(into(&err))
            .spawn()
            .unwrap();
        let start = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            if start.elapsed() > ENDLESS {
                child.kill().unwrap();
                let _ = child.wait();
                panic!("{args:?} does not end");
            }
            std::thread::sleep(Duration::from_millis(2));
        };
        Output {
            status,
            stdout: fs::read(out).unwrap(),
            stderr: fs::read(err).unwrap(),
        }
    }

    pub(crate) fn listing(&self) -> Vec<String> {
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

/// Longest that a refusal may take.
const PATIENCE: Duration = Duration::from_secs(2);

/// Runs and checks code, sentence, time, silence about panics, and that the disk is as it was.
pub(crate) fn refused(
    name: &str,
    prepare: impl FnOnce(&Desk),
    args: &[&str],
    code: i32,
    sentence: &str,
) {
    let desk = Desk::new();
    prepare(&desk);
    let before = desk.listing();
    // A busy machine may take a while: the best of three tries counts.
    let mut output = None;
    let quick = (0..3).any(|_| {
        let start = Instant::now();
        output = Some(desk.run(args));
        start.elapsed() < PATIENCE
    });
    let output = output.unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{name}: {told}");
    let first = told.lines().next().unwrap_or_default();
    assert!(
        first.contains(sentence),
        "{name}: said\n  {told}\nand not\n  {sentence}"
    );
    assert!(quick, "{name} took more than {PATIENCE:?} three times");
    assert!(!told.contains("panicked"), "{name}: {told}");
    assert!(output.stdout.is_empty(), "{name}: {:?}", output.stdout);
    assert_eq!(desk.listing(), before, "{name} left something on the disk");
}

pub(crate) const DRAFT: [&str; 4] = ["draft", "fitting.toml", "--out", "out"];

/// The good fitting with one piece of text put for another is refused with a sentence.
pub(crate) fn edited(from: &str, to: &str, sentence: &str) {
    refused(to, |desk| desk.edit(from, to), &DRAFT, 1, sentence);
}

/// The good fitting with another scan is refused with a sentence.
pub(crate) fn scan(name: &str, bytes: impl AsRef<[u8]>, sentence: &str) {
    let prepare = |desk: &Desk| {
        desk.put(name, bytes);
        desk.edit("mold.obj", name);
    };
    refused(name, prepare, &DRAFT, 1, sentence);
}
