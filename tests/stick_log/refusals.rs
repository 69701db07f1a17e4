//! Logs that cannot be aligned are refused.

use super::film::{LOGGING, fitted, log_text, told};
use crate::support::filming::{Filming, StickPlan};
use crate::support::world::{Film, observe};
use crate::support::{aircraft, filming};
use hingewise::motion::Motion;
use hingewise::stations::StationsError;

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
    assert!(error.to_string().contains("does not match"), "{error}");
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
