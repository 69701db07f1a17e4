//! Workshop: the files of the folder, as the commands use them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::SystemTime;

use super::Refusal;
use super::ids::{Kind, id};
use crate::bounded_file;
use crate::camera::{CameraProfile, ProfileFault};
use crate::measurement::{FILE_NAME, Measurement};
use crate::model_file::{ModelFile, ModelFileErrors};
use crate::names;
use crate::table_reader::{FileError, MAX_FILE_BYTES};

/// Where clips that arrive are kept, inside the folder.
pub const CLIPS: &str = "clips";

/// Largest file that is served, bytes: the report of ten minutes has a tenth of it.
const MOST_BYTES: u64 = 64 << 20;

/// How the folder of a record ends.
const RECORD: &str = "-record";

/// Endings of files that are offered as clips where they lie in the folder itself.
const CLIP_ENDINGS: [&str; 9] = [
    "mp4", "mov", "m4v", "mkv", "webm", "avi", "ts", "mts", "m2ts",
];

/// Endings of stills.
const STILL_ENDINGS: [&str; 3] = ["jpg", "jpeg", "png"];

/// A folder with fewer pictures is not offered as a folder of stills.
const FEWEST_STILLS: usize = 3;

/// A model file.
pub struct Aircraft {
    /// Its id.
    pub id: String,
    /// Its name inside the folder.
    pub file: PathBuf,
    /// What it says, or what is wrong with it.
    pub model: Result<ModelFile, ModelFileErrors>,
}

impl Aircraft {
    /// The aircraft's name, else the file's.
    pub fn name(&self) -> String {
        match &self.model {
            Ok(model) => model.name.clone(),
            Err(_) => names::of_file(&self.file),
        }
    }
}

/// A camera profile.
pub struct Camera {
    /// Its id.
    pub id: String,
    /// Its name inside the folder.
    pub file: PathBuf,
    /// What it says, or what is wrong with it.
    pub profile: Result<CameraProfile, FileError<ProfileFault>>,
}

impl Camera {
    /// The camera's name, else the file's.
    pub fn name(&self) -> String {
        match &self.profile {
            Ok(profile) => profile.name.clone(),
            Err(_) => names::of_file(&self.file),
        }
    }
}

/// A clip, or a folder of stills.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipFile {
    /// Its id.
    pub id: String,
    /// Its name inside the folder.
    pub file: PathBuf,
    /// When it was last written.
    pub written: SystemTime,
}

/// A folder with a measurement.
#[derive(Clone)]
pub struct Measured {
    /// Its id.
    pub id: String,
    /// Its name inside the folder.
    pub folder: PathBuf,
    /// When it was written.
    pub written: SystemTime,
    /// Whether it belongs to a record.
    pub is_kept: bool,
    /// What was measured.
    pub measurement: std::sync::Arc<Measurement>,
}

/// A measurement that was read before, and when its file was written.
type Read = (SystemTime, std::sync::Arc<Measurement>);

/// The folder.
pub struct Workshop {
    root: PathBuf,
    read: Mutex<BTreeMap<PathBuf, Read>>,
}

impl Workshop {
    /// The files of a folder; an empty path is the folder that the program runs in.
    pub fn at(root: &Path) -> Self {
        Self {
            root: root.into(),
            read: Mutex::default(),
        }
    }

    /// The path of a name inside the folder.
    pub fn path(&self, inside: &Path) -> PathBuf {
        self.root.join(inside)
    }

    /// The bytes of a regular file of the folder; `None` where there is none, or where a link leads out of the
    /// folder.
    pub fn read(&self, inside: &Path) -> Option<Vec<u8>> {
        let path = self.path(inside);
        let is_inside = is_inside(&self.root, &path);
        is_inside.then(|| bounded_file::read(&path, MOST_BYTES).ok())?
    }

    /// The same of a text.
    pub fn read_text(&self, inside: &Path) -> Option<String> {
        String::from_utf8(self.read(inside)?).ok()
    }

    /// All model files, by name of file.
    pub fn aircraft(&self) -> Vec<Aircraft> {
        let files = self.tables().into_iter();
        files.filter_map(|file| self.aircraft_in(file)).collect()
    }

    /// The model file of an id.
    pub fn aircraft_of(&self, wanted: &str) -> Result<Aircraft, Refusal> {
        let mut files = self.tables().into_iter();
        files
            .find(|file| id(Kind::Aircraft, file) == wanted)
            .and_then(|file| self.aircraft_in(file))
            .ok_or_else(|| Refusal::not_found("aircraft"))
    }

    fn aircraft_in(&self, file: PathBuf) -> Option<Aircraft> {
        let path = self.path(&file);
        let text = read_text(&path).filter(|text| is_model(text))?;
        Some(Aircraft {
            id: id(Kind::Aircraft, &file),
            model: ModelFile::parse(&path, text).map_err(FileError::Faulty),
            file,
        })
    }

    /// The aircraft that a measurement names.
    pub fn aircraft_named(&self, name: &str) -> Option<Aircraft> {
        let mut all = self.aircraft().into_iter();
        all.find(|aircraft| aircraft.name() == name)
    }

    /// All camera profiles, by name of file.
    pub fn cameras(&self) -> Vec<Camera> {
        let files = self.tables().into_iter();
        files.filter_map(|file| self.camera_in(file)).collect()
    }

    /// Whether there is a camera profile.
    pub fn has_camera(&self) -> bool {
        let mut files = self.tables().into_iter();
        files.any(|file| self.camera_in(file).is_some())
    }

    /// The camera profile of an id.
    pub fn camera_of(&self, wanted: &str) -> Result<Camera, Refusal> {
        let mut files = self.tables().into_iter();
        files
            .find(|file| id(Kind::Camera, file) == wanted)
            .and_then(|file| self.camera_in(file))
            .ok_or_else(|| Refusal::not_found("camera"))
    }

    fn camera_in(&self, file: PathBuf) -> Option<Camera> {
        let path = self.path(&file);
        let text = read_text(&path).filter(|text| is_profile(text))?;
        Some(Camera {
            id: id(Kind::Camera, &file),
            profile: CameraProfile::parse(&path, text).map_err(FileError::Faulty),
            file,
        })
    }

    /// All clips of the folder and of its folder of clips, the latest first.
    pub fn clips(&self) -> Vec<ClipFile> {
        let files = self.clip_names();
        let mut clips: Vec<ClipFile> = files.filter_map(|file| self.clip_in(file)).collect();
        clips.sort_by(|a, b| (b.written, &a.file).cmp(&(a.written, &b.file)));
        clips
    }

    /// The clip of an id.
    pub fn clip_of(&self, wanted: &str) -> Result<ClipFile, Refusal> {
        let mut files = self.clip_names();
        files
            .find(|file| id(Kind::Clip, file) == wanted)
            .and_then(|file| self.clip_in(file))
            .ok_or_else(|| Refusal::not_found("clip"))
    }

    /// What may be a clip, by name, in the folder and in its folder of clips.
    fn clip_names(&self) -> impl Iterator<Item = PathBuf> {
        let arrived = self.names(Path::new(CLIPS)).into_iter();
        let beside = self.names(Path::new("")).into_iter();
        arrived.chain(beside.filter(|file| is_clip(file)))
    }

    fn clip_in(&self, file: PathBuf) -> Option<ClipFile> {
        let path = self.path(&file);
        path.is_file().then(|| ClipFile {
            id: id(Kind::Clip, &file),
            written: written(&path),
            file,
        })
    }

    /// Folders of stills, by name.
    pub fn stills(&self) -> Vec<ClipFile> {
        let mut folders = self.names(Path::new(""));
        folders.retain(|folder| {
            let files = self.names(folder);
            files.iter().filter(|file| is_still(file)).count() >= FEWEST_STILLS
        });
        let stills = folders.into_iter().map(|file| ClipFile {
            id: id(Kind::Clip, &file),
            written: written(&self.path(&file)),
            file,
        });
        stills.collect()
    }

    /// All folders with a measurement, those of records among them; the latest first.
    pub fn measurements(&self) -> Vec<Measured> {
        let folders = self.measurement_folders();
        let mut found: Vec<Measured> = folders
            .filter_map(|(folder, is_kept)| self.measured(&folder, is_kept))
            .collect();
        found.sort_by(|a, b| (b.written, &b.folder).cmp(&(a.written, &a.folder)));
        found
    }

    /// The measurement of an id.
    pub fn measurement_of(&self, wanted: &str) -> Result<Measured, Refusal> {
        let mut folders = self.measurement_folders();
        folders
            .find(|(folder, _)| id(Kind::Measurement, folder) == wanted)
            .and_then(|(folder, is_kept)| self.measured(&folder, is_kept))
            .ok_or_else(|| Refusal::not_found("measurement"))
    }

    /// Folders that may hold a measurement, each with whether it belongs to a record.
    fn measurement_folders(&self) -> impl Iterator<Item = (PathBuf, bool)> {
        let folders = self.names(Path::new("")).into_iter();
        folders.flat_map(|folder| {
            let entries = match folder.to_string_lossy().ends_with(RECORD) {
                true => self.names(&folder),
                false => Vec::new(),
            };
            let entries = entries.into_iter().map(|entry| (entry, true));
            std::iter::once((folder, false)).chain(entries)
        })
    }

    /// The measurement in a folder. It is read again only when its file has changed.
    fn measured(&self, folder: &Path, is_kept: bool) -> Option<Measured> {
        let file = self.path(folder).join(FILE_NAME);
        if !is_inside(&self.root, &file) || !file.is_file() {
            return None;
        }
        let written = written(&file);
        let known = |read: &BTreeMap<PathBuf, Read>| {
            let (at, measurement) = read.get(&file)?;
            (*at == written).then(|| measurement.clone())
        };
        let before = self.read.lock().ok().and_then(|read| known(&read));
        let measurement = match before {
            Some(measurement) => measurement,
            None => {
                let measurement = std::sync::Arc::new(Measurement::read(&file).ok()?);
                if let Ok(mut read) = self.read.lock() {
                    read.insert(file, (written, measurement.clone()));
                }
                measurement
            }
        };
        Some(Measured {
            id: id(Kind::Measurement, folder),
            folder: folder.into(),
            written,
            is_kept,
            measurement,
        })
    }

    /// Names of the TOML files.
    fn tables(&self) -> Vec<PathBuf> {
        let mut files = self.names(Path::new(""));
        files.retain(|file| file.extension().is_some_and(|ending| ending == "toml"));
        files
    }

    /// The contents of a folder of the workshop, by name; hidden names and links that lead out of it
    /// are left out.
    fn names(&self, inside: &Path) -> Vec<PathBuf> {
        let folder = self.path(inside);
        let folder = match folder.as_os_str().is_empty() {
            true => PathBuf::from("."),
            false => folder,
        };
        let Ok(entries) = std::fs::read_dir(folder) else {
            return Vec::new();
        };
        let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
        let mut names: Vec<PathBuf> = names
            .filter(|name| !name.starts_with('.'))
            .map(|name| inside.join(name))
            .filter(|file| is_inside(&self.root, &self.path(file)))
            .collect();
        names.sort();
        names
    }
}

/// Whether a path, with all links followed, is inside a folder.
pub fn is_inside(root: &Path, path: &Path) -> bool {
    let root = match root.as_os_str().is_empty() {
        true => Path::new("."),
        false => root,
    };
    let real = |path: &Path| std::fs::canonicalize(path).ok();
    matches!((real(root), real(path)), (Some(root), Some(path)) if path.starts_with(&root))
}

/// Whether a TOML file was meant as a model file, whatever else may be wrong with it.
fn is_model(text: &str) -> bool {
    let heads = ["[[surface]]", "[model]"];
    (text.lines()).any(|line| heads.iter().any(|head| line.trim_start().starts_with(head)))
}

/// Whether a TOML file was meant as a camera profile.
fn is_profile(text: &str) -> bool {
    !is_model(text)
        && text
            .lines()
            .any(|line| line.trim_start().starts_with("matrix"))
}

fn is_clip(file: &Path) -> bool {
    ends_like(file, &CLIP_ENDINGS)
}

fn is_still(file: &Path) -> bool {
    ends_like(file, &STILL_ENDINGS)
}

fn ends_like(file: &Path, endings: &[&str]) -> bool {
    let ending = file.extension().map(|ending| ending.to_string_lossy());
    ending.is_some_and(|ending| endings.contains(&ending.to_lowercase().as_str()))
}

/// The text of a TOML file. What no command could read is not offered.
fn read_text(path: &Path) -> Option<String> {
    bounded_file::read_text(path, MAX_FILE_BYTES).ok()
}

fn written(path: &Path) -> SystemTime {
    let metadata = std::fs::metadata(path).and_then(|metadata| metadata.modified());
    metadata.unwrap_or(SystemTime::UNIX_EPOCH)
}
