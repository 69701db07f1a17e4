//! Films of the synthetic world, their logs, and what is measured on them.

use std::path::{Path, PathBuf};

use crate::support::aircraft;
use crate::support::aircraft::Aircraft;
use crate::support::filming::{Filming, StickPlan};
use crate::support::random::Random;
use crate::support::world::{Film, observe};
use hingewise::model_file::StationSource;
use hingewise::motion::{FitOptions, Motion, fit};
use hingewise::response::{Responses, respond};
use hingewise::stations::{
    Approach, HoldOptions, Holds, StationsError, StationsWarning, find_holds,
};
use hingewise::warning::{WarningText, gather};

/// A log as a radio keeps it.
#[derive(Clone, Copy)]
pub struct Logging {
    /// Log's clock less the clip's.
    pub clock_offset_s: f64,
    pub interval_s: f64,
    pub step_pct: f64,
    /// How long before and after the clip it runs.
    pub margin_s: f64,
}

pub const LOGGING: Logging = Logging {
    clock_offset_s: 1234.567,
    interval_s: 0.02,
    step_pct: 0.1,
    margin_s: 3.0,
};

/// The film's stick as a log.
pub fn log_text(film: &Film, logging: Logging, seed: u64) -> String {
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

pub struct Measured {
    pub film: Film,
    pub holds: Holds,
    pub responses: Responses,
    pub warnings: Vec<WarningText>,
}

pub fn fitted(film: &Film) -> Motion {
    let options = FitOptions::default();
    let (sightings, model) = (&film.sightings, &film.model);
    fit(sightings, model, &film.profile, &options, &mut vec![]).unwrap()
}

pub fn told(
    film: &Film,
    motion: &Motion,
    log: &str,
) -> Result<(Holds, Vec<StationsWarning>), StationsError> {
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

pub fn measured(aircraft: &Aircraft, filming: &Filming, logging: Logging) -> Measured {
    let film = observe(aircraft, filming);
    let motion = fitted(&film);
    let log = log_text(&film, logging, filming.seed);
    let (holds, doubts) = told(&film, &motion, &log).unwrap();
    let mut warnings = doubts.iter().map(WarningText::from).collect();
    let responses = gather(&mut warnings, |doubts| {
        respond(&motion, &holds, &film.model, doubts)
    })
    .unwrap();
    Measured {
        film,
        holds,
        responses,
        warnings,
    }
}

/// Neutral, end to end and back, neutral: `rate` in percent a second.
pub fn slow_sweep(rate_pct_per_s: f64) -> StickPlan {
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
pub struct Error {
    pub surface: usize,
    pub stick_pct: f64,
    pub approach: Approach,
    pub is_hold: bool,
    pub error_deg: f64,
    pub sd_deg: f64,
}

/// Errors of all stations, from what neutral really was, against the surface's place at that stick
/// with the play on the side that the approach leaves it. At rest a servo stops short of its
/// command by the dead band.
pub fn station_errors(measured: &Measured) -> Vec<Error> {
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
pub fn uneven(seed: u64) -> Aircraft {
    let mut random = Random::new(seed ^ 0x5E40);
    let mut built = aircraft::random(seed);
    for surface in &mut built.surfaces {
        surface.servo.lag_s = random.between(0.02, 0.09);
        surface.servo.slew_pct_per_s = random.between(200.0, 600.0);
    }
    built
}
