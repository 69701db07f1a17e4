//! How the throws of a surface changed between two clips.
//!
//! Stations are many, so the largest of their changes is large by chance alone. A surface is
//! reported as moved only where that change is too large for the largest of all stations of all
//! surfaces that are compared (Bonferroni's bound).

use nalgebra::{DMatrix, DVector};

use super::Kept;
use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::response::StationDeflection;
use crate::stations::Approach;
use crate::statistics::student_t_beyond;
use crate::stick;

/// Share of the comparisons of unchanged aircraft in which any surface may be reported as moved.
const FALSE_ALARMS: f64 = 0.01;

/// How a servo's rests scatter where few visits show it, degrees: a dead band of 0.3 % of 25°,
/// evenly spread. Common practice, no source.
const USUAL_SCATTER_DEG: f64 = 0.02;
/// As many degrees of freedom is [`USUAL_SCATTER_DEG`] worth, beside what the visits show.
const USUAL_FREEDOM: usize = 4;

/// How one surface changed since an earlier measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Day of the earlier measurement, else the name of its entry.
    pub since: String,
    /// The surface.
    pub surface: String,
    /// The station at which it changed most.
    pub stick_pct: f64,
    /// Later minus earlier deflection there, the mean over the sides from which both came to it.
    pub change_deg: Measured,
    /// Whether the change is too large for the largest of all stations of an unchanged aircraft.
    pub moved: bool,
    /// Whether other numbers were entered for it in between, which explains a change.
    pub numbers_changed: bool,
    /// Whether numbers were proposed for it after the earlier clip, and the later measurement
    /// declares none, or those of before.
    pub proposal_undeclared: bool,
}

impl Drift {
    /// Whether the throws moved beyond doubt.
    pub fn is_sure(&self) -> bool {
        self.moved
    }
}

/// The largest change of every surface since every earlier measurement that came to a station from
/// the same side, in the same function.
///
/// Each measurement counts from its own neutral, so a shift of neutral itself is not seen here but
/// in [`super::neutral_drifts`].
pub fn drifts(latest: &Measurement, earlier: &[Kept]) -> Vec<Drift> {
    let now = Clips::of(latest);
    let mut compared = Vec::new();
    for kept in earlier {
        let then = Clips::of(&kept.measurement);
        for later in &now.surfaces {
            let same_function = latest.same_function(&kept.measurement, later.name);
            let mut surfaces = then.surfaces.iter().filter(|_| same_function);
            let before = surfaces.find(|clip| clip.name == later.name);
            let changes = before.map_or_else(Vec::new, |before| changes([later, before]));
            if !changes.is_empty() {
                compared.push((kept, later.name, changes));
            }
        }
    }
    let tests: usize = compared.iter().map(|(_, _, changes)| changes.len()).sum();
    compared
        .into_iter()
        .filter_map(|(kept, surface, changes)| drift(latest, (kept, surface), &changes, tests))
        .collect()
}

fn drift(
    latest: &Measurement,
    (kept, surface): (&Kept, &str),
    changes: &[Change],
    tests: usize,
) -> Option<Drift> {
    let before = &kept.measurement;
    let has_moved = |change: &Change| change.by_chance * tests as f64 <= FALSE_ALARMS;
    let moved = changes.iter().any(has_moved);
    let largest = changes
        .iter()
        .filter(|change| !moved || has_moved(change))
        .max_by(|a, b| a.value().abs().total_cmp(&b.value().abs()))?;
    let proposal_undeclared =
        before.proposes_change(surface) && latest.declares_nothing_since(before, surface);
    Some(Drift {
        since: kept.day(),
        surface: surface.into(),
        stick_pct: largest.stick_pct,
        change_deg: largest.change_deg,
        moved,
        numbers_changed: !proposal_undeclared && !latest.declares_same(before, surface),
        proposal_undeclared,
    })
}

/// All surfaces of a measurement.
struct Clips<'a> {
    surfaces: Vec<Clip<'a>>,
}

/// One surface in one clip.
struct Clip<'a> {
    name: &'a str,
    stations: &'a [StationDeflection],
    covariance_deg2: DMatrix<f64>,
    play_deg: f64,
}

impl<'a> Clips<'a> {
    fn of(measurement: &'a Measurement) -> Self {
        let covariance_deg2 = measurement.covariance_deg2();
        let mut first = 0;
        let clip = |surface: &'a SurfaceRecord| {
            let count = surface.stations.len();
            let own = covariance_deg2.view((first, first), (count, count));
            first += count;
            Clip {
                name: &surface.name,
                stations: &surface.stations,
                covariance_deg2: own.into_owned(),
                play_deg: surface.health.play_deg.map_or(0.0, |play| play.value.abs()),
            }
        };
        Self {
            surfaces: measurement.surfaces.iter().map(clip).collect(),
        }
    }
}

impl Clip<'_> {
    /// The mean over the visits to a station from one side, as weights; `None` without such visits.
    fn mean_of(&self, stick_pct: f64, approach: Approach) -> Option<DVector<f64>> {
        let is_one = |station: &StationDeflection| {
            stick::is_same_station(station.stick_pct, stick_pct) && station.approach == approach
        };
        let count = self.stations.iter().filter(|at| is_one(at)).count();
        let weight = |at: &StationDeflection| if is_one(at) { 1.0 / count as f64 } else { 0.0 };
        let weights = self.stations.iter().map(weight);
        (count > 0).then(|| DVector::from_iterator(self.stations.len(), weights))
    }

    fn sum(&self, weights: &DVector<f64>) -> f64 {
        let products = weights.iter().zip(self.stations);
        products
            .map(|(weight, at)| weight * at.deflection_deg.value)
            .sum()
    }

    fn variance_deg2(&self, weights: &DVector<f64>) -> f64 {
        (&self.covariance_deg2 * weights).dot(weights)
    }

    /// Visits to neutral, and the mean side that the surface came from, −1 to +1.
    fn neutral(&self) -> (f64, f64) {
        let at_zero = self
            .stations
            .iter()
            .filter(|at| stick::is_same_station(at.stick_pct, 0.0));
        let side = |at: &StationDeflection| match at.approach {
            Approach::Rising => -1.0,
            Approach::Falling => 1.0,
            Approach::First => 0.0,
        };
        let (sum, count) =
            at_zero.fold((0.0, 0.0), |(sum, count), at| (sum + side(at), count + 1.0));
        (count, if count > 0.0 { sum / count } else { 0.0 })
    }
}

/// The change at one station.
struct Change {
    stick_pct: f64,
    change_deg: Measured,
    /// Probability of so large a change by chance.
    by_chance: f64,
}

impl Change {
    fn value(&self) -> f64 {
        self.change_deg.value
    }
}

/// A difference of weighted sums in both clips.
struct Difference {
    value_deg: f64,
    /// The measurement's own variance.
    own_deg2: f64,
    /// What multiplies the variance of a single rest.
    scatter_share: f64,
}

impl Difference {
    fn of([later, earlier]: [&Clip<'_>; 2], [now, then]: &[DVector<f64>; 2]) -> Self {
        Self {
            value_deg: later.sum(now) - earlier.sum(then),
            own_deg2: later.variance_deg2(now) + earlier.variance_deg2(then),
            scatter_share: now.norm_squared() + then.norm_squared(),
        }
    }
}

/// The changes of a surface at all stations that both clips came to from the same side.
fn changes(clips: [&Clip<'_>; 2]) -> Vec<Change> {
    let mut sticks: Vec<f64> = clips[0].stations.iter().map(|at| at.stick_pct).collect();
    sticks.sort_by(f64::total_cmp);
    sticks.dedup_by(|a, b| stick::is_same_station(*a, *b));
    let mut stations = Vec::new();
    let mut between_sides = Vec::new();
    for stick_pct in sticks {
        let from = |approach| {
            let now = clips[0].mean_of(stick_pct, approach)?;
            Some([now, clips[1].mean_of(stick_pct, approach)?])
        };
        let mean = match (from(Approach::Rising), from(Approach::Falling)) {
            (Some(rising), Some(falling)) => {
                let apart = [&falling[0] - &rising[0], &falling[1] - &rising[1]];
                between_sides.push(Difference::of(clips, &apart));
                [
                    (&falling[0] + &rising[0]) * 0.5,
                    (&falling[1] + &rising[1]) * 0.5,
                ]
            }
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => continue,
        };
        stations.push((stick_pct, Difference::of(clips, &mean)));
    }
    let (scatter_deg2, freedom) = scatter(&between_sides);
    let neutral_deg2 = neutral_variance_deg2(clips, scatter_deg2);
    let change = |(stick_pct, difference): (f64, Difference)| {
        let Difference {
            value_deg,
            own_deg2,
            scatter_share,
        } = difference;
        let variance = own_deg2 + scatter_share * scatter_deg2 + neutral_deg2;
        let sd_deg = variance.max(0.0).sqrt();
        Change {
            stick_pct,
            change_deg: Measured::new(value_deg, sd_deg),
            by_chance: student_t_beyond(value_deg.abs() / sd_deg, freedom),
        }
    };
    stations.into_iter().map(change).collect()
}

/// Variance of single rests beyond the measurement's own, deg², and its degrees of freedom.
///
/// What a change of throws and of play leaves of the differences between both sides is scatter. What
/// a few of them show is weighed with what is usual (a moderated variance: G. K. Smyth, Stat. Appl.
/// Genet. Mol. Biol. 3 (2004) 3).
fn scatter(between_sides: &[Difference]) -> (f64, usize) {
    let count = between_sides.len() as f64;
    let freedom = between_sides.len().saturating_sub(1);
    let mean = |figure: &dyn Fn(&Difference) -> f64| {
        between_sides.iter().map(figure).sum::<f64>() / count.max(1.0)
    };
    let play_deg = mean(&|difference| difference.value_deg);
    let squares = mean(&|difference| (difference.value_deg - play_deg).powi(2)) * count;
    let share = mean(&|difference| difference.scatter_share);
    let seen_deg2 = match freedom {
        0 => 0.0,
        _ => (squares / freedom as f64 - mean(&|difference| difference.own_deg2)) / share,
    };
    let (usual, seen) = (USUAL_FREEDOM as f64, freedom as f64);
    let sum = usual * USUAL_SCATTER_DEG.powi(2) + seen * seen_deg2.max(0.0);
    (sum / (usual + seen), USUAL_FREEDOM + freedom)
}

/// Variance of neutral, from which all stations count, deg²: its rests scatter, and in a clip's first
/// rest the surface may be anywhere within its play (JCGM 100:2008, 4.3.7).
fn neutral_variance_deg2(clips: [&Clip<'_>; 2], scatter_deg2: f64) -> f64 {
    let play_deg = clips[0].play_deg.max(clips[1].play_deg);
    let neutrals = clips.map(Clip::neutral);
    let own = |(visits, _): (f64, f64)| {
        let visits = visits.max(1.0);
        scatter_deg2 / visits + (play_deg / visits).powi(2) / 12.0
    };
    let sides_apart = neutrals[0].1 - neutrals[1].1;
    own(neutrals[0]) + own(neutrals[1]) + (0.5 * play_deg * sides_apart).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{LEFT, RIGHT, heron, heron_after};
    use crate::record::tests::kept;

    #[test]
    fn drift_is_told_with_its_doubt_and_what_explains_it() {
        let drifts = drifts(&heron_after(), &[kept("001-x", heron())]);
        let [left, right] = &drifts[..] else {
            panic!("one entry a surface: {drifts:?}");
        };
        assert_eq!([&left.surface, &right.surface], [LEFT, RIGHT]);
        assert!(!left.is_sure() && !left.numbers_changed);
        assert!(right.is_sure() && right.numbers_changed);
        // The sample's right side moves 4 % further, most of all at −100 %: −27.9° · 4 %.
        assert_eq!(right.stick_pct, -100.0);
        assert!((right.change_deg.value + 1.117).abs() < 0.01);
        // Two independent clips of ±0.03° each, and on top what a rest scatters and what neutral does.
        let clips_deg = 0.03 * 2f64.sqrt();
        assert!(
            (clips_deg..2.0 * clips_deg).contains(&right.change_deg.u()),
            "{right:?}"
        );
    }

    #[test]
    fn play_is_no_drift_where_stations_were_come_to_from_other_sides() {
        // The sample's left side has a play of 0.1°. The earlier clip saw stations from one side only.
        let mut before = heron();
        let left = &mut before.surfaces[0];
        assert_eq!(left.name, LEFT);
        left.stations
            .retain(|station| station.approach == Approach::Falling);
        let drifts = drifts(&heron(), &[kept("001-x", before)]);
        assert_eq!(drifts[0].surface, LEFT);
        assert!(drifts[0].change_deg.value.abs() < 1e-9, "{drifts:?}");
    }
}
