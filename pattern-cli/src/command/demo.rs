//! `demo`: an invented client from tape readings alone.

use std::path::Path;

use crate::{
    args::Demo,
    command::draft::{FILES, Wish, drafted, place},
    fitting::Fitting,
    outcome::{Done, Failure, Voice},
};

/// The invented client's fitting.
const FITTING: &str = include_str!("demo.toml");

/// Its name in the folder.
const NAME: &str = "fitting.toml";

pub(super) fn run(demo: &Demo, voice: &Voice) -> Result<Done, Failure> {
    let out = demo.out.out.as_deref().unwrap_or(Path::new("demo-pattern"));
    let ours: Vec<&str> = FILES.into_iter().chain([NAME]).collect();
    let place = place(out, demo.out.replace, &ours)?;
    let fitting = Fitting::parse(Path::new(NAME), FITTING)?;
    let own = (NAME, FITTING.as_bytes().to_vec());
    let mut done = drafted(
        &fitting,
        Path::new("."),
        &place,
        vec![own],
        &Wish::default(),
        voice,
    )?;
    done.lines.push(format!(
        "The client is invented. To go on from it: pattern-cli draft {}",
        out.join(NAME).display()
    ));
    Ok(done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_invented_client_can_be_read() {
        let fitting = Fitting::parse(Path::new(NAME), FITTING).unwrap();
        assert!(fitting.confirmed);
        assert_eq!(fitting.tape.len(), 3);
    }
}
