//! One session: its engine, its newest state, and who films.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use axum::http::StatusCode;
use serde::Deserialize;

use crate::bench::frames::body::Luma;
use crate::bench::frames::turns::Turns;
use crate::bench::lock::lock;
use crate::bench::open_sessions::Used;
use crate::bench::{Bench, Refusal, ids};
use crate::camera::CameraProfile;
use crate::live::{LiveError, LiveFrame, LiveOptions, LiveSession, LiveState};
use crate::model_file::ModelFile;

/// A page that has sent no frame for so long no longer films, and another one may take over.
const FILMING_TIME: Duration = Duration::from_secs(2);

/// Shortest step from the last frame of one page to the first one of another, s.
const SHORTEST_STEP_S: f64 = 0.001;

/// Longest name of a page that films.
const LONGEST_SOURCE: usize = 40;

/// What a session is begun with: ids of the folder's files, and names in them.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Asked {
    /// The aircraft.
    pub aircraft: String,
    /// The camera profile.
    pub camera: String,
    /// One function of the aircraft; the whole file without it.
    #[serde(default)]
    pub function: Option<String>,
    /// The measurement whose numbers are checked.
    #[serde(default)]
    pub before: Option<String>,
}

/// Who sends a frame, and when it was taken.
#[derive(Debug, Clone, Deserialize)]
pub struct Film {
    /// Time of capture by the clock of the page, s.
    pub time_s: f64,
    /// The page that films, by a name that it gives itself; empty for a program.
    #[serde(default)]
    pub source: String,
    /// Whether it takes over from another page that films.
    #[serde(default, rename = "take")]
    pub takes_over: bool,
}

/// The page that films.
#[derive(Default)]
struct Filming {
    /// The page whose frames are admitted: at once after a take-over, also while its first frame waits.
    admitted: Option<String>,
    /// The page of the newest frame.
    source: Option<String>,
    /// What its clock differs from that of the session, s.
    offset_s: f64,
    last: Option<(f64, Instant)>,
}

/// The newest state, and when its frame arrived.
struct Newest {
    state: Arc<LiveState>,
    at: Option<Instant>,
}

/// One live session.
pub struct Session {
    /// Its id.
    pub id: String,
    /// The model file's name inside the folder.
    pub aircraft: PathBuf,
    /// Id of the aircraft.
    pub aircraft_id: String,
    /// Id of the camera profile.
    pub camera_id: String,
    /// The measurement whose numbers this session checks.
    pub before: Option<String>,
    /// The part of the model that is measured, as it was when the session began.
    pub model: ModelFile,
    /// The camera profile.
    pub profile: CameraProfile,
    /// Turns of its frames.
    pub turns: Turns,
    /// Taken while the session is being finished.
    pub finishing: Mutex<()>,
    engine: Mutex<LiveSession>,
    newest: Mutex<Newest>,
    filming: Mutex<Filming>,
    pub(super) used: Used,
}

impl Session {
    /// Begins a session.
    ///
    /// # Errors
    /// There is no such aircraft or camera, one of them has faults, or the engine does not start.
    pub fn begin(bench: &Bench, asked: Asked) -> Result<Self, Refusal> {
        let aircraft = bench.workshop.aircraft_of(&asked.aircraft)?;
        let camera = bench.workshop.camera_of(&asked.camera)?;
        let model = ModelFile::read(&bench.workshop.path(&aircraft.file))?;
        let profile = CameraProfile::read(&bench.workshop.path(&camera.file))?;
        if let Some(before) = &asked.before {
            bench.workshop.measurement_of(before)?;
        }
        let options = LiveOptions {
            function: asked.function.clone(),
            date: Some(jiff::Zoned::now().date().to_string()),
            ..LiveOptions::default()
        };
        let measured = match &asked.function {
            Some(function) => of_function(&model, function)?,
            None => model.clone(),
        };
        let engine = LiveSession::begin(model, profile.clone(), options);
        let engine = engine.map_err(|error| refused(&error))?;
        Ok(Self {
            id: ids::fresh('l').map_err(|_| Refusal::fault())?,
            aircraft: aircraft.file,
            aircraft_id: aircraft.id,
            camera_id: camera.id,
            before: asked.before,
            newest: Mutex::new(Newest {
                state: Arc::new(engine.state()),
                at: None,
            }),
            engine: Mutex::new(engine),
            model: measured,
            profile,
            turns: Turns::default(),
            finishing: Mutex::default(),
            filming: Mutex::default(),
            used: Used::default(),
        })
    }

    /// Whether nothing is lost when it is closed: no holds, and no frame for that long.
    pub fn is_spare(&self, silence: Duration) -> bool {
        let newest = lock(&self.newest);
        let age = newest.at.map(|at| at.elapsed());
        newest.state.holds.is_empty() && age.unwrap_or(self.used.unused_for()) > silence
    }

    /// The newest state.
    pub fn state(&self) -> Arc<LiveState> {
        lock(&self.newest).state.clone()
    }

    /// How old the newest figures are.
    pub fn age(&self) -> Option<Duration> {
        lock(&self.newest).at.map(|at| at.elapsed())
    }

    /// Whether a page films now.
    pub fn is_filmed(&self) -> bool {
        self.age().is_some_and(|age| age < FILMING_TIME)
    }

    /// Refuses a frame of a page while another one films.
    ///
    /// # Errors
    /// Another page films, or the frame has no usable time.
    pub fn admit(&self, film: &Film) -> Result<(), Refusal> {
        if !film.time_s.is_finite() || film.source.len() > LONGEST_SOURCE {
            return Err(Refusal::bad_request(
                "the frame does not say when it was taken",
                "send it to …/frames?time_s=SECONDS",
            ));
        }
        let mut filming = lock(&self.filming);
        let is_other = filming
            .admitted
            .as_ref()
            .is_some_and(|now| *now != film.source);
        if is_other && !film.takes_over && self.is_filmed() {
            return Err(Refusal::new(
                StatusCode::CONFLICT,
                "another page films for this session",
                "stop its camera, or take over",
            ));
        }
        filming.admitted = Some(film.source.clone());
        Ok(())
    }

    /// The time of a frame by the clock of the session: that of the page that filmed first. A page
    /// that takes over goes on from there.
    fn time_s(&self, film: &Film, arrived: Instant) -> f64 {
        let mut filming = lock(&self.filming);
        if filming.source.as_ref() != Some(&film.source) {
            if let Some((last_s, at)) = filming.last {
                let since_s = arrived.saturating_duration_since(at).as_secs_f64();
                filming.offset_s = last_s + since_s.max(SHORTEST_STEP_S) - film.time_s;
            }
            filming.source = Some(film.source.clone());
        }
        film.time_s + filming.offset_s
    }

    /// Measures in a frame. Takes as long as the engine does; its turn has to be held.
    ///
    /// # Errors
    /// The engine refuses the frame; the state stays as it was.
    pub fn frame(&self, film: &Film, arrived: Instant, luma: Luma) -> Result<(), Refusal> {
        let time_s = self.time_s(film, arrived);
        let mut engine = lock(&self.engine);
        let state = engine.frame(LiveFrame {
            time_s,
            luma: luma.image,
            levels: luma.levels,
        });
        let state = state.map_err(|error| refused(&error))?;
        lock(&self.filming).last = Some((time_s, arrived));
        *lock(&self.newest) = Newest {
            state: Arc::new(state),
            at: Some(arrived),
        };
        self.used.touch();
        Ok(())
    }

    /// Gives the engine an order of the person, and keeps the state after it.
    ///
    /// # Errors
    /// What the engine says.
    pub fn order<T>(
        &self,
        order: impl FnOnce(&mut LiveSession) -> Result<T, LiveError>,
    ) -> Result<T, Refusal> {
        let mut engine = lock(&self.engine);
        let done = order(&mut engine).map_err(|error| refused(&error))?;
        lock(&self.newest).state = Arc::new(engine.state());
        self.used.touch();
        Ok(done)
    }
}

/// The part of a model file that one function needs.
fn of_function(model: &ModelFile, name: &str) -> Result<ModelFile, Refusal> {
    let function = model.function(name);
    let function = function.ok_or_else(|| Refusal::not_found("function"))?;
    let names = function.surfaces.iter().map(String::as_str).collect();
    Ok(model.of_function(function).with_surfaces(&names))
}

fn refused(error: &LiveError) -> Refusal {
    let status = match error {
        LiveError::NotLater { .. }
        | LiveError::NoHoldNow { .. }
        | LiveError::NothingToUndo
        | LiveError::NoNeutralNow { .. }
        | LiveError::NothingHeld => StatusCode::CONFLICT,
        LiveError::NoWorker(_) => StatusCode::SERVICE_UNAVAILABLE,
        _ => StatusCode::UNPROCESSABLE_ENTITY,
    };
    Refusal::new(status, error.to_string(), error.help())
}
