//! Work by hand that would do much before any number is entered.

use super::constants::{SPLINE_DEG, WORTH_SHARE};
use serde::{Deserialize, Serialize};

use super::cause::{Cause, LinkageDifference, LinkagePart};
use super::differing::{LinkageFit, linkage, with_differences};
use super::explanation::Explanations;
use super::pair::Pair;
use super::places::Place;
use super::score::Score;
use crate::measured::Measured;

/// Work by hand that would do much before any number is entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandWork {
    /// The part to make like the reference's.
    pub difference: LinkageDifference,
    /// Largest |mismatch| that would then remain over the travel, degrees.
    pub would_leave_deg: f64,
    /// Its expanded uncertainty (k = 2), degrees; missing in files of earlier programs.
    #[serde(default)]
    pub would_leave_u_deg: Option<f64>,
    /// Root mean square that would then remain over the travel, degrees, likewise.
    #[serde(default)]
    pub would_leave_rms_deg: Option<f64>,
}

impl HandWork {
    /// The work, in plain words.
    pub fn text(&self, follower: &str) -> String {
        let size = self.difference.amount.value.abs();
        let back = if self.difference.amount.value > 0.0 {
            "back"
        } else {
            "forward"
        };
        match (self.difference.part, splines(&self.difference)) {
            (LinkagePart::ArmAngle, 0) => format!(
                "turn the arm of the {follower} {back} by {size:.1}°, less than a spline: try the \
                 arm's other ends or sub-trim, then adjust the rod's length for neutral"
            ),
            (LinkagePart::ArmAngle, 1) => format!(
                "turn the arm of the {follower} {back} by one spline (about {SPLINE_DEG:.0}°), then \
                 adjust the rod's length for neutral"
            ),
            (LinkagePart::ArmAngle, count) => format!(
                "turn the arm of the {follower} {back} by {count} splines (about {:.0}°), then \
                 adjust the rod's length for neutral",
                f64::from(count) * SPLINE_DEG
            ),
            (LinkagePart::HornAngle, _) => {
                format!(
                    "move the horn's hole of the {follower} {back} by {size:.1}° about the hinge"
                )
            }
            (LinkagePart::HornLength, _) => format!(
                "move the rod of the {follower} to another hole so that horn ÷ arm changes by \
                 {size:.0} %"
            ),
            (LinkagePart::ServoTurn, _) => {
                format!("use the same kind of servo with the same travel for the {follower}")
            }
            (LinkagePart::Distance, _) => {
                format!(
                    "move the servo of the {follower} to the same distance from the hinge as the other"
                )
            }
        }
    }

    /// At most so much would then remain before any number, degrees.
    pub fn at_most_deg(&self) -> f64 {
        self.would_leave_deg + self.would_leave_u_deg.unwrap_or_default()
    }
}

/// Whole splines that come nearest to a difference of the arm's angle; 0 for all else.
fn splines(difference: &LinkageDifference) -> u32 {
    match difference.part {
        LinkagePart::ArmAngle => (difference.amount.value.abs() / SPLINE_DEG).round() as u32,
        _ => 0,
    }
}

/// Why the sides of a pair differ, and which work by hand comes first.
pub(super) fn explain(pair: &Pair, places: &[Place]) -> (Cause, Option<HandWork>) {
    let explanations = Explanations::of(pair);
    let found_deg = Score::of(pair, places, &pair.follower_active).worst_deg;
    let fitting = explanations.fitting.iter();
    let works =
        fitting.flat_map(|fit| (0..fit.parts.len()).filter_map(|part| Work::curing(fit, part)));
    let work = works
        .filter_map(|work| work.leaves_at_most(pair, places, &explanations.possible))
        .filter(|work| work.at_most_deg() < WORTH_SHARE * found_deg)
        .min_by(|a, b| {
            let effort = |work: &HandWork| work.difference.part.effort();
            effort(a)
                .cmp(&effort(b))
                .then(a.at_most_deg().total_cmp(&b.at_most_deg()))
        });
    (explanations.cause, work)
}

/// A piece of work on the follower's linkage.
struct Work {
    difference: LinkageDifference,
    part: usize,
    change: f64,
    /// Standard deviation of the change.
    change_sd: f64,
}

impl Work {
    /// Cures one difference of an explanation: an arm goes by whole splines where it is off by more
    /// than half of one, everything else by the difference itself. `None` where no hand cures it.
    fn curing(fit: &LinkageFit, cured: usize) -> Option<Self> {
        let difference = fit.differences().into_iter().nth(cured)?;
        if difference.part == LinkagePart::Distance {
            return None;
        }
        let amount = fit.amounts[cured];
        let (change, change_sd) = match splines(&difference) {
            0 => (-amount, fit.sds[cured]),
            count => {
                let turn_rad = f64::from(count) * SPLINE_DEG.to_radians();
                (-amount.signum() * turn_rad, 0.0)
            }
        };
        Some(Self {
            difference,
            part: fit.parts[cured],
            change,
            change_sd,
        })
    }

    /// What the work does to a part in an explanation: the same kind of servo makes that part alike,
    /// whatever it was; all else changes by what is moved.
    fn change_in(&self, explanation: &LinkageFit) -> f64 {
        if self.difference.part != LinkagePart::ServoTurn {
            return self.change;
        }
        let own = explanation.parts.iter().position(|part| *part == self.part);
        own.map_or(0.0, |own| -explanation.amounts[own])
    }

    /// Largest mismatch that would remain under any of the explanations.
    fn leaves_at_most(
        &self,
        pair: &Pair,
        places: &[Place],
        explanations: &[LinkageFit],
    ) -> Option<HandWork> {
        let left = explanations
            .iter()
            .map(|explanation| self.leaves(pair, places, explanation))
            .collect::<Option<Vec<_>>>()?;
        left.into_iter()
            .max_by(|a, b| a.at_most_deg().total_cmp(&b.at_most_deg()))
    }

    /// Mismatch that would remain if this explanation were true.
    fn leaves(&self, pair: &Pair, places: &[Place], explanation: &LinkageFit) -> Option<HandWork> {
        let LinkageFit {
            shared,
            parts,
            amounts,
            ..
        } = explanation;
        let with = with_differences(*shared, parts, amounts);
        let apart = |change: f64| {
            let mut without = with;
            without[self.part] += change;
            let (with, without) = (linkage(with), linkage(without));
            let sign = pair.reference_sign();
            pair.mismatches_with_shift_deg(places, |command_pct| {
                let at_pct = sign * command_pct;
                Some(sign * (without.deflection_deg(at_pct)? - with.deflection_deg(at_pct)?))
            })
        };
        let change = self.change_in(explanation);
        let left = apart(change)?;
        let at = (0..left.len()).max_by(|&a, &b| left[a].abs().total_cmp(&left[b].abs()))?;
        let worst = |left: &[f64]| {
            left.iter()
                .fold(0.0, |worst: f64, off| worst.max(off.abs()))
        };
        let moved = worst(&apart(change + self.change_sd)?) - worst(&left);
        let there = pair.mismatch_deg(&pair.follower_active, places[at].stick_pct);
        let squares: f64 = left.iter().map(|off| off * off).sum();
        Some(HandWork {
            difference: self.difference.clone(),
            would_leave_deg: worst(&left),
            would_leave_u_deg: Some(Measured::new(0.0, there.sd.hypot(moved)).u()),
            would_leave_rms_deg: Some((squares / left.len() as f64).sqrt()),
        })
    }
}
