//! `system-files`: manual pages and completions of shells, for those who make packages.

use std::path::PathBuf;

use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate};
use clap_mangen::Man;

use super::output::{OutputError, OutputFolder};
use super::{Arguments, CommandError, Common, Outcome};

/// Shells that get completions, with the names under which they look for them.
const SHELLS: [(Shell, &str); 3] = [
    (Shell::Bash, "hingewise.bash"),
    (Shell::Zsh, "_hingewise"),
    (Shell::Fish, "hingewise.fish"),
];

/// What `system-files` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    /// Folder for the manual pages and the completions
    #[arg(long)]
    out: PathBuf,
}

/// Writes a manual page of the program and of each command, and completions of three shells.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let folder = OutputFolder::create(&options.out, common.force)?;
    let mut program = Arguments::command();
    program.build();
    write_page(&folder, &program, "hingewise")?;
    for command in program
        .get_subcommands()
        .filter(|command| !command.is_hide_set())
    {
        let name = format!("hingewise-{}", command.get_name());
        write_page(&folder, command, &name)?;
    }
    for (shell, name) in SHELLS {
        let mut text = Vec::new();
        generate(shell, &mut program.clone(), "hingewise", &mut text);
        folder.write(name, text)?;
    }
    folder.finish()?;
    Ok(Outcome::Done)
}

fn write_page(
    folder: &OutputFolder,
    command: &clap::Command,
    name: &str,
) -> Result<(), OutputError> {
    let mut page = Vec::new();
    Man::new(command.clone())
        .title(name)
        .render(&mut page)
        .map_err(|cause| OutputError::NotWritable {
            path: folder.target().to_owned(),
            cause,
        })?;
    folder.write(&format!("{name}.1"), page)
}
