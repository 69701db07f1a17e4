//! `new`: writes a commented model file.

use std::path::{Path, PathBuf};

use clap::Args;

use super::output::OutputFile;
use super::terminal::{say, say_json};
use super::values::{length_mm, name};
use super::{CommandError, Common, Outcome};
use crate::model_file::NewModel;
use crate::names;

/// Options of `new`.
#[derive(Debug, Args)]
pub struct Options {
    /// The model file to write
    model: PathBuf,
    /// Names of the surfaces, such as "left aileron" "right aileron"; pairs are matched
    #[arg(required = true, value_parser = name)]
    surfaces: Vec<String>,
    /// Name of the aircraft [default: the file's name]
    #[arg(long, value_parser = name)]
    name: Option<String>,
    /// Outer edge of the tags' black squares
    #[arg(long, value_parser = length_mm, default_value = "20")]
    edge_mm: f64,
}

/// Writes the model file; tag ids are chosen free of each other and of the station cards.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let name = options.name.clone();
    let name = name.unwrap_or_else(|| names::of_file(&options.model));
    let model = NewModel::from_names(&name, &options.surfaces, options.edge_mm)?;
    let text = model.to_toml();
    let path = OutputFile::create(&options.model, common.force)?.finish(&text)?;
    let result = serde_json::json!({
        "model": path.display().to_string(),
        "surfaces": model.surfaces().map(|(name, tag)| serde_json::json!({"name": name, "tag": tag})).collect::<Vec<_>>(),
    });
    say_json(common, &result);
    say(common, summary(&model, &path));
    Ok(Outcome::Done)
}

/// The file written, names without a side, and the next step.
fn summary(model: &NewModel, path: &Path) -> String {
    let shown = path.display().to_string();
    let mut text = format!("Wrote {shown}.\n");
    let names: Vec<String> = model
        .without_side()
        .map(|name| format!("{name:?}"))
        .collect();
    if !names.is_empty() {
        let names = names.join(", ");
        text += &format!(
            "{names}: the name does not say left or right, so the file has side = \"centre\". Change it to left \
             or right if the surface is one of a pair.\n"
        );
    }
    if model.lacks_pairs() {
        text += "No two names differ only in left and right, so no surfaces are matched yet: \
                 complete the [[match]] lines in the file.\n";
    }
    let named = match shown.contains(' ') {
        true => format!("\"{shown}\""),
        false => shown,
    };
    text + &format!(
        "Check its settings, then print the tags with\n  hingewise print kit --model {named} --out kit.pdf"
    )
}
