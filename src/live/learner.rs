//! The joint fits of a session, on a thread of their own or between two frames.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, SendError, Sender, TryRecvError, channel};
use std::thread;

use super::error::LiveError;
use super::input::Refits;
use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::motion::{Figures, FitOptions, HeldFit, MotionError, fit_what_moves_and_hold};
use crate::tags::{SightedFrame, Sightings};
use crate::warning::{WarningText, gather};

/// What a fit is made of.
pub(super) struct Request {
    pub sightings: Sightings,
    pub model: ModelFile,
    pub profile: CameraProfile,
    /// Rests whose mean deflections are wanted by the new constants.
    pub rests: Vec<Vec<SightedFrame>>,
    /// Frames with motion that the store had seen.
    pub moved: usize,
}

/// What came of it.
pub(super) struct Answer {
    pub fitted: Result<Fitted, MotionError>,
    pub moved: usize,
}

/// A fit, and what follows from it.
pub(super) struct Fitted {
    pub held: HeldFit,
    pub warnings: Vec<WarningText>,
    pub rests: Rests,
}

/// The mean deflections of rests by the constants of a fit.
pub(super) struct Rests(BTreeMap<[usize; 2], Figures>);

impl Rests {
    fn of(held: &HeldFit, rests: &[Vec<SightedFrame>]) -> Self {
        let of_rest =
            |frames: &Vec<SightedFrame>| Some((ends(frames)?, rest_figures(held, frames)?));
        Self(rests.iter().filter_map(of_rest).collect())
    }

    /// Those of one rest, computed now if they were not asked for with the fit.
    pub fn mean_of(&self, held: &HeldFit, frames: &[SightedFrame]) -> Option<Figures> {
        let done = ends(frames).and_then(|ends| self.0.get(&ends).cloned());
        done.or_else(|| rest_figures(held, frames))
    }
}

/// Numbers of the first and the last frame of a rest: what distinguishes the rests of a session.
fn ends(frames: &[SightedFrame]) -> Option<[usize; 2]> {
    Some([frames.first()?.index, frames.last()?.index])
}

/// Where fits are made.
pub(super) enum Learner {
    Worker {
        requests: Sender<Request>,
        answers: Receiver<Answer>,
        busy: bool,
    },
    AtOnce {
        answer: Option<Box<Answer>>,
    },
}

impl Learner {
    pub fn begin(refits: Refits) -> Result<Self, LiveError> {
        match refits {
            Refits::AtOnce => Ok(Self::AtOnce { answer: None }),
            Refits::OnWorker => Self::on_worker(),
        }
    }

    fn on_worker() -> Result<Self, LiveError> {
        let (requests, to_do) = channel::<Request>();
        let (done, answers) = channel();
        // One thread: the other cores are for the frames.
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build();
        let pool = pool.map_err(|error| LiveError::NoWorker(std::io::Error::other(error)))?;
        let work = move || {
            for request in to_do {
                if done.send(pool.install(|| answer(request))).is_err() {
                    break;
                }
            }
        };
        let thread = thread::Builder::new().name("live fits".to_owned());
        thread.spawn(work).map_err(LiveError::NoWorker)?;
        Ok(Self::Worker {
            requests,
            answers,
            busy: false,
        })
    }

    /// Whether a fit is being made.
    pub fn is_busy(&self) -> bool {
        match self {
            Self::Worker { busy, .. } => *busy,
            Self::AtOnce { answer } => answer.is_some(),
        }
    }

    /// Makes a fit; to be asked only while none is being made. A worker that has ended is replaced.
    pub fn ask(&mut self, request: Request) {
        let unsent = match self {
            Self::Worker { requests, busy, .. } => match requests.send(request) {
                Ok(()) => {
                    *busy = true;
                    return;
                }
                Err(SendError(request)) => request,
            },
            Self::AtOnce { answer: place } => {
                *place = Some(Box::new(answer(request)));
                return;
            }
        };
        if let Ok(mut again) = Self::on_worker() {
            if let Self::Worker { requests, busy, .. } = &mut again {
                *busy = requests.send(unsent).is_ok();
            }
            *self = again;
        }
    }

    /// The fit, once it is made. A worker that has ended, since a fit panicked, makes none and is not busy.
    pub fn answer(&mut self) -> Option<Answer> {
        match self {
            Self::Worker { answers, busy, .. } => {
                let answer = answers.try_recv();
                *busy &= matches!(answer, Err(TryRecvError::Empty));
                answer.ok()
            }
            Self::AtOnce { answer } => answer.take().map(|answer| *answer),
        }
    }
}

fn answer(request: Request) -> Answer {
    let Request {
        sightings,
        model,
        profile,
        rests,
        moved,
    } = request;
    let options = FitOptions::of_clip(&sightings.clip).for_pictures(&sightings.overview);
    let mut warnings = Vec::new();
    let fitted = gather(&mut warnings, |doubts| {
        fit_what_moves_and_hold(&sightings, &model, &profile, &options, doubts)
    });
    let fitted = fitted.map(|(held, _)| Fitted {
        rests: Rests::of(&held, &rests),
        held,
        warnings,
    });
    Answer { fitted, moved }
}

/// The mean deflections of a rest by the constants of a fit.
pub(super) fn rest_figures(held: &HeldFit, frames: &[SightedFrame]) -> Option<Figures> {
    let mut before = None;
    let mut figures = Vec::new();
    for frame in frames {
        let settled = held.settle(frame, before.as_ref()).ok()?;
        figures.extend(settled.figures.clone());
        before = Some(settled);
    }
    held.mean_of_rest(&figures.iter().collect::<Vec<_>>())
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use super::*;
    use crate::model_file::StationSource;
    use crate::stations::test_motion::{model_with, sightings_of};

    /// A worker whose thread has ended in the middle of a fit.
    fn without_thread() -> Learner {
        let (requests, _) = channel();
        let (_, answers) = channel();
        Learner::Worker {
            requests,
            answers,
            busy: true,
        }
    }

    fn request() -> Request {
        Request {
            sightings: sightings_of(&[0.0, 0.1], &[None, None]),
            model: model_with(StationSource::Order(vec![0.0])),
            profile: CameraProfile::of_usual_phone(1920, 1080).unwrap(),
            rests: vec![],
            moved: 2,
        }
    }

    #[test]
    fn a_worker_that_has_ended_is_not_busy_and_the_next_fit_has_another_one() {
        let mut learner = without_thread();
        assert!(learner.answer().is_none() && !learner.is_busy());
        learner.ask(request());
        assert!(learner.is_busy());
        let begun = Instant::now();
        let answer = loop {
            if let Some(answer) = learner.answer() {
                break answer;
            }
            assert!(learner.is_busy() && begun.elapsed() < Duration::from_secs(60));
            thread::sleep(Duration::from_millis(5));
        };
        assert!(answer.fitted.is_err(), "no tag is seen");
        assert!(!learner.is_busy());
    }
}
