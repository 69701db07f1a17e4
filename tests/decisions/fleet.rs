//! Invented aircraft: two sides with exact linkages, forged measurements of them, and their truth.

use hingewise::matching::{Correction, MatchingWarning, match_groups};
use hingewise::measured::Measured;
use hingewise::model_file::{CurveShows, Joins, MatchGroup, MatchMotion, Radio, Settings};
use hingewise::response::{Health, Response, Responses, StationDeflection};
use hingewise::stations::Approach;
use nalgebra::DMatrix;

use crate::matching::linkage::Side;
use crate::matching::world::{self, FOLLOWER, REFERENCE, ROUND_25};
use crate::support::random::Random;

/// Steps of the radios, %.
pub const STEPS_PCT: [f64; 3] = [1.0, 0.5, 0.1];
/// Standard deviations of a station by itself, deg.
const OWN_SD_DEG: [f64; 2] = [0.012, 0.03];
/// Standard deviation of what all stations of a side have in common: its scale, per degree.
const SCALE_SD: f64 = 0.0006;
/// What a servo adds to each visit; the measurement does not know of it: dead bands up to 0.4 % of a
/// travel of 25°, evenly spread over the band, deg.
const REST_SCATTER_DEG: [f64; 2] = [0.0, 0.03];
/// So small that numbers are searched for wherever there is anything to cure, deg.
const TOLERANCE_DEG: f64 = 0.01;
/// Half the play of a sound linkage, deg.
const HALF_PLAY_DEG: [f64; 2] = [0.0, 0.12];

/// One aircraft with its radio and what its clips look like.
pub struct Aircraft {
    pub reference: Side,
    pub follower: Side,
    pub radio: Radio,
    pub motion: MatchMotion,
    /// Stick positions of the holds, in time.
    pub order_pct: Vec<f64>,
    /// Whether a mix drives the follower with −100 %; its servo then runs the other way.
    pub reversed: bool,
    /// What multiplies all that is uncertain in a measurement.
    pub noise: f64,
    /// Largest mismatch that is accepted.
    pub tolerance_deg: f64,
    half_play_deg: f64,
    scatter_deg: f64,
    random: Random,
}

/// A mismatch over the whole travel, deg.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    pub worst_deg: f64,
    pub rms_deg: f64,
}

impl Aircraft {
    /// Two linkages that have nothing to do with each other but about the same travel.
    pub fn unlike(seed: u64, step_pct: f64) -> Self {
        let mut random = Random::new(seed ^ 0xDEC1);
        let follower = Side::random(&mut random);
        let reference = Side::random(&mut random);
        let travel = |side: &Side| side.deg(100.0) - side.deg(-100.0);
        let share = random.between(0.75, 1.0) * travel(&follower) / travel(&reference);
        Self::of(reference.scaled(share), follower, step_pct, random)
    }

    /// The same linkage on both sides.
    pub fn alike(seed: u64, step_pct: f64) -> Self {
        let mut random = Random::new(seed ^ 0xA11C);
        let side = Side::random(&mut random);
        Self::of(side.scaled(1.0), side, step_pct, random)
    }

    pub fn of(reference: Side, follower: Side, step_pct: f64, mut random: Random) -> Self {
        let points = [5, 7, 9, 11, 13][random.below(5)];
        let joins = [Joins::Straight, Joins::Smooth][random.below(2)];
        Self {
            radio: world::radio(&world::even_points(points), step_pct, joins),
            motion: MatchMotion::Same,
            order_pct: ROUND_25.into(),
            reversed: false,
            noise: 1.0,
            tolerance_deg: TOLERANCE_DEG,
            half_play_deg: random.between(HALF_PLAY_DEG[0], HALF_PLAY_DEG[1]),
            scatter_deg: random.between(REST_SCATTER_DEG[0], REST_SCATTER_DEG[1]),
            reference,
            follower,
            random,
        }
    }

    /// Nothing entered at the follower's servo.
    pub fn nothing(&self) -> Settings {
        let points = self.radio.curve_points_pct.iter().flatten();
        let untouched = |point: &f64| match self.radio.curve_shows {
            CurveShows::Added => 0.0,
            CurveShows::Output => *point,
        };
        Settings {
            curve_pct: points.map(untouched).collect(),
            ..Settings::default()
        }
    }

    /// −1 for ailerons: the follower's linkage is the mirror image, and its servo runs the other way.
    fn across(&self) -> f64 {
        match self.motion {
            MatchMotion::Same => 1.0,
            MatchMotion::Opposite => -1.0,
        }
    }

    /// What the follower truly does at its stick with these numbers, from its neutral, deg.
    pub fn follower_deg(&self, settings: &Settings, stick_pct: f64) -> f64 {
        let at = |stick| {
            let input = if self.reversed { -1.0 } else { 1.0 };
            let servo_pct = world::servo_pct(&self.radio, settings, input * stick);
            self.follower.deg(self.across() * input * servo_pct)
        };
        at(stick_pct) - at(0.0)
    }

    /// What the follower truly does at the reference's stick with these numbers, from its neutral with
    /// nothing entered, deg.
    pub fn follower_from_found_neutral_deg(&self, settings: &Settings, stick_pct: f64) -> f64 {
        let input = if self.reversed { -1.0 } else { 1.0 };
        let at = |settings: &Settings, stick: f64| {
            let servo_pct = world::servo_pct(&self.radio, settings, input * stick);
            self.follower.deg(self.across() * input * servo_pct)
        };
        at(settings, self.across() * stick_pct) - at(&self.nothing(), 0.0)
    }

    /// What the reference truly does with these numbers, deg.
    pub fn reference_deg(&self, settings: &Settings, stick_pct: f64) -> f64 {
        self.reference
            .deg(world::servo_pct(&self.radio, settings, stick_pct))
    }

    /// A clip taken with these numbers entered at the follower.
    pub fn film(&mut self, entered: &Settings) -> Responses {
        let nothing = self.nothing();
        let order = self.order_pct.clone();
        let rows = |deg: &dyn Fn(f64) -> f64| order.iter().map(|&s| deg(s)).collect::<Vec<_>>();
        let truth = [
            rows(&|s| self.reference_deg(&nothing, s)),
            rows(&|s| self.follower_deg(entered, s)),
        ];
        let names = [REFERENCE, FOLLOWER];
        let sides = names.iter().zip(&truth).map(|(name, truth)| {
            forged(
                name,
                &order,
                truth,
                [self.half_play_deg, self.scatter_deg, self.noise],
                &mut self.random,
            )
        });
        joined(sides.collect())
    }

    /// The group of the two sides.
    pub fn group(&self) -> MatchGroup {
        MatchGroup {
            tolerance_deg: self.tolerance_deg,
            ..world::group(self.motion)
        }
    }

    /// What matching makes of a clip.
    pub fn matched(
        &self,
        clip: &Responses,
        entered: &Settings,
    ) -> (Option<Correction>, Vec<MatchingWarning>) {
        let radio = Radio {
            active: [(FOLLOWER.to_string(), entered.clone())].into(),
            reversed: self
                .reversed
                .then(|| FOLLOWER.to_string())
                .into_iter()
                .collect(),
            ..self.radio.clone()
        };
        let mut warnings = Vec::new();
        let corrections = match_groups(clip, &[self.group()], Some(&radio), &mut warnings).unwrap();
        (corrections.into_iter().next(), warnings)
    }

    /// Films with numbers entered, and matches.
    pub fn round(&mut self, entered: &Settings) -> Correction {
        let clip = self.film(entered);
        self.matched(&clip, entered).0.unwrap()
    }

    /// What truly remains with numbers entered at the follower, and others at the reference.
    pub fn truth_with(&self, reference: &Settings, follower: &Settings, span: [f64; 2]) -> Truth {
        let sticks = (-200..=200).map(|i| 0.5 * f64::from(i));
        let apart: Vec<f64> = sticks
            .filter(|stick| (span[0]..=span[1]).contains(stick))
            .map(|s| {
                self.follower_deg(follower, self.across() * s) - self.reference_deg(reference, s)
            })
            .collect();
        Truth {
            worst_deg: apart.iter().fold(0.0, |worst, off| worst.max(off.abs())),
            rms_deg: (apart.iter().map(|off| off * off).sum::<f64>() / apart.len() as f64).sqrt(),
        }
    }

    /// What truly remains with numbers entered at the follower.
    pub fn truth(&self, follower: &Settings) -> Truth {
        self.truth_with(&self.nothing(), follower, [-100.0, 100.0])
    }
}

/// A surface as a clip shows it.
fn forged(
    name: &str,
    order_pct: &[f64],
    truth_deg: &[f64],
    [half_play_deg, scatter_deg, noise]: [f64; 3],
    random: &mut Random,
) -> Response {
    let scale = 1.0 + noise * SCALE_SD * random.normal();
    let mut stations = Vec::new();
    for (hold, (&stick_pct, &true_deg)) in order_pct.iter().zip(truth_deg).enumerate() {
        let approach = match hold.checked_sub(1).map(|before| order_pct[before]) {
            None => Approach::First,
            Some(before) if before < stick_pct => Approach::Rising,
            Some(_) => Approach::Falling,
        };
        let rests_deg = match approach {
            Approach::Rising => -half_play_deg,
            Approach::Falling => half_play_deg,
            Approach::First => random.between(-half_play_deg, half_play_deg),
        };
        let sd_deg = noise * random.between(OWN_SD_DEG[0], OWN_SD_DEG[1]);
        let value = scale * true_deg
            + rests_deg
            + sd_deg * random.normal()
            + noise * scatter_deg * random.normal();
        stations.push(StationDeflection {
            stick_pct,
            approach,
            time_s: [hold as f64, hold as f64 + 0.6],
            frames: 12,
            deflection_deg: Measured::new(value, sd_deg),
            throw_mm: None,
            inclinometer_deg: None,
            hold,
        });
    }
    Response {
        surface: name.into(),
        stations,
        health: Health::default(),
    }
}

/// Both surfaces with their joint covariance.
fn joined(surfaces: Vec<Response>) -> Responses {
    let stations: Vec<(usize, Measured)> = surfaces
        .iter()
        .enumerate()
        .flat_map(|(side, response)| {
            let deflections = response.stations.iter().map(|at| at.deflection_deg);
            deflections.map(move |deflection_deg| (side, deflection_deg))
        })
        .collect();
    let count = stations.len();
    let covariance_deg2 = DMatrix::from_fn(count, count, |row, column| {
        let ((a_side, a), (b_side, b)) = (stations[row], stations[column]);
        let own = if row == column { a.sd.powi(2) } else { 0.0 };
        let shared = if a_side == b_side {
            SCALE_SD.powi(2) * a.value * b.value
        } else {
            0.0
        };
        own + shared
    });
    Responses {
        surfaces,
        covariance_deg2,
        lags: Vec::new(),
        neutral: None,
        level: None,
    }
}

/// Whether two sets of numbers say the same.
pub fn same_numbers(a: &Settings, b: &Settings) -> bool {
    let all = |settings: &Settings| {
        let ends = settings.end_points_pct;
        let mut numbers = settings.curve_pct.clone();
        numbers.extend([settings.sub_trim_pct, ends[0], ends[1]]);
        numbers
    };
    all(a).iter().zip(all(b)).all(|(a, b)| (a - b).abs() < 1e-6)
}
