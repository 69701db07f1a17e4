//! A clip that was searched before is not searched again, unless requested or if the cache is
//! unusable, and an interrupted search resumes; through the real binary, and frame by frame through
//! the library.
//!
//! A clip whose middle is wiped out while its size, date and both ends stay shows that nothing is
//! searched: a search of it cannot give the results of the whole clip.
#![allow(clippy::unwrap_used)]

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use hingewise::clip::{Clip, ClipInfo, ClipOptions, Frame};
use hingewise::model_file::ModelFile;
use hingewise::progress::Silent;
use hingewise::tags::{Checkpoint, CheckpointSink, SightedFrame, TagPlan, TrackerState, sight_on};
use tempfile::TempDir;

/// So many bytes of the sample clip hold 83 of its 353 frames (`ffprobe -show_frames`).
const CUT_AFTER: usize = 600_000;

/// Lies between the two ends that are looked at.
const MIDDLE: std::ops::Range<usize> = 500_000..520_000;

struct Workplace {
    folder: TempDir,
}

impl Workplace {
    /// A clip that breaks off early, so that there is a warning to be kept as well.
    fn new() -> Self {
        Self::with_bytes(CUT_AFTER)
    }

    /// The first bytes of the sample clip.
    fn with_bytes(count: usize) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
        for file in ["model.toml", "camera.toml"] {
            fs::copy(sample.join(file), folder.path().join(file)).unwrap();
        }
        let bytes = fs::read(sample.join("cards.mp4")).unwrap();
        fs::write(
            folder.path().join("clip.mp4"),
            &bytes[..count.min(bytes.len())],
        )
        .unwrap();
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, out: &str, more: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
        command
            .current_dir(self.folder.path())
            .env("HINGEWISE_CACHE_DIR", self.path("kept"))
            .args(["measure", "clip.mp4", "--model", "model.toml"])
            .args(["--camera", "camera.toml", "--out", out])
            .args(more);
        command
    }

    /// Measures into a folder; returns the output and the first stage of the trace.
    fn measure(&self, out: &str, more: &[&str]) -> (String, String) {
        let trace = format!("{out}-trace");
        let mut command = self.command(out, more);
        let output = command.args(["--trace", &trace]).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{told}");
        let times = fs::read_to_string(self.path(&trace).join("times.csv")).unwrap();
        let first = times.lines().nth(1).unwrap().split(',').next().unwrap();
        (String::from_utf8(output.stdout).unwrap(), first.to_owned())
    }

    /// Every file of a result with its bytes.
    fn result(&self, out: &str) -> Vec<(String, Vec<u8>)> {
        let entries = fs::read_dir(self.path(out)).unwrap();
        let mut files: Vec<_> = entries
            .map(|entry| {
                let path = entry.unwrap().path();
                let name = path.file_name().unwrap().to_string_lossy().into_owned();
                (name, fs::read(path).unwrap())
            })
            .collect();
        files.sort();
        files
    }

    /// The only file in the cache.
    fn kept(&self) -> PathBuf {
        let mut files = fs::read_dir(self.path("kept")).unwrap();
        let file = files.next().unwrap().unwrap().path();
        assert!(files.next().is_none());
        file
    }

    fn wipe_the_middle_unseen(&self) {
        let clip = self.path("clip.mp4");
        let changed = fs::metadata(&clip).unwrap().modified().unwrap();
        let mut bytes = fs::read(&clip).unwrap();
        bytes[MIDDLE].fill(0);
        fs::write(&clip, bytes).unwrap();
        let file = File::options().write(true).open(&clip).unwrap();
        file.set_modified(changed).unwrap();
    }
}

const SEARCHED: &str = "clip and tags";
const FROM_CACHE: &str = "cached sightings";

#[test]
fn a_second_measurement_gives_the_same_files_without_a_search() {
    let workplace = Workplace::new();
    let (told, stage) = workplace.measure("first", &[]);
    assert_eq!(stage, SEARCHED);
    assert!(!told.contains("--fresh"), "{told}");

    workplace.wipe_the_middle_unseen();
    let (told, stage) = workplace.measure("second", &[]);
    assert_eq!(stage, FROM_CACHE);
    assert!(told.contains("--fresh"), "{told}");
    let (first, second) = (workplace.result("first"), workplace.result("second"));
    let record = |files: &[(String, Vec<u8>)]| {
        let file = files.iter().find(|(name, _)| name == "measurement.json");
        String::from_utf8(file.unwrap().1.clone()).unwrap()
    };
    assert!(record(&first).contains("clip-ends-early"));
    assert_eq!(record(&first), record(&second));
    assert!(first == second, "all files are the same byte for byte");

    // Asked for, the clip is searched, and what that brings is kept instead.
    let (_, stage) = workplace.measure("third", &["--fresh"]);
    assert_eq!(stage, SEARCHED);
    let third = workplace.result("third");
    assert_ne!(record(&third), record(&first));
    let (_, stage) = workplace.measure("fourth", &[]);
    assert_eq!(stage, FROM_CACHE);
    assert_eq!(record(&workplace.result("fourth")), record(&third));
}

#[test]
fn other_tags_another_date_and_damage_call_for_a_search() {
    let workplace = Workplace::new();
    workplace.measure("first", &[]);

    let kept = workplace.kept();
    let mut bytes = fs::read(&kept).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&kept, &bytes).unwrap();
    assert_eq!(workplace.measure("damaged", &[]).1, SEARCHED);
    assert!(workplace.result("damaged") == workplace.result("first"));
    fs::write(&kept, "").unwrap();
    assert_eq!(workplace.measure("emptied", &[]).1, SEARCHED);
    assert_eq!(workplace.measure("mended", &[]).1, FROM_CACHE);

    let file = File::options()
        .write(true)
        .open(workplace.path("clip.mp4"))
        .unwrap();
    file.set_modified(std::time::UNIX_EPOCH).unwrap();
    assert_eq!(workplace.measure("dated", &[]).1, SEARCHED);

    let model = fs::read_to_string(workplace.path("model.toml")).unwrap();
    let fewer = model.replace(
        "from = \"cards\"",
        "from = \"order\"\norder = [0, 25, 50, 75]",
    );
    assert_ne!(fewer, model);
    fs::write(workplace.path("model.toml"), fewer).unwrap();
    assert_eq!(workplace.measure("without-cards", &[]).1, SEARCHED);
}

#[test]
fn a_folder_that_cannot_be_made_costs_nothing_but_time() {
    let workplace = Workplace::new();
    fs::write(workplace.path("kept"), "a file where the folder should be").unwrap();
    assert_eq!(workplace.measure("first", &[]).1, SEARCHED);
    assert_eq!(workplace.measure("second", &[]).1, SEARCHED);
    assert!(workplace.result("first") == workplace.result("second"));
}

/// So much of an unfinished search is more than its beginning, which says what is searched.
const A_PART_BYTES: u64 = 10_000;

#[test]
fn a_search_that_was_killed_goes_on_where_it_was() {
    let workplace = Workplace::with_bytes(usize::MAX);
    let mut killed = workplace
        .command("killed", &[])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let has_kept_a_part = || {
        let files = fs::read_dir(workplace.path("kept")).into_iter().flatten();
        let mut sizes = files.map(|file| file.unwrap().metadata().unwrap().len());
        sizes.any(|bytes| bytes > A_PART_BYTES)
    };
    while !has_kept_a_part() {
        assert_eq!(killed.try_wait().unwrap(), None, "it ended before");
        std::thread::sleep(Duration::from_millis(5));
    }
    killed.kill().unwrap();
    killed.wait().unwrap();
    assert!(!workplace.path("killed").join("measurement.json").exists());

    let (told, stage) = workplace.measure("gone-on", &[]);
    assert_eq!(stage, SEARCHED);
    assert!(told.contains("continued from there"), "{told}");
    let (told, stage) = workplace.measure("again", &[]);
    assert_eq!(stage, FROM_CACHE);
    assert!(!told.contains("continued from there"), "{told}");
    let (told, _) = workplace.measure("at-once", &["--fresh"]);
    assert!(!told.contains("continued from there"), "{told}");
    for out in ["gone-on", "again"] {
        assert!(
            workplace.result(out) == workplace.result("at-once"),
            "{out}"
        );
    }
}

#[test]
fn the_file_of_another_program_at_work_is_left_to_it() {
    let workplace = Workplace::new();
    workplace.measure("first", &[]);
    let unfinished = workplace.kept().with_extension("unfinished");
    fs::rename(workplace.kept(), &unfinished).unwrap();
    let other = File::options().read(true).write(true).open(&unfinished);
    let other = other.unwrap();
    other.lock().unwrap();
    let before = fs::read(&unfinished).unwrap();
    let (told, stage) = workplace.measure("second", &["--fresh"]);
    assert_eq!(stage, SEARCHED);
    assert!(!told.contains("continued from there"), "{told}");
    assert!(fs::read(&unfinished).unwrap() == before);
    assert!(workplace.result("second") == workplace.result("first"));
}

/// Takes up all parts of a search.
struct Notes(Checkpoint);

impl CheckpointSink for Notes {
    fn save(&mut self, news: &[SightedFrame], memory: &TrackerState) {
        self.0.frames.extend_from_slice(news);
        self.0.memory = memory.clone();
    }
}

#[test]
fn a_search_taken_up_anywhere_brings_the_same_without_a_look_at_the_frames_before() {
    let workplace = Workplace::new();
    let clip = Clip::open(&workplace.path("clip.mp4"), &ClipOptions::default()).unwrap();
    let info = clip.info().clone();
    let plan = TagPlan::of(&ModelFile::read(&workplace.path("model.toml")).unwrap());
    let frames: Vec<Frame> = clip
        .into_stream()
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let nothing = || Checkpoint::new(&plan).unwrap();

    let search = |frames: Vec<Frame>, checkpoint, notes: &mut Notes| {
        let frames = frames.into_iter().map(Ok);
        sight_on(frames, &info, &plan, checkpoint, notes, &Silent).unwrap()
    };
    let whole = search(frames.clone(), nothing(), &mut Notes(nothing()));
    for split in [1, 17, frames.len() - 1, frames.len()] {
        let mut notes = Notes(nothing());
        search(frames[..split].to_vec(), nothing(), &mut notes);
        assert_eq!(notes.0.frames.len(), split);
        // Nothing could be found in these any more.
        let mut rest = frames.clone();
        for frame in &mut rest[..split] {
            *frame = black(frame, &info);
        }
        let checkpoint = notes.0.clone();
        assert_eq!(
            search(rest, checkpoint, &mut notes),
            whole,
            "from frame {split}"
        );
        assert_eq!(notes.0.frames, whole.frames, "from frame {split}");
    }
}

/// A frame without anything in it.
fn black(frame: &Frame, info: &ClipInfo) -> Frame {
    let mut frame = frame.clone();
    frame.image.pixels = vec![info.levels.black; frame.image.pixels.len()].into();
    frame
}
