//! Clipping: the share of a tag's white beyond the camera's range.

use crate::clip::Levels;

/// Clipped white has one code value; coding spreads it by this much to either side.
const SPREAD_CODES: usize = 2;

/// White clips at the nominal white of the video range or above it; coding may lower it by this much.
const BELOW_WHITE_CODES: u8 = 2;

/// Share of a tag's white from which it counts as overexposed. Without clipping it is 0.00 to 0.01.
pub(in crate::tags) const CLIPPED_SHARE: f64 = 0.3;

/// How often each code value occurs in a tag.
pub(in crate::tags) struct Codes([u32; 256]);

impl Codes {
    pub fn new() -> Self {
        Self([0; 256])
    }

    pub fn count(&mut self, code: u8) {
        self.0[usize::from(code)] += 1;
    }

    /// The white that is clipped, if there is any.
    ///
    /// Bright pixels are those above the middle between the smallest and the largest code value.
    /// Paper that is not clipped reaches white nowhere, or noise and shading spread it.
    pub fn clipped(&self, levels: Levels) -> Option<Clipped> {
        let smallest = self.0.iter().position(|&count| count > 0)?;
        let largest = self.0.iter().rposition(|&count| count > 0)?;
        let bright = (smallest + largest).div_ceil(2)..=largest;
        let count = |codes: std::ops::RangeInclusive<usize>| -> u32 { self.0[codes].iter().sum() };
        let around =
            |code: usize| code.saturating_sub(SPREAD_CODES)..=(code + SPREAD_CODES).min(largest);
        let usual = bright.clone().max_by_key(|&code| count(around(code)))?;
        if usual < usize::from(levels.white.saturating_sub(BELOW_WHITE_CODES)) {
            return None;
        }
        Some(Clipped {
            share: f64::from(count(around(usual))) / f64::from(count(bright).max(1)),
            from_code: u8::try_from(usual - SPREAD_CODES).unwrap_or(u8::MAX),
        })
    }
}

/// White beyond the camera's range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::tags) struct Clipped {
    /// Share of the bright pixels.
    pub share: f64,
    /// Pixels from this code value on say nothing about their light.
    pub from_code: u8,
}

impl Clipped {
    /// Whether so much is clipped that it moves the edges.
    pub fn is_overexposed(&self) -> bool {
        self.share > CLIPPED_SHARE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEVELS: Levels = Levels {
        black: 16,
        white: 235,
    };

    /// The share for black ink and white paper with these code values.
    fn share(paper: impl Iterator<Item = u8>) -> f64 {
        let mut codes = Codes::new();
        for code in paper {
            codes.count(30);
            codes.count(code);
        }
        codes.clipped(LEVELS).map_or(0.0, |clipped| clipped.share)
    }

    #[test]
    fn paper_below_white_is_not_clipped_however_even_it_is() {
        assert_eq!(share([200; 100].into_iter()), 0.0);
    }

    #[test]
    fn paper_above_white_is_not_clipped_where_shading_spreads_it() {
        assert!(share(215..=254) < 0.3);
    }

    #[test]
    fn paper_at_white_is_clipped_as_far_as_it_is_there() {
        let paper = (0..100).map(|k| if k < 70 { 234 + k % 3 } else { 210 });
        assert!((share(paper) - 0.7).abs() < 1e-9);
        assert_eq!(share([255; 100].into_iter()), 1.0);
    }
}
