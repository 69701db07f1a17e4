//! `hingewise`: parses the command line and calls.

use std::process::ExitCode;

use clap::Parser;
use hingewise::commands::{self, Arguments, Outcome};
use miette::{MietteHandlerOpts, Report};

/// Exit code for bad input; wrong usage ends with the same one.
const BAD_INPUT: u8 = 2;

/// Width of messages where no terminal tells its own.
const MESSAGE_WIDTH: usize = 100;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match commands::run(&arguments) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::OutOfTolerance) => ExitCode::FAILURE,
        Err(error) => {
            show(error.into());
            ExitCode::from(BAD_INPUT)
        }
    }
}

/// What is wrong, where, and the mend. Paths stay whole, so that they can be copied and searched.
fn show(error: Report) {
    let set = miette::set_hook(Box::new(|_| {
        Box::new(
            MietteHandlerOpts::new()
                .terminal_links(false)
                .width(MESSAGE_WIDTH)
                .wrap_lines(false)
                .context_lines(1)
                .build(),
        )
    }));
    // Without the hook the message only looks different.
    drop(set);
    eprintln!("{error:?}");
}
