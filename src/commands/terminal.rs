//! Terminal output during and after a command.

use std::fmt::Display;
use std::io::{self, ErrorKind, IsTerminal, Write};
use std::path::Path;
use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::output::OutputError;
use super::{CommandError, Common};
use crate::measurement::Measurement;
use crate::names::{self, escaped};
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

/// Why standard output took no more, the first time that it did not.
static UNWRITTEN: Mutex<Option<io::Error>> = Mutex::new(None);

/// A line on standard output. Whoever reads it may stop reading, as `head` does: the work is done
/// nevertheless. Any other failure is kept for [`check_written`].
fn put(text: &dyn Display) {
    put_line(&escaped(&text.to_string()));
}

/// The same of JSON, which has escapes of its own.
fn put_json(text: &str) {
    put_line(&names::escaped_in_json(text));
}

fn put_line(line: &str) {
    let mut output = std::io::stdout().lock();
    let written = writeln!(output, "{line}").and_then(|()| output.flush());
    if let Err(error) = written
        && error.kind() != ErrorKind::BrokenPipe
        && let Ok(mut unwritten) = UNWRITTEN.lock()
    {
        unwritten.get_or_insert(error);
    }
}

/// Fails if something could not be written to standard output, but for its reader having gone.
///
/// # Errors
/// [`OutputError::NoStandardOutput`], once.
pub fn check_written() -> Result<(), OutputError> {
    let unwritten = UNWRITTEN.lock().ok().and_then(|mut error| error.take());
    match unwritten {
        None => Ok(()),
        Some(cause) => Err(OutputError::NoStandardOutput { cause }),
    }
}

/// A line on standard error beside the result. Where it cannot be written, nobody can read an error either.
pub fn warn(text: impl Display) {
    let text = escaped(&text.to_string());
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}

/// Prints a result for programs, if requested.
pub fn say_json(common: Common, result: &impl serde::Serialize) {
    if !common.json {
        return;
    }
    if let Ok(text) = serde_json::to_string_pretty(result) {
        put_json(&text);
    }
}

/// Prints a measurement: as a summary, as JSON, or not at all.
pub fn say_result(
    measurement: &Measurement,
    report: Option<&Path>,
    common: Common,
) -> Result<(), CommandError> {
    if common.json {
        put_json(&measurement.to_json()?);
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
