//! `measure`: tapes on the mold against the readings.

use std::path::Path;

use super::draft::place;
use crate::{
    args::Measure,
    fitting::Fitting,
    measured::measured,
    order::{Order, UNCONFIRMED},
    outcome::{Done, Failure, Voice},
    progress::Progress,
    write::svg::svg,
};

const FILES: [&str; 2] = ["tapes.svg", "tapes.json"];

pub(super) fn run(asked: &Measure, voice: &Voice) -> Result<Done, Failure> {
    let fitting = Fitting::read(&asked.fitting)?;
    let out = asked.out.as_deref();
    let claimed = out
        .map(|out| place(out, asked.replace, &FILES))
        .transpose()?;
    let progress = Progress::start(voice.shows_progress(), "reading the mold");
    let folder = asked.fitting.parent().unwrap_or(Path::new("."));
    let order = Order::new(&fitting, folder)?;
    progress.step("laying tapes");
    let job = &order.job;
    let (mut done, picture) = measured(
        &job.mold.mesh,
        &job.head,
        &job.outline.perimeter,
        &fitting.tape,
    );
    drop(progress);
    done.lines.splice(0..0, order.notes);
    if !fitting.confirmed {
        // tapes hang on the landmarks, so unchecked ones are worth a word here too
        done.beware.push(UNCONFIRMED.into());
    }
    if let Some(claimed) = claimed {
        let text = serde_json::to_string_pretty(&done.json)
            .map_err(|why| Failure::new(format!("can't write the numbers down: {why}")))?;
        let files = [
            (FILES[0], svg(&picture, "Tapes on the mold").into_bytes()),
            (FILES[1], (text + "\n").into_bytes()),
        ];
        claimed
            .fill(&files)
            .map_err(|why| Failure::new(why.to_string()))?;
        let path = claimed.path().display();
        done.lines
            .push(format!("wrote {path} with {}", FILES.join(", ")));
    }
    Ok(done)
}
