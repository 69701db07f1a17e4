//! Throws of the same aircraft in two clips: reported as moved only where they moved.

use std::path::Path;

use hingewise::measurement::{Measurement, SurfaceRecord};
use hingewise::record::{Drift, Kept, drifts};
use hingewise::response::Responses;
use rayon::prelude::*;

use super::fleet::Aircraft;
use crate::matching::linkage::Side;

/// Aircraft that nobody touched between two clips.
const UNCHANGED: u64 = 300;
/// Aircraft of which one side's throws changed.
const CHANGED: u64 = 60;
/// A change of throws that a pilot would want to know of: 0.6° of 30°.
const CHANGE: f64 = 1.02;

/// A clip as it is kept.
fn kept(day: &str, clip: &Responses) -> Kept {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/measurement/before.json");
    let mut measurement = Measurement::read(&file).unwrap();
    measurement.date = Some(day.into());
    measurement.radio = None;
    measurement.groups.clear();
    measurement.matches.clear();
    measurement.trace = Default::default();
    for (record, response) in measurement.surfaces.iter_mut().zip(&clip.surfaces) {
        *record = SurfaceRecord {
            name: response.surface.clone(),
            stations: response.stations.clone(),
            health: response.health.clone(),
            ..record.clone()
        };
    }
    let rows = clip.covariance_deg2.row_iter();
    measurement.station_covariance_deg2 = rows.map(|row| row.iter().copied().collect()).collect();
    Kept {
        name: day.into(),
        measurement,
    }
}

/// Two clips of an aircraft; in the second the reference's throws are so many times larger.
fn told(seed: u64, times: f64) -> Vec<Drift> {
    let mut aircraft = Aircraft::unlike(seed, 1.0);
    let nothing = aircraft.nothing();
    let first = aircraft.film(&nothing);
    let side: Side = aircraft.reference.scaled(times);
    aircraft.reference = side;
    let second = aircraft.film(&nothing);
    let [first, second] = [kept("2026-03-01", &first), kept("2026-11-26", &second)];
    drifts(&second.measurement, &[first])
}

/// Whether the largest change is beyond its own ±, as if it were the only one that was looked at.
fn is_beyond_its_own(seed: u64) -> bool {
    let mut aircraft = Aircraft::unlike(seed, 1.0);
    let nothing = aircraft.nothing();
    let [first, second] = [(), ()].map(|()| aircraft.film(&nothing));
    first
        .surfaces
        .iter()
        .zip(&second.surfaces)
        .any(|(then, now)| {
            let visits = then.stations.iter().zip(&now.stations).skip(1);
            let mut by_stick: Vec<(f64, f64, f64, f64)> = Vec::new();
            for (then, now) in visits {
                let [a, b] = [then.deflection_deg, now.deflection_deg];
                let (change, sd) = (b.value - a.value, a.sd.hypot(b.sd));
                match by_stick.iter_mut().find(|at| at.0 == now.stick_pct) {
                    Some(at) => *at = (at.0, at.1 + change, at.2 + sd, at.3 + 1.0),
                    None => by_stick.push((now.stick_pct, change, sd, 1.0)),
                }
            }
            let largest = by_stick.iter().max_by(|a, b| {
                let size = |at: &(f64, f64, f64, f64)| (at.1 / at.3).abs();
                size(a).total_cmp(&size(b))
            });
            largest.is_some_and(|at| at.1.abs() > 2.0 * at.2)
        })
}

#[test]
fn throws_of_an_unchanged_aircraft_are_not_reported_as_moved() {
    let moved = |seed: &u64| told(*seed, 1.0).iter().any(Drift::is_sure);
    let moved = (0..UNCHANGED).into_par_iter().filter(moved).count() as u64;
    let singly = (0..UNCHANGED).into_par_iter();
    let singly = singly.filter(|seed| is_beyond_its_own(*seed)).count() as u64;
    println!(
        "{moved} of {UNCHANGED} unchanged aircraft are reported as moved; {singly} would be if the \
         largest change were judged as the only one"
    );
    // What the joint test is for: the largest of nine stations and two sides is large by chance.
    assert!(singly * 10 > UNCHANGED, "{singly} of {UNCHANGED}");
    // One in a hundred is what the test admits; three standard deviations of that on top.
    assert!(moved * 100 <= 3 * UNCHANGED, "{moved} of {UNCHANGED}");
}

#[test]
fn throws_that_changed_are_reported_of_the_side_that_changed() {
    let seen = |seed: &u64| {
        let drifts = told(*seed, CHANGE);
        drifts[0].is_sure() && !drifts[1].is_sure()
    };
    let seen = (0..CHANGED).into_par_iter().filter(seen).count() as u64;
    println!("{seen} of {CHANGED} changes by 2 % are seen");
    assert!(seen * 20 >= 19 * CHANGED, "{seen} of {CHANGED}");
}
