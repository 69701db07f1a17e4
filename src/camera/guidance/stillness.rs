//! Whether the board is held still.

use super::super::calibration::{BoardView, STEADY_PX_S, distance_px};

/// A board that rests this long is meant to be looked at.
pub(super) const STILL_S: f64 = 0.4;
/// Looks nearer together than this are not compared: the noise of the crossings would pass for speed.
const SHORTEST_S: f64 = 0.08;
/// Speed up to which a board counts as still, picture widths a second: hands do not hold it steadier. A
/// rolling shutter of 20 ms then shears it by less than a pixel of 1920.
const STILL_SHARE_S: f64 = 0.02;
/// After a longer gap nothing is known about what the board did meanwhile.
const LONGEST_GAP_S: f64 = 0.5;

/// How the board moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Motion {
    /// It moves, or was not seen long enough.
    Moving,
    /// It rests, though not long enough yet.
    Resting,
    /// It rests.
    Still,
}

/// Follows the board from look to look.
#[derive(Debug, Default)]
pub(super) struct Stillness {
    last: Option<(f64, BoardView)>,
    rests_since_s: Option<f64>,
}

impl Stillness {
    /// Takes the next look in. Where times do not rise, it begins again.
    pub fn look(&mut self, time_s: f64, view: &BoardView, width_px: usize) -> Motion {
        let still_px_s = STEADY_PX_S.max(STILL_SHARE_S * width_px as f64);
        let rests = match &self.last {
            Some((last_s, last)) if (0.0..=LONGEST_GAP_S).contains(&(time_s - last_s)) => {
                let passed_s = time_s - last_s;
                if passed_s < SHORTEST_S {
                    return self.motion(time_s);
                }
                distance_px(last, view).is_some_and(|moved_px| moved_px <= still_px_s * passed_s)
            }
            _ => false,
        };
        if !rests {
            self.rests_since_s = None;
        }
        self.rests_since_s.get_or_insert(time_s);
        self.last = Some((time_s, view.clone()));
        self.motion(time_s)
    }

    fn motion(&self, time_s: f64) -> Motion {
        match self.rests_since_s.map(|since_s| time_s - since_s) {
            // Sums of tenths of a second fall short of 0.4 by rounding.
            Some(rested_s) if rested_s >= STILL_S - 1e-6 => Motion::Still,
            Some(rested_s) if rested_s > 0.0 => Motion::Resting,
            _ => Motion::Moving,
        }
    }
}
