//! How well the stations assigned to rests fit their deflections.

use crate::response_model::{Legendre, pools};
use crate::solver::LinearSums;
use crate::stations::constants::{
    CLEAR_LABELS_RATIO, OFF_BY_PLAY_DEG, OFF_MONOTONE_DEG, OFF_MONOTONE_SHARE,
};
use crate::stations::seen_rest::SeenRest;
use crate::statistics::extremes;

/// Highest power of the stick in a smooth response; an arm, rod and horn need no more to come
/// within a fraction of a degree.
const RESPONSE_DEGREE: usize = 3;

/// A way that is further than this from a smooth response is clearly worse than one at a distance.
pub(in crate::stations) fn clearly_off_deg(off_deg: f64) -> f64 {
    CLEAR_LABELS_RATIO * off_deg.max(OFF_BY_PLAY_DEG)
}

/// Root mean square distance of the deflections from a response that is smooth and steady, the larger of both.
pub(in crate::stations) fn off_steady_deg(seen: &[SeenRest], labels: &[Option<f64>]) -> f64 {
    off_smooth_deg(seen, labels).max(off_monotone_deg(seen, labels))
}

/// Root mean square distance of the deflections from one smooth curve a surface.
pub(in crate::stations) fn off_smooth_deg(seen: &[SeenRest], labels: &[Option<f64>]) -> f64 {
    root_mean_square(seen, labels, squares_off_smooth)
}

/// Root mean square distance of the deflections from one monotone response a surface.
pub(in crate::stations) fn off_monotone_deg(seen: &[SeenRest], labels: &[Option<f64>]) -> f64 {
    root_mean_square(seen, labels, squares_off_monotone)
}

/// Largest distance from a monotone response that play explains.
pub(in crate::stations) fn off_monotone_threshold_deg(seen: &[SeenRest]) -> f64 {
    let travel_deg = (0..surface_count(seen))
        .map(|surface| {
            let angles = seen.iter().filter_map(|rest| rest.deflection_deg[surface]);
            let [lowest, highest] = extremes(angles);
            highest - lowest
        })
        .fold(0.0, f64::max);
    OFF_MONOTONE_DEG.max(OFF_MONOTONE_SHARE * travel_deg)
}

fn surface_count(seen: &[SeenRest]) -> usize {
    seen.first().map_or(0, |rest| rest.deflection_deg.len())
}

/// Over all surfaces and rests; infinite if no rest has a station.
fn root_mean_square(
    seen: &[SeenRest],
    labels: &[Option<f64>],
    squares: fn(&mut [(f64, f64)]) -> f64,
) -> f64 {
    let mut sum = 0.0;
    let mut count = 0;
    for surface in 0..surface_count(seen) {
        let mut points: Vec<(f64, f64)> = seen
            .iter()
            .zip(labels)
            .filter_map(|(rest, stick)| Some(((*stick)?, rest.deflection_deg[surface]?)))
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        sum += squares(&mut points);
        count += points.len();
    }
    if count == 0 {
        return f64::INFINITY;
    }
    (sum / count as f64).sqrt()
}

/// Sum of squared distances from the polynomial in the stick that fits best, which has no more
/// terms than there are stations.
fn squares_off_smooth(points: &mut [(f64, f64)]) -> f64 {
    let stations = points.chunk_by(|a, b| a.0 == b.0).count();
    let terms = stations.min(RESPONSE_DEGREE + 1);
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return 0.0;
    };
    let basis = Legendre::over([first.0, last.0], terms);
    let mut sums = LinearSums::new(terms);
    for (stick_pct, angle_deg) in points.iter() {
        sums.add_all(&basis.values(*stick_pct), *angle_deg, 1.0);
    }
    let Some(coefficients) = sums.solve() else {
        return f64::INFINITY;
    };
    let residual_deg = |(stick_pct, angle_deg): &(f64, f64)| {
        let terms = basis.values(*stick_pct).into_iter().zip(&coefficients);
        angle_deg - terms.map(|(term, by)| term * by).sum::<f64>()
    };
    points.iter().map(|point| residual_deg(point).powi(2)).sum()
}

/// Sum of squared distances from the rising or falling response that fits best.
fn squares_off_monotone(points: &mut [(f64, f64)]) -> f64 {
    let rising = squares_off_rising(points);
    points.iter_mut().for_each(|point| point.1 = -point.1);
    rising.min(squares_off_rising(points))
}

/// Sum of squared distances from the monotone regression over the stations.
fn squares_off_rising(points: &[(f64, f64)]) -> f64 {
    let stations: Vec<&[(f64, f64)]> = points.chunk_by(|a, b| a.0 == b.0).collect();
    let weights: Vec<f64> = stations
        .iter()
        .map(|station| station.len() as f64)
        .collect();
    let means: Vec<f64> = stations.iter().map(|station| mean_deg(station)).collect();
    let spans = pools(&means, &weights).into_iter();
    spans
        .map(|span| {
            let pool = stations[span].concat();
            let mean_deg = mean_deg(&pool);
            pool.iter()
                .map(|(_, angle_deg)| (angle_deg - mean_deg).powi(2))
                .sum::<f64>()
        })
        .sum()
}

fn mean_deg(points: &[(f64, f64)]) -> f64 {
    points.iter().map(|point| point.1).sum::<f64>() / points.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pooling_agrees_with_the_published_case() {
        // 1 0 4 3 3 5 4 2 0 -> .5 .5 3 3 3 3 3 3 3: the usual worked example of isotonic regression.
        let values = [1.0, 0.0, 4.0, 3.0, 3.0, 5.0, 4.0, 2.0, 0.0];
        let fitted = [0.5, 0.5, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0];
        let points: Vec<(f64, f64)> = (0..9).map(|k| (k as f64, values[k])).collect();
        let expected: f64 = values
            .iter()
            .zip(fitted)
            .map(|(v, f)| (v - f).powi(2))
            .sum();
        approx::assert_relative_eq!(squares_off_rising(&points), expected, epsilon = 1e-12);
    }

    #[test]
    fn a_cubic_response_with_few_stations_is_smooth() {
        let cubic = |stick: f64| 27.0 * stick / 100.0 + 2.0 * (stick / 100.0).powi(3);
        for stations in [
            vec![0.0, 100.0, 0.0],
            vec![-100.0, -50.0, 0.0, 25.0, 50.0, 100.0],
        ] {
            let mut points: Vec<(f64, f64)> = stations.iter().map(|&s| (s, cubic(s))).collect();
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            assert!(squares_off_smooth(&mut points) < 1e-20);
        }
    }
}
