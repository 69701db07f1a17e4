//! Stick logs of another clock and sweeps without holds, on synthetic films with known truth.
//!
//! The truth is the synthetic world's (`tests/support`): its own servos with dead band, lag and
//! largest speed, its own linkages and play. It shares no code with what is tested.

#![allow(clippy::unwrap_used)]

mod support;

use std::path::{Path, PathBuf};

use hingewise::model_file::StationSource;
use hingewise::motion::{FitOptions, Motion, fit};
use hingewise::response::{Responses, respond};
use hingewise::stations::{Approach, HoldOptions, Holds, StationsError, find_holds};
use hingewise::warning::Warning;
use support::aircraft::{self, Aircraft};
use support::filming::{self, Filming, StickPlan};
use support::random::Random;
use support::world::{Film, observe};

/// A log as a radio keeps it.
#[derive(Clone, Copy)]
struct Logging {
    /// Log's clock less the clip's.
    clock_offset_s: f64,
    interval_s: f64,
    step_pct: f64,
    /// How long before and after the clip it runs.
    margin_s: f64,
}

const LOGGING: Logging = Logging {
    clock_offset_s: 1234.567,
    interval_s: 0.02,
    step_pct: 0.1,
    margin_s: 3.0,
};

/// The film's stick as a log.
fn log_text(film: &Film, logging: Logging, seed: u64) -> String {
    let mut random = Random::new(seed ^ 0x106);
    let stick = &film.filming.stick;
    let count = ((stick.duration_s() + 2.0 * logging.margin_s) / logging.interval_s) as usize;
    let mut text = String::from("time_s,stick_pct\n");
    for row in 0..count {
        // A logger's interval is not quite even.
        let jitter_s = 0.2 * logging.interval_s * random.between(-1.0, 1.0);
        let time_s = row as f64 * logging.interval_s + jitter_s - logging.margin_s;
        let stick_pct = stick.stick_pct(time_s.clamp(0.0, stick.duration_s()));
        let told = (stick_pct / logging.step_pct).round() * logging.step_pct;
        text += &format!("{:.4},{told:.2}\n", time_s + logging.clock_offset_s);
    }
    text
}

struct Measured {
    film: Film,
    holds: Holds,
    responses: Responses,
    warnings: Vec<Warning>,
}

fn fitted(film: &Film) -> Motion {
    let options = FitOptions::default();
    let (sightings, model) = (&film.sightings, &film.model);
    fit(sightings, model, &film.profile, &options, &mut vec![]).unwrap()
}

fn told(film: &Film, motion: &Motion, log: &str) -> Result<(Holds, Vec<Warning>), StationsError> {
    let folder = tempfile::tempdir().unwrap();
    let path: PathBuf = folder.path().join("stick.csv");
    std::fs::write(&path, log).unwrap();
    let mut model = film.model.clone();
    model.path = Path::new("model.toml").into();
    model.stations.source = StationSource::Log(path);
    let mut warnings = vec![];
    let options = HoldOptions::default();
    let holds = find_holds(motion, &film.sightings, &model, &options, &mut warnings)?;
    Ok((holds, warnings))
}

fn measured(aircraft: &Aircraft, filming: &Filming, logging: Logging) -> Measured {
    let film = observe(aircraft, filming);
    let motion = fitted(&film);
    let log = log_text(&film, logging, filming.seed);
    let (holds, mut warnings) = told(&film, &motion, &log).unwrap();
    let responses = respond(&motion, &holds, &film.model, &mut warnings).unwrap();
    Measured {
        film,
        holds,
        responses,
        warnings,
    }
}

/// Neutral, end to end and back, neutral: `rate` in percent a second.
fn slow_sweep(rate_pct_per_s: f64) -> StickPlan {
    let mut points = vec![(0.0, 0.0), (1.2, 0.0)];
    for (stick, rest_s) in [(100.0, 0.0), (-100.0, 0.0), (0.0, 1.2)] {
        let (time_s, from) = points[points.len() - 1];
        let there_s = time_s + f64::abs(stick - from) / rate_pct_per_s;
        points.push((there_s, stick));
        if rest_s > 0.0 {
            points.push((there_s + rest_s, stick));
        }
    }
    StickPlan::Path { points }
}

/// One station of one surface: what was found less what was.
struct Error {
    surface: usize,
    stick_pct: f64,
    approach: Approach,
    is_hold: bool,
    error_deg: f64,
    sd_deg: f64,
}

/// Errors of all stations, from what neutral really was, against the surface's place at that stick
/// with the play on the side that the approach leaves it. At rest a servo stops short of its
/// command by the dead band.
fn station_errors(measured: &Measured) -> Vec<Error> {
    let truth = &measured.film.truth;
    let mut errors = vec![];
    for (surface, response) in measured.responses.surfaces.iter().enumerate() {
        let built = &measured.film.aircraft.surfaces[surface];
        let neutral_deg = truth.mean_deg(surface, &measured.holds.neutral_frames);
        for station in &response.stations {
            let side = match station.approach {
                Approach::Rising => -1.0,
                Approach::Falling => 1.0,
                Approach::First => continue,
            };
            let held = |hold: &hingewise::stations::Hold| hold.time_s == station.time_s;
            let is_hold = measured.holds.holds.iter().any(held);
            let filming = &measured.film.filming;
            let command_pct = filming.command_pct(built.side, station.stick_pct);
            let short_pct = if is_hold {
                built.servo.dead_band_pct
            } else {
                0.0
            };
            let driven_deg = built.response_deg(command_pct + side * short_pct).unwrap();
            let true_deg = driven_deg + 0.5 * side * built.play_deg - neutral_deg;
            errors.push(Error {
                surface,
                stick_pct: station.stick_pct,
                approach: station.approach,
                is_hold,
                error_deg: station.deflection_deg.value - true_deg,
                sd_deg: station.deflection_deg.sd,
            });
        }
    }
    errors
}

/// Unequal servos on an aircraft of any shape.
fn uneven(seed: u64) -> Aircraft {
    let mut random = Random::new(seed ^ 0x5E40);
    let mut built = aircraft::random(seed);
    for surface in &mut built.surfaces {
        surface.servo.lag_s = random.between(0.02, 0.09);
        surface.servo.slew_pct_per_s = random.between(200.0, 600.0);
    }
    built
}

#[test]
fn the_clock_offset_is_found_to_five_milliseconds() {
    let mut of_claims = vec![];
    for seed in 0..12 {
        let filming = Filming {
            seed,
            hand: if seed % 2 == 0 { 0.0 } else { 1.0 },
            ..filming::tripod()
        };
        let logging = Logging {
            clock_offset_s: Random::new(seed).between(-5.0, 90_000.0),
            margin_s: Random::new(seed).between(0.5, 40.0),
            ..LOGGING
        };
        let measured = measured(&uneven(seed), &filming, logging);
        let timing = measured.holds.log.unwrap();
        let error_s = timing.clock_offset_s.value - logging.clock_offset_s;
        println!(
            "seed {seed}: {error_s:+.4} ± {:.4} s",
            timing.clock_offset_s.u()
        );
        assert!(error_s.abs() < 0.005, "seed {seed}: {error_s}");
        for (found, built) in timing.surfaces.iter().zip(&measured.film.aircraft.surfaces) {
            let lag_error_s = found.lag_s.value - built.servo.lag_s;
            assert!(
                lag_error_s.abs() < 0.008,
                "seed {seed}: lag off by {lag_error_s}"
            );
        }
        // The world's servo takes its command up to a time step of 2.8 ms early.
        let step_s = 1.0 / (30.0 * 12.0);
        of_claims.push((error_s.abs() - step_s).max(0.0) / timing.clock_offset_s.sd);
        assert_eq!(measured.holds.holds.len(), 17, "seed {seed}");
        let frames = measured
            .holds
            .stick_pct
            .iter()
            .zip(&measured.film.truth.frames);
        for (told, truth) in frames {
            let off_pct = told.unwrap() - truth.stick_pct;
            // 5 ms on ramps of 100 %/s, a log's step and its straight joins.
            assert!(off_pct.abs() < 1.6, "{} s: {off_pct}", truth.time_s);
        }
    }
    let inside = of_claims.iter().filter(|claim| **claim <= 2.0).count();
    assert!(inside >= 10, "{inside} of {} inside", of_claims.len());
}

#[test]
fn a_slow_sweep_tells_the_response_over_the_whole_travel() {
    let mut all = vec![];
    for seed in 0..8 {
        let filming = Filming {
            seed,
            stick: slow_sweep(25.0 + 4.0 * seed as f64),
            hand: if seed % 2 == 0 { 0.0 } else { 1.0 },
            ..filming::tripod()
        };
        let measured = measured(&uneven(seed), &filming, LOGGING);
        let timing = measured.holds.log.as_ref().unwrap();
        for (found, built) in timing.surfaces.iter().zip(&measured.film.aircraft.surfaces) {
            let true_s = LOGGING.clock_offset_s - built.servo.lag_s;
            let error_s = found.offset_less_lag_s.value - true_s;
            let doubt_s = found.offset_less_lag_s.u();
            println!("seed {seed}: offset less lag {error_s:+.4} ± {doubt_s:.4} s");
            // A servo's dead band delays every turn by its own way.
            let dead_s = built.servo.dead_band_pct / (25.0 + 4.0 * seed as f64);
            assert!(error_s.abs() < 0.005 + dead_s, "seed {seed}: {error_s}");
        }
        assert_eq!(measured.warnings, [], "seed {seed}");
        let errors = station_errors(&measured);
        let passed: Vec<f64> = measured.responses.surfaces[0]
            .stations
            .iter()
            .filter(|station| station.approach == Approach::Rising)
            .map(|station| station.stick_pct)
            .collect();
        for step in -7..=8 {
            let stick_pct = 12.5 * f64::from(step);
            assert!(
                passed.contains(&stick_pct),
                "seed {seed}: {stick_pct} in {passed:?}"
            );
        }
        all.extend(errors);
    }
    let moving: Vec<&Error> = all.iter().filter(|error| !error.is_hold).collect();
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let squares: Vec<f64> = values.map(|value| value * value).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let rms_deg = rms(&mut moving.iter().map(|error| error.error_deg));
    let of_claims = rms(&mut moving.iter().map(|error| error.error_deg / error.sd_deg));
    let inside = moving
        .iter()
        .filter(|e| e.error_deg.abs() <= 2.0 * e.sd_deg)
        .count();
    let covered = inside as f64 / moving.len() as f64;
    println!(
        "{} passages: {rms_deg:.4}°, {of_claims:.2} of what is claimed, {covered:.3} inside",
        moving.len()
    );
    for error in moving
        .iter()
        .filter(|error| error.error_deg.abs() > 3.0 * error.sd_deg)
    {
        println!(
            "{} {:+.1} {:?}: {:+.3} of {:.3}",
            error.surface, error.stick_pct, error.approach, error.error_deg, error.sd_deg
        );
    }
    // The figure to reach in every frame of a hand-held sweep.
    assert!(rms_deg < 0.10, "{rms_deg}");
    assert!((0.5..1.3).contains(&of_claims), "{of_claims}");
    assert!(covered > 0.93, "{covered}");
}

#[test]
fn unequal_lag_is_no_mismatch() {
    let mut built = aircraft::plain(5);
    // One linkage on both sides, so that only the servos differ.
    built.surfaces[1].linkage = built.surfaces[0].linkage;
    built.surfaces[1].servo = built.surfaces[0].servo;
    built.surfaces[0].servo.lag_s = 0.02;
    built.surfaces[1].servo.lag_s = 0.10;
    let filming = Filming {
        stick: slow_sweep(40.0),
        ..filming::tripod()
    };
    let measured = measured(&built, &filming, LOGGING);
    let [left, right] = [0, 1].map(|surface| &measured.responses.surfaces[surface].stations);
    let mut compared = 0;
    for station in left {
        let Some(other) = right.iter().find(|other| other.hold == station.hold) else {
            continue;
        };
        let mismatch_deg = other.deflection_deg.value - station.deflection_deg.value;
        let sd_deg = other.deflection_deg.sd.hypot(station.deflection_deg.sd);
        // Left in, 80 ms at 40 %/s would be 3.2 % of the stick, some 0.8°.
        assert!(
            mismatch_deg.abs() < 3.5 * sd_deg && mismatch_deg.abs() < 0.2,
            "{:+.1} % {:?}: {mismatch_deg:.3} of {sd_deg:.3}",
            station.stick_pct,
            station.approach
        );
        compared += 1;
    }
    assert!(compared >= 30, "{compared}");
}

#[test]
fn a_fast_sweep_is_told_and_not_measured() {
    let filming = Filming {
        stick: slow_sweep(160.0),
        ..filming::tripod()
    };
    let measured = measured(&aircraft::plain(3), &filming, LOGGING);
    assert_eq!(measured.holds.sweeps.passages, []);
    let told = measured
        .warnings
        .iter()
        .find(|w| w.code() == "sweep-too-fast")
        .unwrap();
    assert!(told.text().contains("160 %/s"), "{}", told.text());
    assert!(told.text().contains("only +0 to +0 %"), "{}", told.text());
}

#[test]
fn a_servo_at_its_largest_speed_is_told_and_gives_no_wrong_station() {
    for slew_pct_per_s in [30.0, 45.0] {
        let mut built = aircraft::plain(3);
        built.surfaces[1].servo.slew_pct_per_s = slew_pct_per_s;
        let filming = Filming {
            stick: slow_sweep(50.0),
            ..filming::tripod()
        };
        let measured = measured(&built, &filming, LOGGING);
        let codes = ["servo-at-limit", "stick-not-followed"];
        let mut warnings = measured.warnings.iter();
        let told = warnings
            .find(|warning| codes.contains(&warning.code()))
            .unwrap();
        println!("{slew_pct_per_s} %/s: {}", told.text());
        assert!(told.text().contains("right"), "{}", told.text());
        for error in station_errors(&measured) {
            assert!(
                error.error_deg.abs() < 4.0 * error.sd_deg.max(0.02),
                "surface {} at {:+.1}: {:.3} of {:.3}",
                error.surface,
                error.stick_pct,
                error.error_deg,
                error.sd_deg
            );
        }
    }
}

/// A film of holds, its motion, and its log.
fn held_film() -> (Film, Motion, String) {
    let film = observe(&aircraft::plain(3), &filming::tripod());
    let motion = fitted(&film);
    let log = log_text(&film, LOGGING, 3);
    (film, motion, log)
}

#[test]
fn a_log_that_does_not_belong_to_the_clip_is_refused() {
    let (film, motion, log) = held_film();
    // The same sticks in another order: every second pair of cycles swapped in time.
    let rows: Vec<&str> = log.lines().skip(1).collect();
    let times = rows.iter().map(|row| row.split_once(',').unwrap().0);
    let sticks: Vec<&str> = rows
        .iter()
        .map(|row| row.split_once(',').unwrap().1)
        .collect();
    let shuffled: Vec<&str> = sticks.chunks(300).rev().flatten().copied().collect();
    let other: Vec<String> = times
        .zip(shuffled)
        .map(|(t, s)| format!("{t},{s}"))
        .collect();
    let error = told(&film, &motion, &other.join("\n")).unwrap_err();
    assert!(matches!(error, StationsError::LogUnlike { .. }), "{error}");
    assert!(error.to_string().contains("does not resemble"), "{error}");
    assert!(!error.mend().is_empty());
}

#[test]
fn a_log_that_is_too_short_is_refused_and_one_that_misses_the_ends_is_not() {
    let (film, motion, log) = held_film();
    let rows: Vec<&str> = log.lines().skip(1).collect();
    let part = |from: usize, to: usize| rows[from..to].join("\n");
    // Fifty rows a second; the clip runs from row 150 on for 12.5 s.
    let short = told(&film, &motion, &part(300, 500)).unwrap_err();
    assert!(
        matches!(short, StationsError::LogTooShort { .. }),
        "{short}"
    );
    let (holds, _) = told(&film, &motion, &part(200, 700)).unwrap();
    let timing = holds.log.unwrap();
    assert!((timing.clock_offset_s.value - LOGGING.clock_offset_s).abs() < 0.005);
    assert_eq!(holds.stick_pct.first(), Some(&None));
    assert_eq!(holds.stick_pct.last(), Some(&None));
}

#[test]
fn a_log_that_fits_twice_is_refused() {
    let filming = Filming {
        stick: StickPlan::Sweep {
            period_s: 4.0,
            duration_s: 8.0,
        },
        ..filming::tripod()
    };
    let film = observe(&aircraft::plain(3), &filming);
    let motion = fitted(&film);
    let mut log = String::from("time_s,stick_pct\n");
    for row in 0..1000 {
        let time_s = 0.02 * f64::from(row);
        log += &format!("{time_s},{:.2}\n", filming.stick.stick_pct(time_s));
    }
    let error = told(&film, &motion, &log).unwrap_err();
    assert!(
        matches!(error, StationsError::LogAmbiguous { .. }),
        "{error}"
    );
}

#[test]
fn faults_of_the_file_are_told_with_their_rows() {
    let (film, motion, log) = held_film();
    let fails = |text: &str| told(&film, &motion, text).unwrap_err();
    let empty = fails("");
    assert!(empty.to_string().contains("no row"), "{empty}");
    let header = fails(&log.replace("time_s,stick_pct", "stick_pct,time_s"));
    assert!(
        header.to_string().contains("line 1: the columns are"),
        "{header}"
    );
    let rows: Vec<&str> = log.lines().collect();
    let back = fails(&[rows[0], rows[2], rows[1], rows[3]].join("\n"));
    assert!(matches!(back, StationsError::LogFaulty { .. }), "{back}");
    assert!(back.to_string().contains("line 3: time_s"), "{back}");
    let still = fails("0.0,10\n5.0,11\n20.0,10\n");
    assert!(matches!(still, StationsError::LogStill { .. }), "{still}");
    for error in [empty, header, back, still] {
        assert!(!error.mend().is_empty());
    }
}

/// Few holds with slow moves between them.
fn few_holds(seed: u64) -> (Film, Vec<f64>) {
    let order = vec![0.0, 100.0, -100.0, 0.0, 100.0, 0.0];
    let mut points = vec![(0.0, 0.0), (1.0, 0.0)];
    for &stick in &order[1..] {
        let (time_s, from): (f64, f64) = points[points.len() - 1];
        let there_s = time_s + f64::abs(stick - from) / 35.0;
        points.extend([(there_s, stick), (there_s + 0.8, stick)]);
    }
    let filming = Filming {
        seed,
        stick: StickPlan::Path { points },
        ..filming::tripod()
    };
    let mut film = observe(&uneven(seed), &filming);
    film.model.stations.source = StationSource::Order(order.clone());
    (film, order)
}

#[test]
fn between_few_holds_the_reference_tells_the_stick() {
    let mut all = vec![];
    for seed in 0..6 {
        let (film, order) = few_holds(seed);
        let motion = fitted(&film);
        let (mut warnings, options) = (vec![], HoldOptions::default());
        let (sightings, model) = (&film.sightings, &film.model);
        let holds = find_holds(&motion, sightings, model, &options, &mut warnings).unwrap();
        assert_eq!(holds.holds.len(), order.len());
        let responses = respond(&motion, &holds, model, &mut warnings).unwrap();
        let told = warnings
            .iter()
            .find(|w| w.code() == "stick-by-reference")
            .unwrap();
        assert!(
            told.text().contains("between 3 held stations left"),
            "{}",
            told.text()
        );
        let [left, right] = [0, 1].map(|surface| &responses.surfaces[surface].stations);
        let neutral_deg = [0, 1].map(|surface| film.truth.mean_deg(surface, &holds.neutral_frames));
        let at = |surface: usize, stick_pct: f64, side: f64| {
            let built = &film.aircraft.surfaces[surface];
            let driven_deg = built.response_deg(stick_pct).unwrap();
            driven_deg + 0.5 * side * built.play_deg - neutral_deg[surface]
        };
        let mut compared = 0;
        for station in left {
            let Some(other) = right.iter().find(|other| other.hold == station.hold) else {
                continue;
            };
            let is_passage = holds
                .sweeps
                .passages
                .iter()
                .any(|p| p.time_s == station.time_s);
            if !is_passage {
                continue;
            }
            let side = if station.approach == Approach::Rising {
                -1.0
            } else {
                1.0
            };
            // Where the reference truly stood as found, and the follower there.
            let (mut low, mut high) = (-110.0, 110.0);
            for _ in 0..50 {
                let middle = 0.5 * (low + high);
                if at(0, middle, side) < station.deflection_deg.value {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            let true_deg = at(1, low, side) - station.deflection_deg.value;
            let found_deg = other.deflection_deg.value - station.deflection_deg.value;
            let sd_deg = other.deflection_deg.sd.hypot(station.deflection_deg.sd);
            all.push((found_deg - true_deg, sd_deg, station.stick_pct, side));
            compared += 1;
        }
        assert!(compared >= 36, "{compared}");
        let frames = holds.stick_pct.iter().zip(&film.truth.frames);
        let known = frames.filter_map(|(told, truth)| Some((*told)? - truth.stick_pct));
        let off_pct: Vec<f64> = known.map(f64::abs).collect();
        assert!(off_pct.len() > 500 && off_pct.iter().all(|off| *off < 15.0));
    }
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let squares: Vec<f64> = values.map(|value| value * value).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let rms_deg = rms(&mut all.iter().map(|(error, ..)| *error));
    let of_claims = rms(&mut all.iter().map(|(error, sd, ..)| error / sd));
    println!(
        "{} passages: {rms_deg:.4}°, {of_claims:.2} of what is claimed",
        all.len()
    );
    assert!(rms_deg < 0.06, "{rms_deg}");
    assert!((0.3..1.3).contains(&of_claims), "{of_claims}");
}

/// The hand-held clip with its true stick as a log of another clock, through the real binary.
#[test]
fn a_rendered_clip_is_measured_by_a_log_as_by_the_order_of_its_holds() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let data = |name: &str| std::fs::read_to_string(root.join("tests/data").join(name)).unwrap();
    let fields = |line: &str| -> Vec<f64> {
        line.split(',')
            .map_while(|field| field.parse().ok())
            .collect()
    };
    let clock_offset_s = 512.345;
    let frames: Vec<Vec<f64>> = data("holds/handheld_frames.csv")
        .lines()
        .skip(1)
        .map(fields)
        .collect();
    let mut log = String::from("time_s,stick_pct\n");
    for row in &frames {
        log += &format!("{:.4},{:.2}\n", row[0] + clock_offset_s, row[1]);
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("stick.csv"), log).unwrap();
    let model = data("clips/handheld-model.toml")
        .replace("from = \"order\"", "from = \"log\"\nfile = \"stick.csv\"")
        .replace("order = [", "# order = [");
    let model_path = folder.path().join("model.toml");
    std::fs::write(&model_path, model).unwrap();
    let out = folder.path().join("report");
    let output = assert_cmd::Command::cargo_bin("hingewise")
        .unwrap()
        .env("HINGEWISE_CACHE_DIR", folder.path().join("kept"))
        .arg("measure")
        .arg(root.join("tests/data/clips/handheld.mp4"))
        .arg("--model")
        .arg(&model_path)
        .arg("--camera")
        .arg(root.join("sample-frames/camera.toml"))
        .arg("--out")
        .arg(&out)
        .arg("--json")
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    let kept: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let offset = &kept["stick_log"]["clock_offset_s"];
    let (value, u) = (
        offset["value"].as_f64().unwrap(),
        offset["u"].as_f64().unwrap(),
    );
    println!(
        "{:+.4} ± {u:.4} s; {}",
        value - clock_offset_s,
        kept["stick_log"]
    );
    assert!((value - clock_offset_s).abs() < 0.005, "{value}");
    let truth: Vec<Vec<f64>> = data("clips/handheld-true-stations.csv")
        .lines()
        .skip(1)
        .map(fields)
        .collect();
    for surface in 0..2 {
        let stations = kept["surfaces"][surface]["stations"].as_array().unwrap();
        assert_eq!(stations.len(), truth.len());
        let squares = stations.iter().zip(&truth).map(|(station, hold)| {
            assert_eq!(station["stick_pct"].as_f64().unwrap(), hold[0]);
            let found = station["deflection_deg"]["value"].as_f64().unwrap();
            (found - hold[1 + surface]).powi(2)
        });
        let rms = (squares.sum::<f64>() / truth.len() as f64).sqrt();
        println!("surface {surface}: {rms:.4}°");
        // As by the declared order (`whole_job.rs`).
        assert!(rms < 0.055, "{rms}");
    }
    let table = std::fs::read_to_string(out.join("frames.csv")).unwrap();
    let sticks = table
        .lines()
        .skip(1)
        .filter_map(|line| line.rsplit(',').next()?.parse().ok());
    let known: Vec<f64> = sticks.collect();
    assert!(
        known.len() > 2 * frames.len() - 8,
        "{} of {}",
        known.len(),
        2 * frames.len()
    );
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(page.contains("Stick log"));
}
