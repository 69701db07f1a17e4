//! Clips and films, fed to a session frame by frame.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions};
use hingewise::live::{LiveOptions, LiveSession, LiveState, Refits};
use hingewise::model_file::ModelFile;
use hingewise::progress::Silent;
use hingewise::tags::{SightedFrame, Sightings, TagPlan, sight};

/// A file of the project.
pub fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// What was seen in a clip, with what was declared.
pub struct Seen {
    pub model: ModelFile,
    pub profile: CameraProfile,
    pub sightings: Sightings,
    /// True deflections of both sides by frame, degrees, from the true neutral.
    pub truth_deg: Vec<[f64; 2]>,
}

/// The sample clip on a tripod, with station cards.
pub static TRIPOD: LazyLock<Seen> = LazyLock::new(|| {
    Seen::read(
        "sample-frames/cards.mp4",
        "sample-frames/model.toml",
        "tests/data/clips/cards-true-frames.csv",
    )
});

/// The clip from the hand, whose holds have a declared order.
pub static HANDHELD: LazyLock<Seen> = LazyLock::new(|| {
    Seen::read(
        "sample-frames/elevator.mp4",
        "sample-frames/elevator.toml",
        "tests/data/clips/handheld-true-frames.csv",
    )
});

impl Seen {
    fn read(clip: &str, model: &str, truth: &str) -> Self {
        let model = ModelFile::read(&root(model)).unwrap();
        let clip = Clip::open(&root(clip), &ClipOptions::default()).unwrap();
        let info = clip.info().clone();
        let frames = clip.into_stream().unwrap();
        let mut truth = csv::Reader::from_path(root(truth)).unwrap();
        let of_row = |row: Result<csv::StringRecord, _>| {
            let row = row.unwrap();
            [2, 3].map(|column| row[column].parse().unwrap())
        };
        Self {
            profile: CameraProfile::read(&root("sample-frames/camera.toml")).unwrap(),
            sightings: sight(frames, &info, &TagPlan::of(&model), &Silent).unwrap(),
            model,
            truth_deg: truth.records().map(of_row).collect(),
        }
    }

    pub fn session(&self) -> LiveSession {
        session(&self.model, &self.profile)
    }

    /// When the clip begins once more after it was played once, s.
    pub fn again_s(&self) -> f64 {
        again_s(&self.sightings)
    }

    /// Feeds all frames from a time on, changed by a function, and looks at every state with the number of its
    /// frame.
    pub fn play(
        &self,
        session: &mut LiveSession,
        from_s: f64,
        change: impl Fn(&mut SightedFrame),
        look: impl FnMut(usize, &LiveState),
    ) {
        play(&self.sightings, session, from_s, change, look);
    }

    /// A session that has seen the whole clip once, without keeping holds.
    pub fn learned(&self) -> LiveSession {
        let mut session = self.session();
        session.keep_by_itself(false);
        self.play(&mut session, 0.0, |_| (), |_, _| ());
        session.keep_by_itself(true);
        session
    }
}

pub fn session(model: &ModelFile, profile: &CameraProfile) -> LiveSession {
    let options = LiveOptions {
        refits: Refits::AtOnce,
        ..LiveOptions::default()
    };
    LiveSession::begin(model.clone(), profile.clone(), options).unwrap()
}

/// Time between two times of playing, s: no rest goes on from one to the other.
const PAUSE_S: f64 = 2.0;

/// When a clip begins once more after it was played once, s.
pub fn again_s(sightings: &Sightings) -> f64 {
    let frames = &sightings.frames;
    frames[frames.len() - 1].time_s + PAUSE_S
}

pub fn play(
    sightings: &Sightings,
    session: &mut LiveSession,
    from_s: f64,
    change: impl Fn(&mut SightedFrame),
    mut look: impl FnMut(usize, &LiveState),
) {
    for (number, frame) in sightings.frames.iter().enumerate() {
        let mut frame = frame.clone();
        change(&mut frame);
        frame.time_s += from_s;
        look(number, &session.sighted(frame).unwrap());
    }
}
