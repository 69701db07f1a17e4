//! Terminal output during and after a command.

use std::fmt::Display;
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::{CommandError, Common};
use crate::measurement::Measurement;
use crate::progress::{Progress, Silent};
use crate::report;

/// A progress bar with the remaining time; only on a terminal, because it would be noise in a log.
pub fn progress(common: Common) -> Box<dyn Progress> {
    if common.quiet || !std::io::stderr().is_terminal() {
        return Box::new(Silent);
    }
    Box::new(Bar::new())
}

/// Prints a result for people: on standard output, unless `--json` or `--quiet`.
pub fn say(common: Common, text: impl Display) {
    if !common.json && !common.quiet {
        put(&text);
    }
}

/// Prints a line on standard output. The reader may close it early, as `head` does; the work is
/// done nevertheless.
fn put(text: &dyn Display) {
    let _ = writeln!(std::io::stdout().lock(), "{text}");
}

/// Prints a result for programs, if requested.
pub fn say_json(common: Common, result: &impl serde::Serialize) {
    if !common.json {
        return;
    }
    if let Ok(text) = serde_json::to_string_pretty(result) {
        put(&text);
    }
}

/// Prints a measurement: as a summary, as JSON, or not at all.
pub fn say_result(
    measurement: &Measurement,
    report: Option<&Path>,
    common: Common,
) -> Result<(), CommandError> {
    if common.json {
        put(&measurement.to_json()?);
    }
    say(common, report::summary(measurement, report).trim_end());
    Ok(())
}

struct Bar {
    bar: ProgressBar,
    work: Mutex<String>,
}

impl Bar {
    fn new() -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        Self {
            bar,
            work: Mutex::new(String::new()),
        }
    }

    /// Starts over where another piece of work begins.
    fn begin(&self, work: &str, total: Option<u64>) {
        let template = match total {
            Some(_) => "{msg:24} {bar:32} {percent:>3} %  {eta} left",
            None => "{msg:24} {pos} done in {elapsed}",
        };
        self.bar.reset();
        if let Ok(style) = ProgressStyle::with_template(template) {
            self.bar.set_style(style);
        }
        self.bar.set_message(work.to_owned());
    }
}

impl Progress for Bar {
    fn advance(&self, work: &str, done: u64, total: Option<u64>) {
        if let Ok(mut current) = self.work.lock()
            && *current != work
        {
            work.clone_into(&mut current);
            self.begin(work, total);
        }
        if let Some(total) = total {
            // Containers may claim fewer frames than they hold.
            self.bar.set_length(total.max(done));
        }
        self.bar.set_position(done);
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
