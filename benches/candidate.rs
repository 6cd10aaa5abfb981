//! What one candidate of the dart search costs, and how far its figures are from the exact ones.
//!
//! `cargo bench -p flatten --bench candidate`. A base on the average head is copied coarsely, as the
//! search does; each layout is cut and laid on the copy. Least processor time of eight rounds.

use std::time::Instant;

use flatten::{
    dart::{self, Cutter, Layout},
    flat::{self, StrainField, conformal::ConformalOptions},
    form::average_head,
    job::Material,
    patch::{Coarsener, Patch},
};

const ROUNDS: usize = 8;

/// Processor time of all threads so far, ms: steadier than the clock on a busy machine. Where the
/// system does not tell (only Linux does, this way), the clock.
fn spent_ms(since: Instant) -> f64 {
    let tasks = std::fs::read_dir("/proc/self/task")
        .into_iter()
        .flatten()
        .flatten();
    let spent = tasks.filter_map(|task| {
        let text = std::fs::read_to_string(task.path().join("schedstat")).ok()?;
        text.split(' ').next()?.parse::<f64>().ok()
    });
    let nanoseconds: f64 = spent.sum();
    if nanoseconds > 0.0 {
        1e-6 * nanoseconds
    } else {
        1e3 * since.elapsed().as_secs_f64()
    }
}

/// Least milliseconds of a few runs, and what the last returned.
fn timed<T>(mut work: impl FnMut() -> T) -> (f64, T) {
    let epoch = Instant::now();
    let mut least = f64::INFINITY;
    let mut last = None;
    for _ in 0..ROUNDS {
        let before = spent_ms(epoch);
        last = Some(work());
        least = least.min(spent_ms(epoch) - before);
    }
    (least, last.expect("there are rounds"))
}

fn main() {
    let form = average_head();
    let patch = Patch::cut(&form.mesh(12_000), form.head(), &form.outline(), Vec::new())
        .expect("the average head's outline lies on it");
    let lace = Material {
        name: "lace".into(),
        limit: 0.03,
        tension: 1.0,
        crowding: 1.0,
    };
    let (copying, coarse) = timed(|| {
        Coarsener::new(&patch)
            .copy(7.5)
            .expect("it is finer than that")
    });
    println!(
        "coarse copy: {} vertices of {}, {copying:.1} ms",
        coarse.mesh.vertex_count(),
        patch.mesh.vertex_count()
    );
    println!(
        "layout   vertices  cut ms  start ms  lay ms  steps   p95 quick   exact  exact ms  steps"
    );
    let cutter = Cutter::new(&coarse);
    let mut layouts: Vec<Layout> = [0, 2, 4, 6, 8].map(|n| dart::even(&coarse, n)).into();
    layouts.push(leaning(&coarse));
    for layout in &layouts {
        let (cutting, cut) = timed(|| cutter.cut(layout));
        let Ok(cut) = cut else {
            println!("{:<8} can't be cut", layout.name);
            continue;
        };
        let panel = &cut.panels[0];
        let (starting, _) =
            timed(|| flat::conformal::flatten_patch(&panel.mesh, &ConformalOptions::default()));
        let (laying, quick) =
            timed(|| flat::lay_quickly(panel, &lace, false).expect("a panel can be laid"));
        let p95 = |field: &StrainField| 100.0 * field.summary(lace.limit).p95;
        let (exactly, exact) = timed(|| flat::lay(panel, &lace).expect("a panel can be laid"));
        println!(
            "{:<8} {:>8} {cutting:>7.1} {starting:>9.1} {laying:>7.1} {:>6} {:>9.2} % {:>6.2} % {:>7.1} {:>6}",
            layout.name,
            panel.mesh.vertex_count(),
            quick.0.report.steps,
            p95(&quick.1),
            p95(&exact.1),
            exactly,
            exact.0.report.steps,
        );
    }
}

/// Long darts that lean to the front under the top, as the search finds them.
fn leaning(patch: &Patch) -> Layout {
    let options = dart::SearchOptions {
        fewest: 6,
        most: 6,
        rounds: 0,
        ..dart::SearchOptions::default()
    };
    let none = Material {
        name: "none".into(),
        limit: 1e-6,
        tension: 1.0,
        crowding: 1.0,
    };
    dart::search(patch, &none, &options)
        .expect("the patch can be cut")
        .best
        .layout
}
