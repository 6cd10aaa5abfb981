//! A sign of life on a terminal when work takes over a second.

use std::{
    sync::{Arc, Condvar, Mutex},
    thread::JoinHandle,
    time::Duration,
};

use indicatif::{ProgressBar, ProgressStyle};

/// Work that a person may be waiting for; the sign goes away when it is dropped.
#[derive(Debug)]
pub(crate) struct Progress {
    state: Arc<(Mutex<State>, Condvar)>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug, Default)]
struct State {
    step: &'static str,
    over: bool,
}

/// How long nobody is told anything.
const PATIENCE: Duration = Duration::from_secs(1);
/// How often the sign moves.
const TICK: Duration = Duration::from_millis(120);

impl Progress {
    /// Starts waiting; `shown` false keeps silent.
    pub(crate) fn start(shown: bool, step: &'static str) -> Self {
        let state = Arc::new((Mutex::new(State { step, over: false }), Condvar::new()));
        let thread = shown.then(|| {
            let state = Arc::clone(&state);
            std::thread::spawn(move || watch(&state))
        });
        Self { state, thread }
    }

    /// Says what is being done now.
    pub(crate) fn step(&self, step: &'static str) {
        if let Ok(mut state) = self.state.0.lock() {
            state.step = step;
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Ok(mut state) = self.state.0.lock() {
            state.over = true;
        }
        self.state.1.notify_all();
        if let Some(thread) = self.thread.take() {
            // A panic there has been printed and changes nothing here.
            let _ = thread.join();
        }
    }
}

fn watch(state: &(Mutex<State>, Condvar)) {
    let mut bar: Option<ProgressBar> = None;
    let mut pause = PATIENCE;
    loop {
        let Ok(guard) = state.0.lock() else { break };
        let Ok((guard, _)) = state
            .1
            .wait_timeout_while(guard, pause, |state| !state.over)
        else {
            break;
        };
        if guard.over {
            break;
        }
        let bar = bar.get_or_insert_with(|| {
            let bar = ProgressBar::new_spinner();
            if let Ok(style) = ProgressStyle::with_template("{spinner} {msg} {elapsed}") {
                bar.set_style(style);
            }
            bar
        });
        bar.set_message(guard.step);
        bar.tick();
        pause = TICK;
    }
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
}
