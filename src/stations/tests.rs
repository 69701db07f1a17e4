//! Holds found in the true motion of two rendered clips (see `tests/data/README.md`), with noise.

use proptest::prelude::*;

use super::*;
use crate::model_file::StationSource;
use crate::motion::Motion;
use crate::stations::test_motion::{Truth, model_with, motion_of, sightings_of};
use crate::tags::Sightings;
use crate::warning::Warning;

/// Frames at either end of a hold that may be used beyond the clip's own list of settled frames,
/// which counts from the stick's stop: the surfaces' stop is seen, the stick's is not.
const SLACK_FRAMES: usize = 1;

/// The same where a frame's noise hides the first tenths of a degree of a move.
const SLACK_FRAMES_IN_NOISE: usize = 2;

/// Noise of one frame up to which the smaller slack holds.
const LITTLE_NOISE_DEG: f64 = 0.1;

/// Every frame, or every second and so on.
fn every(stride: usize, truth: &Truth) -> Vec<usize> {
    (0..truth.time_s.len()).step_by(stride).collect()
}

fn by_order(truth: &Truth) -> StationSource {
    StationSource::Order(truth.holds.iter().map(|hold| hold.0).collect())
}

fn default_cards() -> StationSource {
    let card = |step: i32| ((120 + step) as u32, 5.0 * f64::from(step));
    StationSource::Cards((-20..=20).map(card).collect())
}

fn no_cards(motion: &Motion) -> Sightings {
    let times: Vec<f64> = motion.frames.iter().map(|frame| frame.time_s).collect();
    sightings_of(&times, &vec![None; times.len()])
}

fn find(
    motion: &Motion,
    source: StationSource,
) -> Result<(Holds, Vec<StationsWarning>), StationsError> {
    let mut warnings = Vec::new();
    let model = model_with(source);
    let options = HoldOptions::default();
    let holds = find_holds(motion, &no_cards(motion), &model, &options, &mut warnings)?;
    Ok((holds, warnings))
}

/// Checks that the holds are the true ones, that each uses settled frames only, and at least half
/// of those that are there beyond the slack.
fn assert_true_holds(truth: &Truth, kept: &[usize], holds: &Holds, slack: usize, case: &str) {
    let found: Vec<f64> = holds.holds.iter().map(|hold| hold.stick_pct).collect();
    let expected: Vec<f64> = truth.holds.iter().map(|hold| hold.0).collect();
    assert_eq!(found, expected, "{case}");
    for (hold, &(stick, first, last)) in holds.holds.iter().zip(&truth.holds) {
        let used: Vec<usize> = hold.frames.iter().map(|&frame| kept[frame]).collect();
        let story = format!("{case}: stick {stick}: {used:?} of {first}..={last}");
        let is_settled = |frame: &usize| frame + slack >= first && *frame <= last + slack;
        assert!(used.iter().all(is_settled), "{story}");
        let settled = kept.iter().filter(|k| (first..=last).contains(k));
        assert!(2 * (used.len() + slack) >= settled.count(), "{story}");
    }
}

#[test]
fn true_holds_are_found_at_every_noise_level_and_frame_rate() {
    for name in ["tripod", "handheld"] {
        let truth = Truth::read(name);
        for (noise_deg, stride) in [
            (0.0, 1),
            (0.05, 1),
            (0.1, 1),
            (0.2, 1),
            (0.3, 1),
            (0.05, 2),
            (0.2, 2),
        ] {
            for seed in 0..10 {
                let kept = every(stride, &truth);
                let case = format!("{name}, {noise_deg} deg, 1/{stride}, seed {seed}");
                let motion = truth.motion(noise_deg, seed, &kept);
                let (holds, warnings) = find(&motion, by_order(&truth))
                    .unwrap_or_else(|error| panic!("{case}: {error}"));
                let slack = if noise_deg <= LITTLE_NOISE_DEG {
                    SLACK_FRAMES
                } else {
                    SLACK_FRAMES_IN_NOISE
                };
                assert_true_holds(&truth, &kept, &holds, slack, &case);
                assert_eq!(warnings, [], "{case}");
            }
        }
    }
}

#[test]
fn cards_give_the_stations_of_the_tripod_clip() {
    let truth = Truth::read("tripod");
    let kept = every(1, &truth);
    let motion = truth.motion(0.05, 1, &kept);
    let mut warnings = Vec::new();
    let holds = find_holds(
        &motion,
        &sightings_of(&truth.time_s, &truth.cards),
        &model_with(default_cards()),
        &HoldOptions::default(),
        &mut warnings,
    )
    .unwrap();
    assert_true_holds(&truth, &kept, &holds, SLACK_FRAMES, "cards");
    assert_eq!(warnings, []);
    let neutral: usize = holds
        .holds
        .iter()
        .filter(|h| h.stick_pct == 0.0)
        .map(|h| h.frames.len())
        .sum();
    assert_eq!(holds.neutral_frames.len(), neutral);
}

#[test]
fn approaches_follow_the_stick() {
    use Approach::{Falling, First, Rising};
    let truth = Truth::read("handheld");
    let motion = truth.motion(0.05, 1, &every(1, &truth));
    let (holds, _) = find(&motion, by_order(&truth)).unwrap();
    let found: Vec<Approach> = holds.holds.iter().map(|hold| hold.approach).collect();
    // 0 100 50 0 −50 −100 −50 0 50 100 0
    let expected = [
        First, Rising, Falling, Falling, Falling, Falling, Rising, Rising, Rising, Rising, Falling,
    ];
    assert_eq!(found, expected);
}

/// The tripod clip's holds with the given ones cut out of the film, and the full order.
fn with_holds_cut(cut: &[usize]) -> (Motion, Vec<f64>) {
    let truth = Truth::read("tripod");
    let hidden = |frame: usize| {
        cut.iter().any(|&hold| {
            let (_, first, last) = truth.holds[hold];
            // From the middle of the move before to the middle of the move after.
            (first - 8..last + 2).contains(&frame)
        })
    };
    let angles: Vec<Vec<Option<f64>>> = truth
        .angles_deg
        .iter()
        .map(|angles| {
            let measured = |(frame, &angle): (usize, &f64)| (!hidden(frame)).then_some(angle);
            angles.iter().enumerate().map(measured).collect()
        })
        .collect();
    let order = truth.holds.iter().map(|hold| hold.0).collect();
    (motion_of(&truth.time_s, &angles, 0.02), order)
}

#[test]
fn a_missing_hold_is_named_and_the_others_are_kept() {
    let (motion, order) = with_holds_cut(&[6]);
    let (holds, warnings) = find(&motion, StationSource::Order(order.clone())).unwrap();
    let mut expected = order;
    expected.remove(6);
    let found: Vec<f64> = holds.holds.iter().map(|hold| hold.stick_pct).collect();
    assert_eq!(found, expected);
    // Approached from 75 %, though the hold at 50 % was not seen.
    assert_eq!(holds.holds[6].approach, Approach::Falling);
    assert_eq!(
        warnings[0].text(),
        "the model file declares 17 holds, the clip shows 16; the one after 4.1 s is missing (stick +50 %)"
    );
}

#[test]
fn an_extreme_that_was_never_seen_is_not_guessed_wrongly() {
    let (motion, order) = with_holds_cut(&[12]);
    let (holds, _) = find(&motion, StationSource::Order(order)).unwrap();
    let found: Vec<f64> = holds.holds.iter().map(|hold| hold.stick_pct).collect();
    assert!(!found.contains(&-100.0));
    assert_eq!(holds.holds.len(), 16);
}

#[test]
fn a_rest_nobody_declared_is_left_out_with_a_warning() {
    let truth = Truth::read("tripod");
    let motion = truth.motion(0.05, 3, &every(1, &truth));
    let mut order: Vec<f64> = truth.holds.iter().map(|hold| hold.0).collect();
    order.remove(3);
    let (holds, warnings) = find(&motion, StationSource::Order(order)).unwrap();
    assert_eq!(holds.holds.len(), 16);
    assert!(
        warnings[0]
            .text()
            .contains("declares 16 holds, the clip shows 17; the one at 2.2 s is not declared"),
        "{}",
        warnings[0].text()
    );
}

#[test]
fn an_order_that_does_not_fit_is_refused() {
    let truth = Truth::read("tripod");
    let motion = truth.motion(0.05, 3, &every(1, &truth));
    let mut order: Vec<f64> = truth.holds.iter().map(|hold| hold.0).collect();
    order.rotate_left(3);
    let error = find(&motion, StationSource::Order(order.clone())).unwrap_err();
    assert!(
        matches!(error, StationsError::OrderContradicts { .. }),
        "{error}"
    );
    let error = find(&motion, StationSource::Order(order[..10].to_vec())).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("declares 10 holds, the clip shows 17"),
        "{error}"
    );
    assert!(!error.mend().is_empty());
}

fn find_with_cards(cards: &[Option<u32>]) -> Result<(Holds, Vec<StationsWarning>), StationsError> {
    let truth = Truth::read("tripod");
    let motion = truth.motion(0.05, 1, &every(1, &truth));
    let mut warnings = Vec::new();
    let holds = find_holds(
        &motion,
        &sightings_of(&truth.time_s, cards),
        &model_with(default_cards()),
        &HoldOptions::default(),
        &mut warnings,
    )?;
    Ok((holds, warnings))
}

#[test]
fn cards_changed_a_little_early_or_late_do_no_harm() {
    let truth = Truth::read("tripod");
    for shift in [-3_i32, 3] {
        let shifted = |frame: i32| truth.cards.get(usize::try_from(frame).ok()?).copied()?;
        let count = truth.cards.len() as i32;
        let cards: Vec<Option<u32>> = (0..count).map(|frame| shifted(frame - shift)).collect();
        let (holds, warnings) = find_with_cards(&cards).unwrap();
        assert_eq!(holds.holds.len(), 17);
        assert_eq!(warnings, []);
    }
}

#[test]
fn cards_seen_now_and_then_give_all_stations() {
    // Cards are not looked for in every frame; here in every third or fifth, from any start.
    let truth = Truth::read("tripod");
    for (stride, start) in [(3, 0), (3, 2), (5, 1), (5, 3)] {
        let now_and_then =
            |(frame, card): (usize, &Option<u32>)| card.filter(|_| frame % stride == start);
        let cards: Vec<Option<u32>> = truth.cards.iter().enumerate().map(now_and_then).collect();
        let (holds, warnings) = find_with_cards(&cards).unwrap();
        assert_eq!(holds.holds.len(), 17);
        assert_eq!(warnings, []);
    }
}

#[test]
fn contradicting_cards_are_refused_with_time_and_ids() {
    let truth = Truth::read("tripod");
    let mut cards = truth.cards.clone();
    let (_, first, last) = truth.holds[2];
    cards[first..(first + last) / 2].fill(Some(135));
    let error = find_with_cards(&cards).unwrap_err();
    assert!(
        error.to_string().contains("cards 130 and 135 at 1.6"),
        "{error}"
    );
}

#[test]
fn a_wrong_card_at_a_station_shown_twice_is_refused() {
    let truth = Truth::read("tripod");
    let mut cards = truth.cards.clone();
    let (_, first, last) = truth.holds[2];
    cards[first - 5..=last].fill(Some(135));
    let error = find_with_cards(&cards).unwrap_err();
    assert!(
        matches!(
            error,
            StationsError::StationContradicts {
                stick_pct: 75.0,
                ..
            }
        ),
        "{error}"
    );
}

#[test]
fn cards_that_were_exchanged_are_named() {
    // 130 and 135 are +50 and +75 %, 120 is neutral, 125 is +25 %, 140 the end.
    let truth = Truth::read("tripod");
    for [one, other] in [[130, 135], [120, 125], [135, 140], [110, 125]] {
        let exchange = |card: u32| match card {
            card if card == one => other,
            card if card == other => one,
            card => card,
        };
        let cards: Vec<Option<u32>> = truth.cards.iter().map(|card| card.map(exchange)).collect();
        let error = find_with_cards(&cards).unwrap_err();
        let named = format!("(cards {one} and {other}) are swapped");
        assert!(error.to_string().contains(&named), "{error}");
    }
}

#[test]
fn a_hold_without_a_card_is_left_out_with_a_warning() {
    let truth = Truth::read("tripod");
    let mut cards = truth.cards.clone();
    let (_, first, last) = truth.holds[2];
    cards[first - 10..=last].fill(None);
    let (holds, warnings) = find_with_cards(&cards).unwrap();
    assert_eq!(holds.holds.len(), 16);
    assert_eq!(holds.holds[2].approach, Approach::Rising);
    assert_eq!(warnings[0].code(), "hold-without-card");
    let none = find_with_cards(&vec![None; cards.len()]).unwrap_err();
    assert_eq!(
        none,
        StationsError::NoCard {
            rests: 17,
            strangers: vec![]
        }
    );
}

#[test]
fn marks_give_the_stations_and_a_stray_one_is_named() {
    let truth = Truth::read("handheld");
    let motion = truth.motion(0.05, 1, &every(1, &truth));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("marks.csv");
    let mut text = String::from("time_s,stick_pct\n");
    for &(stick, first, _) in &truth.holds {
        text += &format!("{},{stick}\n", truth.time_s[first]);
    }
    std::fs::write(&path, &text).unwrap();
    let (holds, _) = find(&motion, StationSource::Marks(path.clone())).unwrap();
    assert_true_holds(&truth, &every(1, &truth), &holds, SLACK_FRAMES, "marks");
    std::fs::write(&path, text + "1.5, 40\n").unwrap();
    let error = find(&motion, StationSource::Marks(path)).unwrap_err();
    assert!(
        error.to_string().contains("line 13: no hold at 1.5 s"),
        "{error}"
    );
}

#[test]
fn neutral_comes_from_holds_at_zero_or_from_the_declared_span() {
    let truth = Truth::read("handheld");
    let motion = truth.motion(0.05, 1, &every(1, &truth));
    let shifted: Vec<f64> = truth.holds.iter().map(|hold| hold.0 + 5.0).collect();
    let mut model = model_with(StationSource::Order(shifted));
    let options = HoldOptions::default();
    let sightings = no_cards(&motion);
    let none = find_holds(&motion, &sightings, &model, &options, &mut Vec::new());
    assert_eq!(
        none.unwrap_err(),
        StationsError::NoNeutralHold {
            unknown_cards: vec![]
        }
    );
    model.stations.neutral_time_s = Some([0.2, 0.8]);
    let holds = find_holds(&motion, &sightings, &model, &options, &mut Vec::new()).unwrap();
    assert_eq!(holds.neutral_frames, (5..=20).collect::<Vec<_>>());
    model.stations.neutral_time_s = Some([90.0, 91.0]);
    let empty = find_holds(&motion, &sightings, &model, &options, &mut Vec::new());
    assert!(matches!(
        empty.unwrap_err(),
        StationsError::NeutralSpanEmpty { .. }
    ));
}

#[test]
fn a_steady_sweep_has_no_hold() {
    let time_s: Vec<f64> = (0..300).map(|k| f64::from(k) / 30.0).collect();
    for noise_deg in [0.03, 0.06, 0.1] {
        let noise = super::test_motion::Noise::new(5).normal(300);
        let angles: Vec<Option<f64>> = (0..300)
            .map(|k| Some(5.0 * time_s[k] + noise_deg * noise[k]))
            .collect();
        let motion = motion_of(&time_s, &[angles.clone(), angles], noise_deg);
        let error = find(&motion, StationSource::Order(vec![0.0])).unwrap_err();
        let StationsError::SweepWithoutHolds { time_s, because } = &error else {
            panic!("{noise_deg}: {error}");
        };
        assert_eq!(*time_s, [0.0, 299.0 / 30.0]);
        assert!(matches!(**because, StationsError::NoHold { .. }));
    }
}

/// A stick that is swept slowly by hand starts and stops softly; four holds, 4 s of way between
/// neutral and each end.
#[test]
fn soft_ends_of_a_slow_sweep_are_no_holds_of_their_own() {
    let order = [0.0, 100.0, -100.0, 0.0];
    let soft = |share: f64| share * share * (3.0 - 2.0 * share);
    let stick_pct = |time_s: f64| {
        let leg = ((time_s / 5.0) as usize).min(2);
        let share = ((time_s - 5.0 * leg as f64 - 1.0) / 4.0).clamp(0.0, 1.0);
        order[leg] + (order[leg + 1] - order[leg]) * soft(share)
    };
    let time_s: Vec<f64> = (0..480).map(|k| f64::from(k) / 30.0).collect();
    for (seed, noise_deg) in (0..60).flat_map(|seed| [(seed, 0.1), (seed, 0.2)]) {
        let mut noise = super::test_motion::Noise::new(seed);
        let angles = [0.25, 0.23].map(|deg_per_pct| {
            let noise = noise.normal(time_s.len());
            let angle = |(&t, noise): (&f64, f64)| deg_per_pct * stick_pct(t) + noise_deg * noise;
            time_s
                .iter()
                .zip(noise)
                .map(|pair| Some(angle(pair)))
                .collect()
        });
        let motion = motion_of(&time_s, &angles, noise_deg);
        let (holds, warnings) = find(&motion, StationSource::Order(order.to_vec()))
            .unwrap_or_else(|error| panic!("seed {seed}, {noise_deg}°: {error}"));
        let found: Vec<f64> = holds.holds.iter().map(|hold| hold.stick_pct).collect();
        assert_eq!(found, order, "seed {seed}, {noise_deg}°: {warnings:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Another start of the clock and an uneven frame rate with missing frames change nothing.
    #[test]
    fn holds_do_not_depend_on_the_clock_or_on_even_frames(
        seed in 0u64..1000,
        start_s in -5.0f64..500.0,
        missing in 0.0f64..0.3,
    ) {
        let truth = Truth::read("tripod");
        let mut noise = super::test_motion::Noise::new(seed);
        let kept: Vec<usize> = (0..truth.time_s.len())
            .filter(|_| noise.uniform() >= missing)
            .collect();
        let mut motion = truth.motion(0.05, seed, &kept);
        let (holds, _) = find(&motion, by_order(&truth)).unwrap();
        assert_true_holds(&truth, &kept, &holds, SLACK_FRAMES, "uneven");
        for frame in &mut motion.frames {
            frame.time_s += start_s;
        }
        let (later, _) = find(&motion, by_order(&truth)).unwrap();
        for (a, b) in holds.holds.iter().zip(&later.holds) {
            prop_assert_eq!(a.stick_pct, b.stick_pct);
            // Rounding of the times may move a frame that lies on the very edge of the settling.
            prop_assert!(a.frames.len().abs_diff(b.frames.len()) <= 1);
        }
    }

    /// A tag that is lost on one side now and then costs frames, not holds.
    #[test]
    fn holds_survive_lost_sightings_and_spikes(seed in 0u64..1000) {
        let truth = Truth::read("tripod");
        let kept = every(1, &truth);
        let mut motion = truth.motion(0.05, seed, &kept);
        let mut noise = super::test_motion::Noise::new(seed + 1);
        for frame in &mut motion.frames {
            for deflection in &mut frame.deflections {
                if noise.uniform() < 0.15 {
                    *deflection = None;
                } else if noise.uniform() < 0.01 {
                    deflection.as_mut().unwrap().angle_rad += 0.5;
                }
            }
        }
        let (holds, _) = find(&motion, by_order(&truth)).unwrap();
        assert_true_holds(&truth, &kept, &holds, SLACK_FRAMES, "lost");
    }
}
