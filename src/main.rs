//! `hingewise`: parses the command line and calls.

use std::fmt;
use std::io::Write;
use std::process::ExitCode;

use hingewise::commands::{self, CommandError, Outcome};
use hingewise::names::escaped;
use miette::{MietteHandlerOpts, ReportHandler};

/// Exit code for bad input; wrong usage ends with the same one.
const BAD_INPUT: u8 = 2;

fn main() -> ExitCode {
    let arguments = commands::parse();
    // Without it a signal only leaves behind what the next run removes. The bench ends its work itself.
    if !arguments.ends_on_signals_itself() {
        let _ = commands::output::clean_up_on_signals();
    }
    match commands::run(&arguments) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::OutOfTolerance) => ExitCode::FAILURE,
        Err(error) => {
            show(error);
            ExitCode::from(BAD_INPUT)
        }
    }
}

/// Prints what is wrong, where, and what to do.
fn show(error: CommandError) {
    let plain = Shown(&error, Some(false)).to_string();
    let text = escaped(&plain);
    // Colours are control characters as well: a text with others is shown without.
    let text = match text == plain {
        true => Shown(&error, None).to_string(),
        false => text,
    };
    // Where it cannot be written, the exit code alone says it.
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}

/// An error in full, in colours or not; as the terminal can where that is not said.
struct Shown<'a>(&'a CommandError, Option<bool>);

impl fmt::Display for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Lines are not wrapped, so that paths stay whole and can be copied and searched.
        let mut layout = MietteHandlerOpts::new()
            .terminal_links(false)
            .wrap_lines(false)
            .context_lines(1);
        if let Some(colours) = self.1 {
            layout = layout.color(colours);
        }
        layout.build().debug(self.0, f)
    }
}
