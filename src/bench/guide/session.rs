//! One calibration while the camera runs: its engine, and the pictures that it keeps.

use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use axum::http::StatusCode;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};
use serde::{Deserialize, Serialize};

use super::shown::Shown;
use crate::bench::calibrate::{self, BoardOrder};
use crate::bench::frames::turns::Turns;
use crate::bench::free_name::{file_stem, free_name};
use crate::bench::line::Order;
use crate::bench::lock::lock;
use crate::bench::open_sessions::Used;
use crate::bench::{Bench, Refusal, ids};
use crate::camera::calibration::{Board, CalibrateOptions};
use crate::camera::guidance::{Guidance, GuidanceError, Kept, Look, Outcome, Part};
use crate::clip::GreyImage;
use crate::commands::output::{OutputError, OutputFile};
use crate::names::LONGEST_NAME;

/// Folder of the views that check the fit, inside that of its pictures, where a calibration of the folder
/// does not look.
const CHECK_FOLDER: &str = "check";

/// File beside the pictures that says which device took them.
const DEVICE_FILE: &str = "camera.json";

/// Longest text that a page says of its device.
const LONGEST_LABEL: usize = 200;

/// Ending of the folder of pictures beside a profile.
const VIEWS: &str = "-views";

/// Longest file that says which device took the pictures.
const MOST_DEVICE_BYTES: u64 = 1 << 16;

/// What a calibration is begun with.
#[derive(Debug, Clone, Deserialize)]
pub struct Asked {
    /// Name of the camera and its mode.
    pub name: String,
    /// The printed board.
    pub board: BoardOrder,
}

/// The camera and its mode, as the browser names them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Device {
    /// The device.
    pub label: String,
    /// Width of its pictures.
    pub width_px: u32,
    /// Height of its pictures.
    pub height_px: u32,
    /// Pictures per second, where the browser knows.
    pub frames_per_s: Option<f64>,
    /// How it focuses, where the browser knows.
    pub focus: Option<String>,
}

impl Device {
    /// The device whose pictures a profile was made from, where that was kept.
    pub fn of(bench: &Bench, profile: &Path) -> Option<Self> {
        let path = bench.workshop.path(&views_of(profile).join(DEVICE_FILE));
        let text = crate::bounded_file::read(&path, MOST_DEVICE_BYTES).ok()?;
        serde_json::from_slice(&text).ok()
    }
}

/// A calibration while the camera runs.
pub struct Session {
    /// Its id.
    pub id: String,
    /// Name of the camera and its mode.
    pub name: String,
    /// The board.
    pub board: Board,
    /// Turns of its pictures.
    pub turns: Turns,
    order: calibrate::Order,
    folder_path: PathBuf,
    engine: Mutex<Guidance>,
    is_working: AtomicBool,
    pub(in crate::bench) used: Used,
}

impl Session {
    /// Begins a calibration; `is_taken` says which folders belong to others.
    ///
    /// # Errors
    /// There is no such board, or the name is missing.
    pub fn begin(
        bench: &Bench,
        asked: Asked,
        is_taken: impl Fn(&Path) -> bool,
    ) -> Result<Self, Refusal> {
        let name: String = asked.name.trim().chars().take(LONGEST_NAME).collect();
        if name.is_empty() {
            return Err(Refusal::bad_request(
                "the camera has no name",
                "name the camera and its mode, such as webcam, 720p",
            ));
        }
        let refused = |error: crate::camera::calibration::CalibrationError| {
            Refusal::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                error.to_string(),
                error.mend(),
            )
        };
        let board = asked.board.board().map_err(refused)?;
        let engine = Guidance::new(board).map_err(refused)?;
        let (out, folder) = free_files(bench, &name, is_taken);
        Ok(Self {
            id: ids::fresh('g').map_err(|_| Refusal::fault())?,
            board,
            turns: Turns::default(),
            folder_path: bench.workshop.path(&folder),
            order: calibrate::Order {
                clip: folder,
                board: asked.board,
                name: name.clone(),
                out,
            },
            name,
            engine: Mutex::new(engine),
            is_working: AtomicBool::new(false),
            used: Used::default(),
        })
    }

    /// Folder of the kept pictures, by its name inside the folder that is served.
    pub fn folder(&self) -> &Path {
        &self.order.clip
    }

    /// Whether nothing was kept.
    pub fn is_empty(&self) -> bool {
        let standing = lock(&self.engine).standing();
        standing.fit_views + standing.check_views == 0
    }

    /// Looks at a picture, and saves it if it is kept.
    ///
    /// # Errors
    /// The picture cannot be used, or cannot be saved; then it is not kept.
    pub fn look(self: &Arc<Self>, time_s: f64, image: &GreyImage) -> Result<Shown, Refusal> {
        let mut engine = lock(&self.engine);
        let look = engine
            .look(time_s, image)
            .map_err(|error| refused(&error))?;
        if let Outcome::Kept(kept) = &look.outcome
            && let Err(cause) = self.save(kept, image)
        {
            engine.undo();
            return Err(unwritable(&cause));
        }
        let shown = Shown::of(&engine, Some(look), &self.board);
        drop(engine);
        self.work();
        Ok(shown)
    }

    /// The state without a new picture.
    pub fn shown(&self) -> Shown {
        Shown::of(&lock(&self.engine), None::<Look>, &self.board)
    }

    /// Takes the last kept view back, and deletes its picture.
    ///
    /// # Errors
    /// Nothing is kept.
    pub fn undo(self: &Arc<Self>) -> Result<Shown, Refusal> {
        let mut engine = lock(&self.engine);
        let kept = engine.undo().ok_or_else(|| {
            Refusal::new(
                StatusCode::CONFLICT,
                "no view is kept",
                "hold the board still",
            )
        })?;
        let _ = std::fs::remove_file(self.picture(&kept));
        let shown = Shown::of(&engine, None::<Look>, &self.board);
        drop(engine);
        self.work();
        Ok(shown)
    }

    /// Keeps beside the pictures which device takes them.
    ///
    /// # Errors
    /// The folder cannot be written to.
    pub fn note_device(&self, mut device: Device) -> Result<(), Refusal> {
        device.label = device.label.chars().take(LONGEST_LABEL).collect();
        device.focus = device
            .focus
            .map(|focus| focus.chars().take(LONGEST_LABEL).collect());
        let text = serde_json::to_vec_pretty(&device).map_err(|_| Refusal::fault())?;
        write_whole(&self.folder_path.join(DEVICE_FILE), &text).map_err(|cause| unwritable(&cause))
    }

    /// Orders the calibration of the kept pictures.
    ///
    /// # Errors
    /// Too few views are kept, or the profile's name was taken meanwhile.
    pub fn finish(&self, bench: &Bench) -> Result<String, Refusal> {
        // Only the folder of the pictures is held for a session: a profile of its name may have come since.
        if !bench.is_free(&self.order.out) {
            return Err(Refusal::new(
                StatusCode::CONFLICT,
                format!("the name {} was taken meanwhile", self.order.out.display()),
                "begin again with another name; the pictures stay",
            ));
        }
        let views = lock(&self.engine).standing().fit_views;
        let needed = CalibrateOptions::default().fewest_views;
        if views < needed {
            return Err(Refusal::new(
                StatusCode::CONFLICT,
                format!("only {views} views are kept, at least {needed} are needed"),
                "hold the board still at the outline",
            ));
        }
        bench.line.add(Order::Calibrate(self.order.clone()))
    }

    /// Does the work that is due, on a thread of its own.
    fn work(self: &Arc<Self>) {
        if self.is_working.swap(true, Ordering::AcqRel) {
            return;
        }
        let session = self.clone();
        let worker = std::thread::Builder::new().name("calibrating".into());
        let started = worker.spawn(move || {
            // Said while the engine is locked: whoever gives it work later starts another thread.
            let next = || {
                let mut engine = lock(&session.engine);
                let work = engine.work();
                if work.is_none() {
                    session.is_working.store(false, Ordering::Release);
                }
                work
            };
            while let Some(work) = next() {
                // A panic costs this piece of work, not the session.
                let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| work.run()));
                if let Ok(done) = done {
                    lock(&session.engine).settle(done);
                }
            }
        });
        if started.is_err() {
            self.is_working.store(false, Ordering::Release);
        }
    }

    fn picture(&self, kept: &Kept) -> PathBuf {
        let folder = match kept.part {
            Part::Fit => self.folder_path.clone(),
            Part::Check => self.folder_path.join(CHECK_FOLDER),
        };
        folder.join(kept.file_name())
    }

    fn save(&self, kept: &Kept, image: &GreyImage) -> std::io::Result<()> {
        let mut bytes = Vec::new();
        let (width_px, height_px) = (image.width_px as u32, image.height_px as u32);
        PngEncoder::new_with_quality(
            BufWriter::new(&mut bytes),
            CompressionType::Fast,
            FilterType::Sub,
        )
        .write_image(&image.pixels, width_px, height_px, ExtendedColorType::L8)
        .map_err(std::io::Error::other)?;
        write_whole(&self.picture(kept), &bytes)
    }
}

/// Writes a file whole or not at all, with the folder that it is in.
fn write_whole(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let written = OutputFile::create(path, true).and_then(|output| output.finish(bytes));
    written.map(drop).map_err(|error| match error {
        OutputError::NotWritable { cause, .. } => cause,
        other => std::io::Error::other(other),
    })
}

/// Whether neither a profile of this name nor a folder for its pictures is there or on order.
pub fn is_free_profile(bench: &Bench, profile: &Path) -> bool {
    bench.is_free(profile) && bench.is_free(&views_of(profile))
}

/// The folder of the pictures that a profile is made from, beside it.
fn views_of(profile: &Path) -> PathBuf {
    let stem = profile.file_stem().unwrap_or_default();
    PathBuf::from(format!("{}{VIEWS}", stem.to_string_lossy()))
}

/// A file for the profile and a folder for the pictures that are not there yet.
fn free_files(bench: &Bench, name: &str, is_taken: impl Fn(&Path) -> bool) -> (PathBuf, PathBuf) {
    let profile = free_name(&file_stem(name), ".toml", |profile| {
        is_free_profile(bench, profile) && !is_taken(&views_of(profile))
    });
    let folder = views_of(&profile);
    (profile, folder)
}

fn refused(error: &GuidanceError) -> Refusal {
    let status = match error {
        GuidanceError::OtherSize { .. } => StatusCode::CONFLICT,
        _ => StatusCode::BAD_REQUEST,
    };
    Refusal::new(status, error.to_string(), error.mend())
}

fn unwritable(cause: &std::io::Error) -> Refusal {
    Refusal::not_kept(StatusCode::UNPROCESSABLE_ENTITY, "the picture", cause)
}
