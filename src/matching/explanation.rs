//! Which differences between two linkages explain the stations.
//!
//! Every single difference and every two together are tried. One is reported only if no two are clearly
//! better, and alone only if no other is about as good: arm length, horn length and servo travel do
//! nearly the same, and so do the angles of arm and horn.

use super::cause::{Cause, LinkageDifference};
use super::constants::{CLEARLY_BETTER, OUT_OF_THE_QUESTION};
use super::differing::{BothSides, LinkageFit, PARTS};
use super::pair::Pair;

/// Why two sides differ, and every explanation that fits.
pub(super) struct Explanations {
    pub cause: Cause,
    /// The reported explanations, best first; empty if the sides are alike or nothing explains
    /// them.
    pub fitting: Vec<LinkageFit>,
    /// All that is not out of the question.
    pub possible: Vec<LinkageFit>,
}

impl Explanations {
    /// Nothing explains the stations.
    pub fn none() -> Self {
        Self {
            cause: Cause::Unknown,
            fitting: Vec::new(),
            possible: Vec::new(),
        }
    }

    /// All explanations of a pair.
    pub fn of(pair: &Pair) -> Self {
        BothSides::new(pair)
            .and_then(|data| Self::from_stations(&data))
            .unwrap_or_else(Self::none)
    }

    fn from_stations(data: &BothSides) -> Option<Self> {
        let none = data.fit(&[], None)?;
        let singles = sorted((0..PARTS.len()).filter_map(|part| data.fit(&[part], Some(&none))));
        let single = singles.first()?;
        let twos = (0..PARTS.len()).flat_map(|a| (a + 1..PARTS.len()).map(move |b| [a, b]));
        // A way may end in a fit that only seems best; so two start from either of them alone, and once
        // more from the best two.
        let started = |parts: [usize; 2], from: &[LinkageFit]| {
            let starts = from
                .iter()
                .filter(|fit| parts.iter().any(|part| fit.parts.contains(part)));
            let fits = starts.filter_map(|start| data.fit(&parts, Some(start)));
            fits.min_by(|a, b| a.chi2.total_cmp(&b.chi2))
        };
        let first = sorted(twos.clone().filter_map(|parts| started(parts, &singles)));
        let best = first.get(..1).unwrap_or_default();
        let again = twos.filter_map(|parts| started(parts, best));
        let pairs = best_of_each(first.iter().cloned().chain(again));
        let best_chi2 = pairs
            .first()
            .map_or(single.chi2, |pair| pair.chi2.min(single.chi2));
        if data.is_understood(&none) && none.chi2 - single.chi2.min(best_chi2) < CLEARLY_BETTER {
            return Some(Self {
                cause: Cause::Alike,
                ..Self::none()
            });
        }
        let fits_well =
            |fit: &&LinkageFit| data.is_understood(fit) && fit.chi2 - best_chi2 < CLEARLY_BETTER;
        let fitting: Vec<&LinkageFit> = match singles.iter().filter(fits_well).count() {
            0 => pairs.iter().filter(fits_well).collect(),
            _ => singles.iter().filter(fits_well).collect(),
        };
        let cause = match fitting.as_slice() {
            [] => return Some(Self::none()),
            [only] => Cause::Differs(only.differences()),
            several if several[0].parts.len() == 1 => Cause::OneOf(by_ease(several)),
            _ => Cause::Unknown,
        };
        let fitting = fitting.into_iter().cloned().collect();
        let all = singles.iter().chain(&pairs);
        let possible = all.filter(|fit| fit.chi2 - best_chi2 < OUT_OF_THE_QUESTION);
        Some(Self {
            cause,
            fitting,
            possible: possible.cloned().collect(),
        })
    }
}

fn sorted(fits: impl Iterator<Item = LinkageFit>) -> Vec<LinkageFit> {
    let mut fits: Vec<LinkageFit> = fits.collect();
    fits.sort_by(|a, b| a.chi2.total_cmp(&b.chi2));
    fits
}

/// The best fit of each two parts, the best first.
fn best_of_each(fits: impl Iterator<Item = LinkageFit>) -> Vec<LinkageFit> {
    let mut best: Vec<LinkageFit> = Vec::new();
    for fit in sorted(fits) {
        if best.iter().all(|better| better.parts != fit.parts) {
            best.push(fit);
        }
    }
    best
}

/// Single differences, the one that is easiest to cure first.
fn by_ease(fits: &[&LinkageFit]) -> Vec<LinkageDifference> {
    let mut differences: Vec<_> = fits.iter().flat_map(|fit| fit.differences()).collect();
    differences.sort_by_key(|difference| difference.part.effort());
    differences
}
