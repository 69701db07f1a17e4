//! The stages of a job as they finish: the time each took, and its files in the folder of the trace.

use std::path::PathBuf;
use std::time::Instant;

use super::CommandError;
use super::output::{OutputFolder, write_files};
use crate::report::{self, NamedFile};

/// Stages of a job, in their order.
pub struct StageLog {
    last: Instant,
    times_s: Vec<(&'static str, f64)>,
    trace: Option<Trace>,
    no_trace: Option<CommandError>,
}

/// The folder of the trace.
struct Trace {
    place: PathBuf,
    /// Opened before the work begins, until the first files are in place.
    opened: Option<OutputFolder>,
}

impl StageLog {
    /// The first stage begins; its files go to the folder, if a trace is wanted.
    pub fn start(trace: Option<OutputFolder>) -> Self {
        Self {
            last: Instant::now(),
            times_s: Vec::new(),
            trace: trace.map(|folder| Trace {
                place: folder.target().to_owned(),
                opened: Some(folder),
            }),
            no_trace: None,
        }
    }

    /// Ends a stage; those of one name count together.
    pub fn stage(&mut self, name: &'static str) {
        let took_s = self.last.elapsed().as_secs_f64();
        match self.times_s.iter_mut().find(|stage| stage.0 == name) {
            Some(stage) => stage.1 += took_s,
            None => self.times_s.push((name, took_s)),
        }
        self.last = Instant::now();
    }

    /// Ends a stage and writes its files.
    pub fn traced(
        &mut self,
        name: &'static str,
        files: impl FnOnce() -> Result<Vec<NamedFile>, CommandError>,
    ) {
        self.stage(name);
        self.trace(files);
    }

    /// Writes the files of a stage that has ended, with the times so far. A failure ends the trace and
    /// nothing else; it is for [`StageLog::no_trace`].
    pub fn trace(&mut self, files: impl FnOnce() -> Result<Vec<NamedFile>, CommandError>) {
        let Some(mut trace) = self.trace.take() else {
            return;
        };
        match trace.write(files, &self.times_s) {
            Ok(()) => self.trace = Some(trace),
            Err(error) => self.no_trace = Some(error),
        }
        // Drawing and writing are no part of the next stage.
        self.last = Instant::now();
    }

    /// Why the trace is not whole, where one was wanted.
    pub fn no_trace(&self) -> Option<&CommandError> {
        self.no_trace.as_ref()
    }
}

impl Trace {
    fn write(
        &mut self,
        files: impl FnOnce() -> Result<Vec<NamedFile>, CommandError>,
        times_s: &[(&str, f64)],
    ) -> Result<(), CommandError> {
        let mut files = files()?;
        files.push(report::trace_of_times(times_s)?);
        let folder = match self.opened.take() {
            Some(folder) => folder,
            None => OutputFolder::create(&self.place, true)?,
        };
        write_files(files, folder)
    }
}
