//! Work by hand that would do much before any number is entered.

use serde::{Deserialize, Serialize};

use super::cause::{Cause, LinkageDifference, LinkagePart};
use super::differing::{BothSides, Fit, linkage, with_differences};
use super::pair::{Pair, Place};
use super::score::Score;
use crate::measured::Measured;

/// Hand's work is advised if it leaves less than this share of the mismatch.
const WORTH_SHARE: f64 = 0.5;
/// Angle between two teeth of the usual servo splines of 24 or 25 teeth, deg.
const SPLINE_DEG: f64 = 15.0;

/// Work by hand that would do much before any number is entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandWork {
    /// What to make like the reference's.
    pub difference: LinkageDifference,
    /// Largest |mismatch| that would then remain over the travel, degrees.
    pub would_leave_deg: f64,
    /// Its expanded uncertainty (k = 2), degrees; files of earlier programs do not tell it.
    #[serde(default)]
    pub would_leave_u_deg: Option<f64>,
    /// Root mean square that would then remain over the travel, degrees, likewise.
    #[serde(default)]
    pub would_leave_rms_deg: Option<f64>,
}

impl HandWork {
    /// What to do, in plain words.
    pub fn text(&self, follower: &str) -> String {
        let size = self.difference.amount.value.abs();
        let back = if self.difference.amount.value > 0.0 {
            "back"
        } else {
            "forward"
        };
        match (self.difference.part, splines(&self.difference)) {
            (LinkagePart::ArmAngle, 0) => format!(
                "bring the arm of the {follower} {back} by {size:.1}°, less than a spline: try the \
                 arm's other ends or sub-trim, then set the rod's length for neutral"
            ),
            (LinkagePart::ArmAngle, 1) => format!(
                "set the arm of the {follower} {back} by one spline (about {SPLINE_DEG:.0}°), then \
                 the rod's length for neutral"
            ),
            (LinkagePart::ArmAngle, count) => format!(
                "set the arm of the {follower} {back} by {count} splines (about {:.0}°), then the \
                 rod's length for neutral",
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

/// Explains the mismatch of a pair, and tells whether hand's work should come first.
pub(super) fn explain(pair: &Pair, places: &[Place]) -> (Cause, Option<HandWork>) {
    let Some(data) = BothSides::new(pair) else {
        return (Cause::Unknown, None);
    };
    let cause_and_fit = data.best_explanation();
    let Some((cause, fit)) = cause_and_fit else {
        return (Cause::Unknown, None);
    };
    let work = match &cause {
        Cause::Differs(_) => hand_work(pair, places, &fit),
        _ => None,
    };
    (cause, work)
}

/// The difference whose cure by hand leaves least, where that halves the mismatch.
fn hand_work(pair: &Pair, places: &[Place], fit: &Fit) -> Option<HandWork> {
    let found = Score::of(pair, places, &pair.follower_active).worst_deg;
    let best = (0..fit.parts.len())
        .filter_map(|cured| cure(pair, places, (fit, cured)))
        .min_by(|a, b| a.would_leave_deg.total_cmp(&b.would_leave_deg))?;
    (best.would_leave_deg < WORTH_SHARE * found).then_some(best)
}

/// What curing one difference of a fit would leave: an arm goes by whole splines where it is off by
/// more than half of one, everything else by the difference itself.
fn cure(pair: &Pair, places: &[Place], (fit, cured): (&Fit, usize)) -> Option<HandWork> {
    let difference = fit.differences().into_iter().nth(cured)?;
    let with = linkage(with_differences(fit.shared, &fit.parts, &fit.amounts));
    let apart = |change: f64| {
        let mut amounts = fit.amounts.clone();
        amounts[cured] += change;
        let without = linkage(with_differences(fit.shared, &fit.parts, &amounts));
        let sign = pair.reference_sign();
        pair.mismatches_with_shift_deg(places, |command_pct| {
            let at_pct = sign * command_pct;
            Some(sign * (without.deflection_deg(at_pct)? - with.deflection_deg(at_pct)?))
        })
    };
    let amount = fit.amounts[cured];
    let (change, change_sd) = match splines(&difference) {
        0 => (-amount, fit.sds[cured]),
        count => {
            let turn_rad = f64::from(count) * SPLINE_DEG.to_radians();
            (-amount.signum() * turn_rad, 0.0)
        }
    };
    let left = apart(change)?;
    let at = (0..left.len()).max_by(|&a, &b| left[a].abs().total_cmp(&left[b].abs()))?;
    let worst = |left: &[f64]| {
        left.iter()
            .fold(0.0, |worst: f64, off| worst.max(off.abs()))
    };
    let moved = worst(&apart(change + change_sd)?) - worst(&left);
    let there = pair.mismatch_deg(&pair.follower_active, places[at].stick_pct);
    let squares: f64 = left.iter().map(|off| off * off).sum();
    Some(HandWork {
        difference,
        would_leave_deg: worst(&left),
        would_leave_u_deg: Some(Measured::new(0.0, there.sd.hypot(moved)).u()),
        would_leave_rms_deg: Some((squares / left.len() as f64).sqrt()),
    })
}
