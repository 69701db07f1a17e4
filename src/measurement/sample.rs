//! An invented measurement for tests: tailplane halves of "Heron 2.1 m", the right one short at
//! the upper end. The figures are made up; they only have to look like a workshop's.

use crate::matching::{
    Cause, Correction, HandWork, LinkageDifference, LinkagePart, OutOfReach, Prediction, Stage,
    StageGain, StationMismatch,
};
use crate::measured::Measured;
use crate::model_file::{AirframeTag, Joins, MatchGroup, MatchMotion, Radio, Settings, Side};
use crate::response::{Health, SideLag, StationDeflection};
use crate::stations::Approach;
use crate::warning::WarningText;

use super::{
    CameraRecord, ClipRecord, FORMAT, FitRecord, HingeRecord, Measurement, SurfaceRecord, Trace,
    VERSION,
};

pub(crate) const LEFT: &str = "left tailplane";
pub(crate) const RIGHT: &str = "right tailplane";

const STICK_PCT: [f64; 17] = [
    0.0, 25.0, 50.0, 75.0, 100.0, 75.0, 50.0, 25.0, 0.0, -25.0, -50.0, -75.0, -100.0, -75.0, -50.0,
    -25.0, 0.0,
];
const CURVE_POINTS_PCT: [f64; 9] = [-100.0, -75.0, -50.0, -25.0, 0.0, 25.0, 50.0, 75.0, 100.0];
const CHORD_MM: f64 = 92.0;
const HOLD_S: f64 = 1.0;

/// The whole invented measurement.
pub(crate) fn heron() -> Measurement {
    let surfaces = vec![
        surface(LEFT, Side::Left, left_deg, 0.10),
        surface(RIGHT, Side::Right, right_deg, 0.16),
    ];
    let stations: Vec<f64> = surfaces
        .iter()
        .flat_map(|surface| &surface.stations)
        .map(|station| station.deflection_deg.sd)
        .collect();
    Measurement {
        format: FORMAT.into(),
        version: VERSION,
        program: "hingewise 0.1.0".into(),
        date: Some("2026-11-25".into()),
        model: "Heron 2.1 m".into(),
        source: None,
        clip: ClipRecord {
            path: "clips/heron_tail.mp4".into(),
            frames: 510,
            duration_s: 17.0,
            width_px: 1920,
            height_px: 1080,
        },
        camera: CameraRecord {
            profile: "phone, 1080p, 1x".into(),
            moved: false,
            calibration_rms_px: Some(0.19),
            calibration_views: Some(16),
            landmarks: 0,
            picture_motion: None,
            readout_ms: None,
        },
        airframe_tags: vec![AirframeTag {
            id: 0,
            edge_mm: 30.0,
        }],
        fit: FitRecord {
            reprojection_rms_px: Some(0.041),
            allowed_rms_px: Some(0.062),
        },
        stick_log: None,
        lags: vec![SideLag {
            reference: LEFT.into(),
            follower: RIGHT.into(),
            lag_s: Measured::new(0.012, 0.004),
            uneven_deg: 0.08,
            uneven_u_deg: Some(0.03),
        }],
        station_covariance_deg2: covariance(&stations),
        neutral: None,
        level_zero: None,
        functions: vec![],
        surfaces,
        not_measured: vec![],
        groups: vec![MatchGroup {
            reference: LEFT.into(),
            followers: vec![RIGHT.into()],
            motion: MatchMotion::Same,
            tolerance_deg: 0.3,
            target: crate::model_file::Target::Reference,
            compare: Default::default(),
            down_to_up: None,
        }],
        radio: Some(radio()),
        matches: vec![correction()],
        warnings: vec![WarningText {
            code: "low-light".into(),
            text: "the right tag was blurred in 14 of 510 frames".into(),
            mend: "add light, so that the camera exposes for a shorter time".into(),
            grave: false,
        }],
        trace: trace(),
    }
}

/// The same tail measured again after the numbers were entered.
pub(crate) fn heron_after() -> Measurement {
    let mut after = heron();
    after.date = Some("2026-11-26".into());
    after.clip.path = "clips/heron_tail_after.mp4".into();
    let settings = after.matches[0].settings.clone();
    if let Some(radio) = &mut after.radio {
        radio.active = [(RIGHT.into(), settings)].into();
    }
    let correction = &mut after.matches[0];
    correction.found_worst_deg = Some(Measured::new(0.12, 0.02));
    correction.found_deg = correction
        .predicted_deg
        .stations
        .iter()
        .map(|station| StationMismatch {
            stick_pct: station.stick_pct,
            mismatch_deg: Measured::new(
                rounded(
                    station.mismatch_deg.value + 0.02 * scatter(station.stick_pct.abs() as usize),
                ),
                0.02,
            ),
        })
        .collect();
    for station in &mut after.surfaces[1].stations {
        let moved_deg = (station.deflection_deg.value / 100.0 * 4.0 * 1e5).round() / 1e5;
        station.deflection_deg.value = rounded(station.deflection_deg.value + moved_deg);
        station.throw_mm = Some(throw_mm(station.deflection_deg));
    }
    after
}

/// An upper end that the follower does not reach.
pub(crate) fn short_at_the_top(correction: &Correction) -> OutOfReach {
    OutOfReach {
        stick_pct: 100.0,
        reference_stick_pct: None,
        reference_deg: 25.1,
        follower_deg: 23.8,
        short_deg: Measured::new(1.3, 0.02),
        reference_end_point_pct: 95.0,
        follower_end_point_pct: Some(106.0),
        common_settings: correction.settings.clone(),
        common_worst_deg: 0.16,
        common_rms_deg: Some(0.07),
        common_stations: Vec::new(),
        common_stages: Vec::new(),
    }
}

pub(crate) fn left_deg(stick_pct: f64) -> f64 {
    let s = stick_pct / 100.0;
    26.8 * s - 0.9 * s * s - 0.8 * s * s * s
}

pub(crate) fn right_deg(stick_pct: f64) -> f64 {
    let s = stick_pct / 100.0;
    26.1 * s - 2.1 * s * s - 0.2 * s * s * s
}

/// A figure in −1 … +1 that looks random and is always the same (multiplicative hashing).
fn scatter(seed: usize) -> f64 {
    let mixed = (seed as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
    (mixed % 1000) as f64 / 500.0 - 1.0
}

fn approach(hold: usize) -> Approach {
    match hold {
        0 => Approach::First,
        _ if STICK_PCT[hold] > STICK_PCT[hold - 1] => Approach::Rising,
        _ => Approach::Falling,
    }
}

fn surface(name: &str, side: Side, deflection_deg: fn(f64) -> f64, play_deg: f64) -> SurfaceRecord {
    let is_left = side == Side::Left;
    let seed = if is_left { 3 } else { 71 };
    let stations = (0..STICK_PCT.len())
        .map(|hold| station(hold, deflection_deg, play_deg, seed))
        .collect();
    SurfaceRecord {
        name: name.into(),
        tag: if is_left { 10 } else { 11 },
        side: Some(side),
        upright: false,
        edge_mm: Some(20.0),
        chord_mm: Some(CHORD_MM),
        frames_measured: if is_left { 510 } else { 496 },
        hinge: HingeRecord {
            axis: if is_left {
                [-0.985, 0.035, -0.169]
            } else {
                [-0.985, -0.035, 0.169]
            },
            point_mm: [if is_left { -236.0 } else { 231.0 }, 8.5, 862.0],
            radius_mm: Measured::new(if is_left { 88.7 } else { 88.1 }, 0.2),
            arm: Some([if is_left { -0.16 } else { 0.16 }, 0.26, -0.952]),
        },
        stations,
        health: Health {
            play_deg: Some(Measured::new(play_deg, 0.02)),
            return_to_neutral_deg: Some(Measured::new(play_deg * 0.9, 0.02)),
            neutral_after_rising_deg: Some(Measured::new(-play_deg / 2.0, 0.01)),
            neutral_after_falling_deg: Some(Measured::new(play_deg / 2.0, 0.01)),
            jitter_deg: Some(Measured::new(0.01, 0.004)),
            early_stop: Vec::new(),
        },
    }
}

fn station(
    hold: usize,
    deflection_deg: fn(f64) -> f64,
    play_deg: f64,
    seed: usize,
) -> StationDeflection {
    let approach = approach(hold);
    let lost_motion_deg = match approach {
        Approach::First => 0.0,
        Approach::Rising => -play_deg / 2.0,
        Approach::Falling => play_deg / 2.0,
    };
    let value = deflection_deg(STICK_PCT[hold]) + lost_motion_deg + 0.015 * scatter(seed + hold);
    let deflection = Measured::new(rounded(value), 0.015);
    let start_s = hold as f64 * HOLD_S;
    StationDeflection {
        stick_pct: STICK_PCT[hold],
        approach,
        time_s: [rounded(start_s + 0.3), rounded(start_s + 0.9)],
        frames: 18,
        deflection_deg: deflection,
        throw_mm: Some(throw_mm(deflection)),
        inclinometer_deg: Some(Measured::new(rounded(value * 0.985), 0.02)),
        hold,
    }
}

fn throw_mm(deflection_deg: Measured) -> Measured {
    let half_rad = deflection_deg.value.to_radians() / 2.0;
    let per_deg = CHORD_MM * half_rad.cos() * 1f64.to_radians();
    Measured::new(
        rounded(2.0 * CHORD_MM * half_rad.sin()),
        rounded(per_deg * deflection_deg.sd),
    )
}

fn rounded(value: f64) -> f64 {
    (value * 1e5).round() / 1e5
}

fn covariance(sds: &[f64]) -> Vec<Vec<f64>> {
    sds.iter()
        .enumerate()
        .map(|(row, a)| {
            sds.iter()
                .enumerate()
                .map(|(column, b)| if row == column { a * b } else { 0.2 * a * b })
                .map(|variance| (variance * 1e12).round() / 1e12)
                .collect()
        })
        .collect()
}

fn radio() -> Radio {
    let before = settings(
        [0.0, 0.0, 1.0, 0.0, 0.0, 0.0, -2.0, 0.0, 0.0],
        [100.0, 100.0],
    );
    Radio {
        curve_points_pct: Some(CURVE_POINTS_PCT.into()),
        step_pct: 1.0,
        limit_pct: 150.0,
        joins: Joins::Straight,
        // The proposed curve goes up to 105 %.
        curve_limit_pct: 125.0,
        active: [(RIGHT.into(), before)].into(),
        ..Radio::default()
    }
}

fn settings(curve_pct: [f64; 9], end_points_pct: [f64; 2]) -> Settings {
    Settings {
        curve_pct: curve_pct.into(),
        sub_trim_pct: 0.0,
        end_points_pct,
    }
}

/// Mismatch that each stage of the work would leave.
fn stages() -> Vec<StageGain> {
    let before = [0.0, 0.0, 1.0, 0.0, 0.0, 0.0, -2.0, 0.0, 0.0];
    let after = [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 2.0, 4.0, 5.0];
    let found = settings(before, [100.0, 100.0]);
    [
        (Stage::AsFound, found, 1.34, 0.64),
        (
            Stage::EndPoints,
            settings(before, [98.0, 101.0]),
            0.52,
            0.24,
        ),
        (Stage::Curve, settings(after, [98.0, 101.0]), 0.14, 0.06),
    ]
    .into_iter()
    .map(|(stage, settings, worst_deg, rms_deg)| StageGain {
        stage,
        settings,
        worst_deg,
        rms_deg,
        u_deg: None,
    })
    .collect()
}

/// An arm that is a tooth off.
fn arm_off() -> LinkageDifference {
    LinkageDifference {
        part: LinkagePart::ArmAngle,
        amount: Measured::new(14.0, 0.6),
    }
}

fn correction() -> Correction {
    let by_station = |mismatch_deg: fn(f64) -> f64, sd: f64| {
        CURVE_POINTS_PCT
            .iter()
            .map(|&stick_pct| StationMismatch {
                stick_pct,
                mismatch_deg: Measured::new(rounded(mismatch_deg(stick_pct)), sd),
            })
            .collect::<Vec<_>>()
    };
    Correction {
        reference: LEFT.into(),
        follower: RIGHT.into(),
        found_deg: by_station(|stick| right_deg(stick) - left_deg(stick), 0.02),
        settings: settings([0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 2.0, 4.0, 5.0], [98.0, 101.0]),
        stages: stages(),
        found_worst_deg: Some(Measured::new(1.31, 0.02)),
        tolerance_deg: Some(0.3),
        play_floor_deg: Some(Measured::new(0.13, 0.014)),
        predicted_deg: Prediction {
            worst: 0.14,
            rms: 0.06,
            u: 0.05,
            least: Some(0.05),
            stations: by_station(|stick| 0.13 * scatter((stick + 200.0) as usize), 0.025),
        },
        cause: Some(Cause::Differs(vec![arm_off()])),
        hand_work: Some(HandWork {
            difference: arm_off(),
            would_leave_deg: 0.41,
            would_leave_u_deg: Some(0.12),
            would_leave_rms_deg: Some(0.17),
        }),
        optimality_gap_deg: Some(0.0),
        ..Correction::default()
    }
}

fn trace() -> Trace {
    let time_s: Vec<f64> = (0..340).map(|index| f64::from(index) / 20.0).collect();
    let of = |deflection_deg: fn(f64) -> f64, seed: usize| {
        time_s
            .iter()
            .enumerate()
            .map(|(index, &time_s)| {
                // The right tag is lost for a moment.
                let is_lost = seed > 50 && (150..157).contains(&index);
                let value = deflection_deg(stick_at(time_s)) + 0.02 * scatter(seed * 13 + index);
                (!is_lost).then(|| rounded(value))
            })
            .collect()
    };
    Trace {
        deflection_deg: vec![of(left_deg, 3), of(right_deg, 71)],
        time_s,
    }
}

/// The stick rests for most of a hold and takes the first fifth to get there.
fn stick_at(time_s: f64) -> f64 {
    let hold = ((time_s / HOLD_S) as usize).min(STICK_PCT.len() - 1);
    let from = STICK_PCT[hold.saturating_sub(1)];
    let share = ((time_s / HOLD_S - hold as f64) / 0.2).min(1.0);
    from + (STICK_PCT[hold] - from) * share
}
