//! Inputs beyond any that is meant: refused at once, with what is accepted.

use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use super::{hingewise, names_in, project, refused, said};

/// Longest that refusing takes, with a machine that is busy otherwise.
const AT_ONCE: Duration = Duration::from_secs(10);

/// Refused with these words, at once and in few of them.
#[track_caller]
fn refused_at_once(command: &mut Command, words: &[&str]) {
    let start = Instant::now();
    let said = refused(command, words);
    assert!(start.elapsed() < AT_ONCE, "{:?}", start.elapsed());
    assert!(said.len() < 20_000, "{} bytes", said.len());
}

fn sample_model() -> String {
    std::fs::read_to_string(project("sample-frames/model.toml")).unwrap()
}

/// `print kit` of a model file with this text, which may be bytes of any kind.
fn kit_of(folder: &Path, model: impl AsRef<[u8]>) -> Command {
    std::fs::write(folder.join("model.toml"), model).unwrap();
    let mut command = hingewise(folder);
    command.args(["print", "kit", "--model", "model.toml", "--out", "kit.pdf"]);
    command
}

#[test]
fn boards_have_at_most_a_hundred_squares_a_side() {
    let folder = tempfile::tempdir().unwrap();
    for board in ["60000x60000", "20000x20000", "101x5", "5x101"] {
        let mut command = hingewise(folder.path());
        command.args([
            "calibrate",
            "clip.mp4",
            "--out",
            "p.toml",
            "--charuco",
            board,
        ]);
        command.args([
            "--dictionary",
            "DICT_5X5_100",
            "--square-mm",
            "24",
            "--marker-mm",
            "18",
        ]);
        refused_at_once(&mut command, &["at most 100 squares a side"]);
        let mut command = hingewise(folder.path());
        command.args(["print", "board", "--chessboard", board, "--square-mm", "1"]);
        command.args(["--out", "board.pdf"]);
        refused_at_once(&mut command, &["at most 100 squares a side"]);
    }
    assert!(names_in(folder.path()).is_empty());
}

#[test]
fn names_have_at_most_a_hundred_letters_wherever_they_come_from() {
    let folder = tempfile::tempdir().unwrap();
    let long = "n".repeat(70_000);
    for name in ["left aileron", "Heron 2.1 m"] {
        let model =
            sample_model().replace(&format!("name = \"{name}\""), &format!("name = \"{long}\""));
        refused_at_once(
            &mut kit_of(folder.path(), model),
            &["has 70000 letters", "100 at most"],
        );
    }
    for name in ["ö".repeat(100), "n".repeat(100)] {
        let model = sample_model().replace("Heron 2.1 m", &name);
        let output = kit_of(folder.path(), model)
            .arg("--force")
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", said(&output));
    }
    let new = |arguments: &[&str]| {
        let mut command = hingewise(folder.path());
        command.args(["new", "new.toml"]).args(arguments);
        command
    };
    refused_at_once(&mut new(&[&long[..101]]), &["at most 100 letters"]);
    refused_at_once(
        &mut new(&["flap", "--name", &long[..101]]),
        &["at most 100 letters"],
    );
    let mut calibrate = hingewise(folder.path());
    calibrate.args([
        "calibrate",
        "clip.mp4",
        "--chessboard",
        "9x6",
        "--square-mm",
        "24",
    ]);
    calibrate.args(["--out", "p.toml", "--name", &long[..101]]);
    refused_at_once(&mut calibrate, &["at most 100 letters"]);

    let profile = std::fs::read_to_string(project("sample-frames/camera.toml")).unwrap();
    let profile = profile.replace("invented phone, 1080p, 1x", &long);
    std::fs::write(folder.path().join("camera.toml"), profile).unwrap();
    let mut measure = hingewise(folder.path());
    measure.args([
        "measure",
        "clip.mp4",
        "--out",
        "out",
        "--camera",
        "camera.toml",
    ]);
    measure
        .arg("--model")
        .arg(project("sample-frames/model.toml"));
    refused_at_once(&mut measure, &["has 70000 letters"]);

    let kept = std::fs::read_to_string(project("tests/data/measurement/before.json")).unwrap();
    let kept = kept.replace("left tailplane", &long);
    std::fs::write(folder.path().join("measurement.json"), kept).unwrap();
    let mut again = hingewise(folder.path());
    again.args(["match", "measurement.json"]);
    refused_at_once(&mut again, &["more than 100 letters"]);
}

#[test]
fn curves_of_a_measurement_have_at_most_a_hundred_points() {
    let folder = tempfile::tempdir().unwrap();
    let kept = std::fs::read(project("tests/data/measurement/before.json")).unwrap();
    let mut kept: serde_json::Value = serde_json::from_slice(&kept).unwrap();
    let points: Vec<f64> = (0..101).map(|n| f64::from(n) * 2.0 - 100.0).collect();
    kept["radio"]["curve_points_pct"] = points.into();
    std::fs::write(folder.path().join("measurement.json"), kept.to_string()).unwrap();
    let mut again = hingewise(folder.path());
    again.args(["match", "measurement.json"]);
    refused_at_once(&mut again, &["has 101 curve points, and 100 at most"]);
}

#[test]
fn curves_have_at_most_a_hundred_points() {
    let folder = tempfile::tempdir().unwrap();
    for (count, is_refused) in [(16_001, true), (101, true), (100, false)] {
        let points: Vec<String> = (0..count)
            .map(|n| format!("{:.4}", -100.0 + 200.0 * f64::from(n) / f64::from(count)))
            .collect();
        let points = format!("curve_points_pct = [{}]", points.join(", "));
        let model = sample_model().replace(
            "curve_points_pct = [-100, -75, -50, -25, 0, 25, 50, 75, 100]",
            &points,
        );
        let mut command = kit_of(folder.path(), model);
        if is_refused {
            refused_at_once(
                &mut command,
                &[&format!("has {count} entries, and 100 at most")],
            );
        } else {
            assert!(command.output().unwrap().status.success());
        }
    }
}

#[test]
fn a_measurement_in_place_of_a_model_file_is_recognised() {
    let folder = tempfile::tempdir().unwrap();
    let kept = std::fs::read(project("tests/data/measurement/before.json")).unwrap();
    let words = [
        "a measurement that `hingewise measure` wrote",
        "ends in .toml",
    ];
    refused_at_once(&mut kit_of(folder.path(), kept), &words);
    refused_at_once(
        &mut kit_of(folder.path(), "{\"a\": 1}"),
        &["this is a JSON file"],
    );
    let mut again = hingewise(folder.path());
    again.arg("match").arg(project("sample-frames/model.toml"));
    refused_at_once(&mut again, &["is not a measurement", "no JSON"]);
}

#[test]
fn ten_faults_are_shown_and_the_others_counted() {
    let folder = tempfile::tempdir().unwrap();
    let unknown: String = (0..30_000).map(|n| format!("key{n} = {n}\n")).collect();
    let model = unknown + &sample_model();
    let said = refused(
        &mut kit_of(folder.path(), model),
        &["30000 faults", "the first 10"],
    );
    assert_eq!(said.matches("unknown key").count(), 10, "{said}");
}

#[test]
fn long_lines_are_cut_to_the_place() {
    let folder = tempfile::tempdir().unwrap();
    let long = format!("a{} = 1 # {}\n", "b".repeat(100_000), "ö".repeat(50_000));
    refused_at_once(
        &mut kit_of(folder.path(), long + &sample_model()),
        &["unknown key"],
    );
    let in_a_row: Vec<String> = (0..80)
        .map(|n| format!("x{n} = \"{}\"", "ä".repeat(1000)))
        .collect();
    let table = format!("wrong = {{ {} }}\n", in_a_row.join(", "));
    refused_at_once(
        &mut kit_of(folder.path(), table + &sample_model()),
        &["unknown key `wrong`"],
    );
    let same_line = format!(
        "name = \"{}\"\nname = \"{}\"\n",
        "x".repeat(3000),
        "y".repeat(3000)
    );
    refused_at_once(&mut kit_of(folder.path(), same_line), &["cannot be read"]);
}

#[cfg(target_os = "linux")]
#[test]
fn only_regular_files_are_read_and_only_up_to_a_limit() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    // Five gigabytes of nothing, which take no room.
    let huge = folder.path().join("huge");
    std::fs::File::create(&huge)
        .unwrap()
        .set_len(5 << 30)
        .unwrap();
    for (file, words) in [
        ("/dev/zero", "no regular file"),
        (pipe.to_str().unwrap(), "no regular file"),
        (huge.to_str().unwrap(), "large"),
    ] {
        let mut kit = hingewise(folder.path());
        kit.args(["print", "kit", "--model", file, "--out", "kit.pdf"]);
        refused_at_once(&mut kit, &[words]);
        let mut measure = hingewise(folder.path());
        measure.args(["measure", "clip.mp4", "--out", "out", "--camera", file]);
        measure
            .arg("--model")
            .arg(project("sample-frames/model.toml"));
        refused_at_once(&mut measure, &[words]);
        let mut again = hingewise(folder.path());
        again.args(["match", file]);
        refused_at_once(&mut again, &[words]);

        let stills = folder.path().join("stills");
        std::fs::create_dir(&stills).unwrap();
        image::GrayImage::new(64, 36)
            .save(stills.join("0.png"))
            .unwrap();
        std::os::unix::fs::symlink(file, stills.join("times.csv")).unwrap();
        let mut clip = super::measure(folder.path(), &stills, "out");
        refused_at_once(&mut clip, &[words]);
        std::fs::remove_dir_all(stills).unwrap();
    }
}

/// An AVI of uncompressed 8-bit grey pictures whose rows run from the bottom, which FFmpeg writes as a mark behind
/// the `BITMAPINFOHEADER` (Microsoft's AVI RIFF File Reference; `riffenc.c`).
fn bottom_up_avi() -> Vec<u8> {
    const WIDTH: u32 = 192;
    const HEIGHT: u32 = 108;
    let chunk = |name: &[u8; 4], body: &[u8]| {
        let mut bytes = name.to_vec();
        bytes.extend((body.len() as u32).to_le_bytes());
        bytes.extend(body);
        bytes
    };
    let words = |words: &[u32]| {
        words
            .iter()
            .flat_map(|word| word.to_le_bytes())
            .collect::<Vec<u8>>()
    };
    let main = chunk(
        b"avih",
        &words(&[33_333, 0, 0, 0, 1, 0, 1, 0, WIDTH, HEIGHT, 0, 0, 0, 0]),
    );
    let mut stream = b"vidsDIB ".to_vec();
    stream.extend(words(&[0, 0, 0, 1, 30, 0, 1, WIDTH * HEIGHT, 0, 0, 0, 0]));
    let stream = chunk(b"strh", &stream);
    let mut picture = words(&[40, WIDTH, HEIGHT]);
    picture.extend([1, 0, 8, 0]);
    picture.extend(b"Y800");
    picture.extend(words(&[WIDTH * HEIGHT, 0, 0, 0, 0]));
    picture.extend(b"\0BottomUp\0");
    let format = chunk(b"strf", &picture);
    let list = |name: &[u8; 4], parts: &[&[u8]]| {
        let mut body = name.to_vec();
        parts.iter().for_each(|part| body.extend(*part));
        chunk(b"LIST", &body)
    };
    let streams = list(b"strl", &[&stream, &format]);
    let header = list(b"hdrl", &[&main, &streams]);
    let frame = chunk(b"00db", &[128; (WIDTH * HEIGHT) as usize]);
    let movie = list(b"movi", &[&frame, &frame, &frame]);
    let mut body = b"AVI ".to_vec();
    body.extend(header);
    body.extend(movie);
    chunk(b"RIFF", &body)
}

#[test]
fn uncompressed_pictures_with_rows_from_the_bottom_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let clip = folder.path().join("clip.avi");
    let mut file = std::fs::File::create(&clip).unwrap();
    file.write_all(&bottom_up_avi()).unwrap();
    let mut measure = super::measure(folder.path(), &clip, "out");
    refused_at_once(&mut measure, &["from the bottom row"]);
}

/// Makes a short clip with ffmpeg; `false` where it is not at hand.
fn made_by_ffmpeg(options: &[&str], clip: &Path) -> bool {
    let made = Command::new("ffmpeg")
        .args([
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            "testsrc2=size=320x240:rate=30:duration=0.3",
        ])
        .args(options)
        .arg(clip)
        .status();
    made.is_ok_and(|status| status.success())
}

#[test]
fn pixels_that_are_not_square_and_interlaced_pictures_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let h264 = "-c:v libx264 -pix_fmt yuv420p";
    // The container says so, or only the pictures do.
    let cases = [
        (
            format!("{h264} -vf setsar=4/3"),
            "mp4",
            "not square: 4 wide, 3 high",
        ),
        (
            format!("{h264} -flags +ildct+ilme -top 1"),
            "mp4",
            "interlaced",
        ),
        (
            format!("{h264} -x264-params bff=1:interlaced=1"),
            "mkv",
            "interlaced",
        ),
        (
            "-c:v libx265 -pix_fmt yuv420p -x265-params interlace=tff:log-level=none".into(),
            "mp4",
            "interlaced",
        ),
    ];
    for (options, ending, words) in cases {
        let clip = folder.path().join(format!("clip.{ending}"));
        let _ = std::fs::remove_file(&clip);
        let options: Vec<&str> = options.split(' ').collect();
        if !made_by_ffmpeg(&options, &clip) {
            println!("ffmpeg with {} is not at hand", options[1]);
            continue;
        }
        refused_at_once(&mut super::measure(folder.path(), &clip, "out"), &[words]);
    }
}

#[test]
fn a_header_without_a_codec_is_called_damaged() {
    // The sample entry's name of the codec (ISO/IEC 14496-12, 8.5.2) becomes one that nobody uses.
    let folder = tempfile::tempdir().unwrap();
    let mut bytes = std::fs::read(project("tests/data/clip/nasa_stream0.mp4")).unwrap();
    let at = bytes.windows(4).position(|four| four == b"stsd").unwrap();
    let entry = bytes[at..]
        .windows(4)
        .position(|four| four == b"avc1")
        .unwrap()
        + at;
    bytes[entry..entry + 4].copy_from_slice(b"xqz?");
    let clip = folder.path().join("clip.mp4");
    std::fs::write(&clip, bytes).unwrap();
    let said = refused(
        &mut super::measure(folder.path(), &clip, "out"),
        &["header of", "is damaged"],
    );
    assert!(!said.contains("coded as none"), "{said}");
}
