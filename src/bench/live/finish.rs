//! From a session to a folder with a measurement, by the stages and the writers of `measure`.

use axum::http::StatusCode;

use super::Session;
use crate::bench::ids::{Kind, id};
use crate::bench::measure::free_folder;
use crate::bench::{Bench, Refusal};
use crate::commands::live_job;
use crate::commands::output::OutputFolder;
use crate::live::LiveSession;

/// Measures what a session holds, and writes the files of the result. Returns the id of the
/// measurement.
///
/// # Errors
/// Nothing is held, another request finishes the session, or what `measure` would say.
pub fn finish(bench: &Bench, session: &Session) -> Result<String, Refusal> {
    let Ok(_finishing) = session.finishing.try_lock() else {
        return Err(Refusal::new(
            StatusCode::CONFLICT,
            "this session is being measured already",
            "wait for it",
        ));
    };
    let record = session.order(LiveSession::finish)?;
    let is_free = |folder: &std::path::Path| bench.is_free(folder);
    let out = free_folder(&session.aircraft, "live".as_ref(), is_free);
    let folder = OutputFolder::create(&bench.workshop.path(&out), false)?;
    live_job::measure_live(&record, folder)?;
    Ok(id(Kind::Measurement, &out))
}
