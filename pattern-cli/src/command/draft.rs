//! `draft`: a fitting to a pattern folder.

use std::{
    collections::BTreeMap,
    path::{Path, PathBuf},
    sync::Mutex,
    time::Instant,
};

use flatten::{
    draft::{self, DraftError, Pattern, Step},
    job::LayoutChoice,
};
use serde_json::json;

use crate::{
    args::Draft,
    command::sheets::read,
    fitting::Fitting,
    folder::Place,
    order::Order,
    outcome::{Done, Failure, Voice},
    progress::Progress,
    record::{Change, Record, layout_like},
    write::{
        html::{Part, Pictures, Scene, report},
        print::{drawing, print},
    },
};

/// The files of a pattern folder.
pub(super) const FILES: [&str; 4] = ["pattern.json", "pattern.svg", "sheets.pdf", "report.html"];

pub(super) fn run(draft: &Draft, voice: &Voice) -> Result<Done, Failure> {
    let fitting = Fitting::read(&draft.fitting)?;
    let out = draft
        .out
        .out
        .clone()
        .unwrap_or_else(|| beside(&draft.fitting));
    let place = place(&out, draft.out.replace, &FILES)?;
    let folder = draft.fitting.parent().unwrap_or(Path::new("."));
    let wish = Wish {
        like: draft.like.as_deref().map(read).transpose()?,
        timings: draft.timings,
    };
    drafted(&fitting, folder, &place, Vec::new(), &wish, voice)
}

/// What is wished for beside the fitting.
#[derive(Debug, Default)]
pub(super) struct Wish {
    /// An earlier pattern whose layout is kept.
    pub(super) like: Option<Record>,
    /// Whether to write down how long each step took.
    pub(super) timings: bool,
}

/// Puts an earlier pattern's layout in place of the fitting's.
fn keep_layout(order: &mut Order, fitting: &Fitting, earlier: &Record) -> Result<(), Failure> {
    let layout =
        layout_like(earlier, &order.job.head).map_err(|why| Failure::new(why.to_string()))?;
    order.notes.push(format!(
        "the layout is that of the earlier pattern ({}), whatever the fitting's [darts] says",
        layout.name
    ));
    order.job.layout = LayoutChoice::Given(layout);
    if earlier.client != fitting.client {
        order.beware.push(format!(
            "the earlier pattern is of client {}, this fitting of client {}: is it the same person?",
            earlier.client, fitting.client
        ));
    }
    Ok(())
}

/// Where a pattern goes when nobody says: beside its fitting.
fn beside(fitting: &Path) -> PathBuf {
    let mut name = fitting.file_stem().unwrap_or_default().to_owned();
    name.push("-pattern");
    fitting.with_file_name(name)
}

/// A folder to write into, refused early.
pub(super) fn place(out: &Path, replace: bool, ours: &[&str]) -> Result<Place, Failure> {
    Place::claim(out, replace, ours).map_err(|why| Failure::new(why.to_string()))
}

/// Drafts a fitting into its place; `own` are files that go along.
pub(super) fn drafted(
    fitting: &Fitting,
    folder: &Path,
    place: &Place,
    own: Vec<(&'static str, Vec<u8>)>,
    wish: &Wish,
    voice: &Voice,
) -> Result<Done, Failure> {
    let progress = Progress::start(voice.shows_progress(), "reading the mold");
    let clock = Clock::start("read");
    let mut order = Order::new(fitting, folder)?;
    if let Some(earlier) = &wish.like {
        keep_layout(&mut order, fitting, earlier)?;
    }
    let pattern = draft::draft(&order.job, &|step| {
        let (name, words) = words(step);
        progress.step(words);
        clock.next(name);
    })
    .map_err(|why| match (&wish.like, &why) {
        (Some(_), DraftError::Dart(_)) => Failure::new(format!(
            "the earlier layout can't be kept on this mold: {why}; leave out --like for a new one, or \
             list the darts in the fitting"
        )),
        _ => Failure::new(why.to_string()),
    })?;
    progress.step("drawing");
    clock.next("draw");
    let (mut record, beware) = Record::new(fitting, &order, &pattern);
    record.change = wish
        .like
        .as_ref()
        .map(|earlier| Change::between(earlier, &record));
    let scene = scene(&order, &pattern);
    let ((printed, svg), pictures) = rayon::join(
        || rayon::join(|| print(&record, &fitting.sheet), || drawing(&record)),
        || Pictures::new(&record, &scene),
    );
    let printed = printed.map_err(|why| Failure::new(why.to_string()))?;
    record.sheets = printed.sheets;
    let html = report(&record, &pictures);
    if wish.timings {
        record.timings_ms = clock.read();
    }
    let text = record
        .to_text()
        .map_err(|why| Failure::new(format!("can't write the numbers down: {why}")))?;
    let mut files = own;
    files.extend([
        (FILES[0], text.into_bytes()),
        (FILES[1], svg.into_bytes()),
        (FILES[2], printed.pdf),
        (FILES[3], html.into_bytes()),
    ]);
    place
        .fill(&files)
        .map_err(|why| Failure::new(why.to_string()))?;
    drop(progress);
    Ok(told(place, &record, &order, beware, &files))
}

/// Name in `timings_ms`, and words for a person.
fn words(step: Step) -> (&'static str, &'static str) {
    match step {
        Step::Patch => ("patch", "cutting the base from the mold"),
        Step::Search => ("search", "looking for darts"),
        Step::Cut => ("cut", "cutting darts and seams"),
        Step::Flat => ("flat", "laying it flat"),
        Step::Pieces => ("pieces", "making pieces"),
    }
}

/// How long each step takes.
struct Clock(Mutex<(BTreeMap<String, f64>, &'static str, Instant)>);

impl Clock {
    fn start(step: &'static str) -> Self {
        Self(Mutex::new((BTreeMap::new(), step, Instant::now())))
    }

    fn next(&self, step: &'static str) {
        if let Ok(mut state) = self.0.lock() {
            let (past, now) = (state.1, state.2.elapsed().as_secs_f64() * 1e3);
            *state.0.entry(past.into()).or_default() += (now * 10.0).round() / 10.0;
            state.1 = step;
            state.2 = Instant::now();
        }
    }

    fn read(&self) -> BTreeMap<String, f64> {
        self.next("over");
        self.0
            .lock()
            .map(|state| state.0.clone())
            .unwrap_or_default()
    }
}

/// What the report pictures.
pub(super) fn scene<'a>(order: &'a Order, pattern: &'a Pattern) -> Scene<'a> {
    let ring = |vertices: &[u32]| {
        let mesh = &pattern.patch.mesh;
        vertices.iter().map(|&v| mesh.position(v)).collect()
    };
    let cuts = |lines: &[flatten::dart::CutLine], letter: char| {
        let named: Vec<_> = lines
            .iter()
            .enumerate()
            .map(|(i, line)| {
                let path = line.path.iter().map(|&v| pattern.cut.mesh.position(v));
                (format!("{letter}{}", i + 1), path.collect())
            })
            .collect();
        named
    };
    let parts = pattern.cut.panels.iter().zip(&pattern.maps);
    Scene {
        mold: &order.job.mold.mesh,
        head: &order.job.head,
        parts: parts
            .zip(pattern.fields.iter().zip(&pattern.pieces))
            .map(|((panel, map), (field, piece))| Part {
                id: piece.id.clone(),
                mesh: &panel.mesh,
                uv: &map.uv,
                strain: field.per_face.iter().map(|face| face.strain).collect(),
            })
            .collect(),
        perimeter: ring(&pattern.patch.perimeter),
        openings: pattern.patch.openings.iter().map(|o| ring(o)).collect(),
        cuts: [cuts(&pattern.cut.darts, 'D'), cuts(&pattern.cut.seams, 'S')].concat(),
        keep_clear: order.job.keep_clear.iter().map(|c| c.centre).collect(),
    }
}

/// What the person and other programs are told.
fn told(
    place: &Place,
    record: &Record,
    order: &Order,
    beware: Vec<String>,
    files: &[(&str, Vec<u8>)],
) -> Done {
    let percent = |ratio: f64| format!("{:.2} %", 100.0 * ratio);
    let names: Vec<_> = files.iter().map(|file| file.0).collect();
    let mut lines = order.notes.clone();
    lines.push(format!(
        "{}: {} piece(s), {} dart(s), {} seam(s); strain below {} on 95 % of {:.0} cm2, limit {}; perimeter {:+.2} %",
        record.layout.name,
        record.pieces.len(),
        record.layout.darts.len(),
        record.layout.seams.len(),
        percent(record.strain.p95),
        record.surface.area_mm2 / 100.0,
        percent(record.strain.limit),
        100.0 * record.fit.perimeter_error,
    ));
    if let Some(change) = &record.change {
        lines.push(change.moved());
        for pair in &change.figures {
            let [name, earlier, now, by] = &pair.cells()[..] else {
                continue;
            };
            lines.push(format!("{name:22} {earlier:>22} -> {now:22} {by}"));
        }
    }
    lines.extend(order.ask.iter().map(|ask| format!("note: {ask}")));
    lines.push(format!(
        "wrote {} with {}; print {} sheet(s) of {} at actual size",
        place.path().display(),
        names.join(", "),
        record.sheets.count,
        record.sheets.paper,
    ));
    Done {
        lines,
        beware,
        json: json!({
            "folder": place.path(),
            "files": names,
            "limit_met": record.fit.limit_met,
            "strain": record.strain,
            "fit": record.fit,
            "layout": record.layout,
            "tapes": record.tapes,
            "need": record.need,
            "change": record.change,
            "sheets": record.sheets,
            "warnings": record.warnings,
            "notes": record.notes,
        }),
    }
}
