//! `demo`: the whole job on a bundled clip.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::job::{Cache, Clips, Job};
use super::output::OutputFolder;
use super::stage_log::StageLog;
use super::terminal::{progress, say, say_result};
use super::{CommandError, Common, Outcome};
use crate::camera::CameraProfile;
use crate::clip::{Clip, ClipOptions};
use crate::functions::Wanted;
use crate::model_file::ModelFile;
use crate::report::{self, TrueStation};

/// Folder for the clip and its files, inside the folder of the report.
const CLIP_FOLDER: &str = "clip";

/// Options of `demo`.
#[derive(Debug, Args)]
pub struct Options {
    /// Folder for the report, the tables and the clip [default: hingewise-demo, or
    /// hingewise-demo-ailerons]
    #[arg(long)]
    out: Option<PathBuf>,
    /// Which of the two aircraft is measured
    #[arg(long, value_enum, default_value = "elevator")]
    case: Case,
}

/// The bundled aircraft.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Case {
    /// Elevator halves filmed from the hand: numbers can match them
    Elevator,
    /// Ailerons filmed from a tripod: one does not reach as far as the other
    Ailerons,
}

/// A bundled clip with its files, each with its name.
struct Sample {
    clip: (&'static str, &'static [u8]),
    model: (&'static str, &'static str),
    truth: (&'static str, &'static str),
}

/// Takes a file of `sample-frames` into the program, so that the demo needs no other file.
macro_rules! bundled {
    ($include:ident, $name:literal) => {
        (
            $name,
            $include!(concat!(
                env!("CARGO_MANIFEST_DIR"),
                "/sample-frames/",
                $name
            )),
        )
    };
}

/// The camera of both clips.
const CAMERA: (&str, &str) = bundled!(include_str, "camera.toml");

const ELEVATOR: Sample = Sample {
    clip: bundled!(include_bytes, "elevator.mp4"),
    model: bundled!(include_str, "elevator.toml"),
    truth: bundled!(include_str, "elevator-true-stations.csv"),
};

const AILERONS: Sample = Sample {
    clip: bundled!(include_bytes, "cards.mp4"),
    model: bundled!(include_str, "model.toml"),
    truth: bundled!(include_str, "cards-true-stations.csv"),
};

/// Measures a bundled clip and compares the result with the truth.
///
/// The clip and its files are written beside the report, for those who want to try the other commands.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let (sample, usual_out) = match options.case {
        Case::Elevator => (ELEVATOR, "hingewise-demo"),
        Case::Ailerons => (AILERONS, "hingewise-demo-ailerons"),
    };
    let out = options.out.as_deref().unwrap_or(usual_out.as_ref());
    let folder = out.join(CLIP_FOLDER);
    // The files of an earlier demo can be made again at any time; those of somebody else cannot.
    let force = common.force || folder.join(CAMERA.0).is_file();
    drop(OutputFolder::create(out, force)?);
    sample.write(&folder)?;
    let model = ModelFile::read(&folder.join(sample.model.0))?;
    let profile = CameraProfile::read(&folder.join(CAMERA.0))?;
    let truth = true_stations(sample.truth)?;
    let result = OutputFolder::create(out, true)?;
    let clip_path = folder.join(sample.clip.0);
    let clip_options = ClipOptions::default();
    let clip = Clip::open(&clip_path, &clip_options)?;

    let job = Job {
        clip: &clip_path,
        clip_options,
        model: &model,
        wanted: &Wanted::Whole,
        profile: &profile,
        cache: Cache::Off,
        progress: progress(common),
    };
    let clips = Clips {
        main: clip,
        level: None,
    };
    let measurement = job
        .run(clips, result, &mut StageLog::start(None))?
        .measurement;
    say(common, report::beside_truth(&measurement, &truth));
    say_result(&measurement, Some(&out.join(report::PAGE)), common)?;
    Ok(Outcome::Done)
}

impl Sample {
    /// Writes the clip and its files into a folder.
    fn write(&self, folder: &Path) -> Result<(), CommandError> {
        let output = OutputFolder::create(folder, true)?;
        output.write(self.clip.0, self.clip.1)?;
        for (name, text) in [self.model, self.truth, CAMERA] {
            output.write(name, text)?;
        }
        output.finish()?;
        Ok(())
    }
}

fn true_stations((name, text): (&'static str, &str)) -> Result<Vec<TrueStation>, CommandError> {
    let damaged = |source| CommandError::SampleDamaged { name, source };
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader
        .deserialize()
        .collect::<Result<_, _>>()
        .map_err(damaged)
}
