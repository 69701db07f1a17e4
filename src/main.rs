//! `hingewise`: parses the command line and calls.

use std::process::ExitCode;

use hingewise::commands::{self, CommandError, Outcome};
use miette::{Diagnostic, MietteHandlerOpts, Report, ReportHandler};

/// Exit code for bad input; wrong usage ends with the same one.
const BAD_INPUT: u8 = 2;

fn main() -> ExitCode {
    let arguments = commands::parse();
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
    // Without the layout the message only looks different.
    let _ = miette::set_hook(Box::new(layout));
    eprintln!("{:?}", Report::new(error));
}

/// Lines are not wrapped, so that paths stay whole and can be copied and searched.
fn layout(_: &(dyn Diagnostic + 'static)) -> Box<dyn ReportHandler> {
    Box::new(
        MietteHandlerOpts::new()
            .terminal_links(false)
            .wrap_lines(false)
            .context_lines(1)
            .build(),
    )
}
