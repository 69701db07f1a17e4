//! Play: on which side of it a surface is while its command moves.

/// Side of the play after a rising command.
pub(crate) const AFTER_RISING: f64 = -1.0;

/// Side of the play after a falling command.
pub(crate) const AFTER_FALLING: f64 = 1.0;

/// Standard deviation of half the play before anything is measured, deg: surfaces with more are repaired first.
/// Common practice, no source.
pub(crate) const HALF_PLAY_PRIOR_DEG: f64 = 0.3;

/// Way of the command over which a surface takes up its play after a turn, pct: a quarter of a degree at 25° of
/// throw. Common practice, no source.
const TAKE_UP_WAY_PCT: f64 = 1.0;

/// Way after a turn from which on any usable surface has taken up its play, pct: five usual ones. Common practice,
/// no source.
pub(crate) const SETTLED_WAY_PCT: f64 = 5.0 * TAKE_UP_WAY_PCT;

/// The side of the play at a rate of the command that takes up the play within a frame or two; 0 at rest.
pub(crate) fn side_at_rate(rate_pct_per_s: f64, slowest_pct_per_s: f64) -> f64 {
    if rate_pct_per_s > slowest_pct_per_s {
        AFTER_RISING
    } else if rate_pct_per_s < -slowest_pct_per_s {
        AFTER_FALLING
    } else {
        0.0
    }
}

/// On which side of its play a surface is as its command moves: in between until the play is taken up.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct PlaySide {
    rest_pct: Option<f64>,
}

impl PlaySide {
    /// The side once the command has come here.
    pub fn after(&mut self, command_pct: f64) -> f64 {
        let half = 0.5 * TAKE_UP_WAY_PCT;
        let rest = self.rest_pct.unwrap_or(command_pct);
        let rest = rest.clamp(command_pct - half, command_pct + half);
        self.rest_pct = Some(rest);
        (rest - command_pct) / half
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_side_changes_over_the_way_that_takes_up_the_play() {
        let mut side = PlaySide::default();
        let after = |side: &mut PlaySide, path: &[f64]| {
            path.iter().map(|&at| side.after(at)).last().unwrap_or(0.0)
        };
        assert_eq!(side.after(0.0), 0.0);
        assert_eq!(after(&mut side, &[10.0, 20.0]), AFTER_RISING);
        assert_eq!(after(&mut side, &[20.0 - 0.5 * TAKE_UP_WAY_PCT]), 0.0);
        assert_eq!(after(&mut side, &[20.0 - TAKE_UP_WAY_PCT]), AFTER_FALLING);
        assert_eq!(after(&mut side, &[-20.0]), AFTER_FALLING);
    }
}
