//! Assigns stations to rests from the declared order of the holds.
//!
//! If the numbers differ, every way to leave out holds on either side is tried and scored by the
//! smoothness of its response: each surface's deflections must follow a curve over the stick.

use super::{Labels, consistency};
use crate::stations::constants::{FEWEST_OF_A_BEGINNING, MOST_MISCOUNTED};
use crate::stations::error::StationsError;
use crate::stations::seen_rest::SeenRest;
use crate::stations::warning::StationsWarning;

/// One way to pair rests with declared holds: rest, declared hold.
type Pairs = Vec<(usize, usize)>;

/// The station of each rest; `None` for a rest that nobody declared.
pub(in crate::stations) fn label_by_order(
    order_pct: &[f64],
    seen: &[SeenRest],
    warnings: &mut Vec<StationsWarning>,
) -> Result<Labels, StationsError> {
    // One station declared twice in a row is one rest to a camera.
    let mut distinct_pct = order_pct.to_vec();
    distinct_pct.dedup();
    let order_pct = if distinct_pct.len() == seen.len() {
        &distinct_pct
    } else {
        order_pct
    };
    let candidates = ranked_candidates(order_pct, seen);
    let Some((off_smooth_deg, labels)) = candidates.first() else {
        return label_beginning(order_pct, seen, warnings);
    };
    let misfit_deg = consistency::off_monotone_deg(seen, labels);
    let threshold_deg = consistency::off_monotone_threshold_deg(seen);
    let is_fitting = misfit_deg <= threshold_deg;
    if order_pct.len() == seen.len() {
        return if is_fitting {
            Ok(labels.clone())
        } else {
            Err(StationsError::OrderContradicts {
                misfit_deg,
                threshold_deg,
                seen: seen.to_vec(),
            })
        };
    }
    if !is_fitting {
        return Err(wrong_count(order_pct, seen, String::new()));
    }
    let difference = describe(order_pct, seen, labels);
    let clear_deg = consistency::clearly_off_deg(*off_smooth_deg);
    let is_clear = candidates.get(1).is_none_or(|next| next.0 > clear_deg);
    if !is_clear {
        let guess = format!("; perhaps {difference}");
        return Err(wrong_count(order_pct, seen, guess));
    }
    warnings.push(miscounted(order_pct, seen, difference));
    Ok(labels.clone())
}

/// The error for holds whose number differs from the declared one, with a guess at the reason.
fn wrong_count(order_pct: &[f64], seen: &[SeenRest], guess: String) -> StationsError {
    StationsError::WrongCount {
        declared: order_pct.len(),
        seen: seen.to_vec(),
        guess,
    }
}

/// The warning about such holds, if the difference is clear.
fn miscounted(order_pct: &[f64], seen: &[SeenRest], difference: String) -> StationsWarning {
    StationsWarning::HoldsMiscounted {
        declared: order_pct.len(),
        seen: seen.len(),
        difference,
    }
}

/// The stations of a clip that ends before the last declared holds.
fn label_beginning(
    order_pct: &[f64],
    seen: &[SeenRest],
    warnings: &mut Vec<StationsWarning>,
) -> Result<Labels, StationsError> {
    match beginning(order_pct, seen) {
        Beginning::Clear(labels) => {
            warnings.push(miscounted(order_pct, seen, beginning_only(seen)));
            Ok(labels)
        }
        Beginning::Perhaps => {
            let guess = format!("; perhaps {}", beginning_only(seen));
            Err(wrong_count(order_pct, seen, guess))
        }
        Beginning::Unlike => Err(wrong_count(order_pct, seen, String::new())),
    }
}

/// Whether the rests are the first of the declared holds.
enum Beginning {
    /// They are the first ones and no later ones.
    Clear(Labels),
    /// They may be the first ones.
    Perhaps,
    /// They are not.
    Unlike,
}

/// A clip that was cut shows the first of the declared holds, in a steady and smooth response, and no
/// other run of them explains it as well.
fn beginning(order_pct: &[f64], seen: &[SeenRest]) -> Beginning {
    if seen.len() >= order_pct.len() || seen.len() < FEWEST_OF_A_BEGINNING {
        return Beginning::Unlike;
    }
    let runs = order_pct.windows(seen.len()).map(|run| -> Labels {
        let labels = run.iter().map(|&stick_pct| Some(stick_pct));
        labels.collect()
    });
    let off_deg = |labels: &Labels| consistency::off_steady_deg(seen, labels);
    let mut runs = runs.map(|labels| (off_deg(&labels), labels));
    let Some((first_deg, first)) = runs.next() else {
        return Beginning::Unlike;
    };
    if first_deg > consistency::off_monotone_threshold_deg(seen) {
        return Beginning::Unlike;
    }
    let clear_deg = consistency::clearly_off_deg(first_deg);
    if runs.all(|(off_deg, labels)| off_deg > clear_deg || labels == first) {
        Beginning::Clear(first)
    } else {
        Beginning::Perhaps
    }
}

fn beginning_only(seen: &[SeenRest]) -> String {
    format!(
        "the clip shows the first {} of them and ends before the others",
        seen.len()
    )
}

/// All different assignments, best first.
fn ranked_candidates(order_pct: &[f64], seen: &[SeenRest]) -> Vec<(f64, Labels)> {
    let (declared, rests) = (order_pct.len(), seen.len());
    if declared.abs_diff(rests) > MOST_MISCOUNTED || declared.min(rests) < 2 {
        return Vec::new();
    }
    let kept_declared = choices(declared, declared.saturating_sub(rests));
    let kept_rests = choices(rests, rests.saturating_sub(declared));
    let mut candidates: Vec<(f64, Labels)> = Vec::new();
    for rest_choice in &kept_rests {
        for declared_choice in &kept_declared {
            let pairs: Pairs = rest_choice
                .iter()
                .copied()
                .zip(declared_choice.iter().copied())
                .collect();
            let mut labels = vec![None; rests];
            for &(rest, hold) in &pairs {
                labels[rest] = Some(order_pct[hold]);
            }
            if candidates.iter().all(|(_, other)| *other != labels) {
                candidates.push((consistency::off_smooth_deg(seen, &labels), labels));
            }
        }
    }
    candidates.sort_by(|a, b| a.0.total_cmp(&b.0));
    candidates
}

/// Every way to keep all but `left_out` of `count` things, in order.
fn choices(count: usize, left_out: usize) -> Vec<Vec<usize>> {
    if left_out == 0 {
        return vec![(0..count).collect()];
    }
    if left_out == count {
        return vec![Vec::new()];
    }
    let last = count - 1;
    let mut all = choices(last, left_out - 1);
    all.extend(choices(last, left_out).into_iter().map(|mut kept| {
        kept.push(last);
        kept
    }));
    all
}

/// Lists missing declared holds, or undeclared rests.
fn describe(order_pct: &[f64], seen: &[SeenRest], labels: &[Option<f64>]) -> String {
    let undeclared = seen.iter().zip(labels).filter(|(_, stick)| stick.is_none());
    let mut parts: Vec<String> = undeclared
        .map(|(rest, _)| format!("the one at {:.1} s is not declared", rest.time_s[0]))
        .collect();
    let mut rests = seen
        .iter()
        .zip(labels)
        .filter_map(|(rest, stick)| Some((rest, (*stick)?)))
        .peekable();
    let mut last_end_s = None;
    for &stick_pct in order_pct {
        match rests.next_if(|(_, label_pct)| *label_pct == stick_pct) {
            Some((rest, _)) => last_end_s = Some(rest.time_s[1]),
            None => parts.push(match last_end_s {
                Some(end_s) => {
                    format!("the one after {end_s:.1} s is missing (stick {stick_pct:+.0} %)")
                }
                None => format!("the first is missing (stick {stick_pct:+.0} %)"),
            }),
        }
    }
    parts.join(", ")
}
