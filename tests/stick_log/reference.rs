//! Where only few holds tell the stick, the reference surface tells it between them.

use super::film::{fitted, uneven};
use crate::support::filming;
use crate::support::filming::{Filming, StickPlan};
use crate::support::world::{Film, observe};
use hingewise::model_file::StationSource;
use hingewise::response::respond;
use hingewise::stations::{Approach, HoldOptions, find_holds};
use hingewise::warning::Warning;

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
        let responses = respond(&motion, &holds, model, &mut vec![]).unwrap();
        let told = warnings
            .iter()
            .find(|w| w.code() == "stick-by-reference")
            .unwrap();
        assert!(
            told.text()
                .contains("between 3 holds the stick of the sweep was computed from left"),
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
