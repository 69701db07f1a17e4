//! Holds: kept by themselves or by hand, taken back, and left to be measured.

use super::error::LiveError;
use super::holds::{Hold, Level, MOST_HOLDS};
use super::input::LiveRecord;
use super::learner::rest_figures;
use super::rest::Span;
use super::session::LiveSession;
use super::store::in_time;
use crate::conventions::rad_from_deg;
use crate::motion::Figures;
use crate::stations::{GivenHold, HoldOptions, SETTLE_SHARE};
use crate::tags::{SightedFrame, Sightings};

/// Time after an arrival that is left out of a hold, s, but no more than [`SETTLE_SHARE`] of the rest: servo lag and
/// ringing. Common practice, no source.
const SETTLE_S: f64 = 0.15;
/// A surface has left a hold when it is this far from it, degrees: less than any step from station to station, and
/// more than play. Common practice, no source.
const LEFT_DEG: f64 = 0.4;
/// … or so many standard deviations of a single frame.
const LEFT_SDS: f64 = 6.0;
/// By hand a hold and neutral are taken from a rest of at least this length, s.
const BY_HAND_S: f64 = 0.3;

/// What is to become a hold.
struct Kept {
    stick_pct: f64,
    by_hand: bool,
    /// First and last time of its settled frames, s.
    span_s: [f64; 2],
}

impl LiveSession {
    /// The station that the next hold belongs to, percent; `None` returns to cards or the declared order.
    ///
    /// # Errors
    /// [`LiveError::NoStation`] outside −100 to 100.
    pub fn next_station(&mut self, stick_pct: Option<f64>) -> Result<(), LiveError> {
        self.stations.ask(stick_pct)?;
        self.refresh();
        Ok(())
    }

    /// Whether holds are kept by themselves when the surfaces rest; they are at the beginning.
    pub fn keep_by_itself(&mut self, automatic: bool) {
        self.automatic = automatic;
        self.refresh();
    }

    /// Keeps what the surfaces show now as a hold of the next station.
    ///
    /// # Errors
    /// [`LiveError::NoHoldNow`] while a surface moves, without figures, or without a station.
    pub fn hold_now(&mut self) -> Result<(), LiveError> {
        let none = |why: &str| LiveError::NoHoldNow {
            why: why.to_owned(),
        };
        if self.rest_kept && self.holding {
            return Err(none("this rest is kept already"));
        }
        if self.holds.len() >= MOST_HOLDS {
            return Err(none("the session has as many holds as it can keep"));
        }
        let span_s = self.rest_by_hand().map_err(|why| none(&why))?;
        let stick_pct = self.station_of(span_s);
        let stick_pct = stick_pct.ok_or_else(|| none("the station is not known"))?;
        self.holding = self.keep(Kept {
            stick_pct,
            by_hand: true,
            span_s,
        });
        self.refresh();
        match self.holding {
            true => Ok(()),
            false => Err(none(&unmeasured())),
        }
    }

    /// Takes the newest hold back; its station is the next one again.
    ///
    /// # Errors
    /// [`LiveError::NothingToUndo`].
    pub fn undo(&mut self) -> Result<(), LiveError> {
        let hold = self.holds.pop().ok_or(LiveError::NothingToUndo)?;
        self.stations = hold.stations_before;
        self.holding = false;
        self.refresh();
        Ok(())
    }

    /// Leaves out the station that was asked for, else the next one of the declared order.
    pub fn skip(&mut self) {
        self.stations.skip();
        self.refresh();
    }

    /// What the surfaces show now is neutral from here on.
    ///
    /// # Errors
    /// [`LiveError::NoNeutralNow`] while a surface moves or without figures.
    pub fn set_neutral(&mut self) -> Result<(), LiveError> {
        let span_s = self.rest_by_hand();
        let span_s = span_s.map_err(|why| LiveError::NoNeutralNow { why })?;
        let level = self.level_in(span_s);
        let level = level.ok_or_else(|| LiveError::NoNeutralNow { why: unmeasured() })?;
        self.neutral = Some(level);
        self.refresh();
        Ok(())
    }

    /// Counts from the holds at neutral stick again.
    pub fn clear_neutral(&mut self) {
        self.neutral = None;
        self.refresh();
    }

    /// Forgets the largest deflections.
    pub fn clear_peaks(&mut self) {
        self.peaks = Default::default();
        self.refresh();
    }

    /// What the session leaves to be measured, the present rest included. The session can go on afterwards.
    ///
    /// # Errors
    /// [`LiveError::NothingHeld`].
    pub fn finish(&mut self) -> Result<LiveRecord, LiveError> {
        if let Some(rest_s) = self.rest_s.filter(|_| !self.holding) {
            self.keep_brief(rest_s);
            self.refresh();
        }
        let input = self.input.as_ref().ok_or(LiveError::NothingHeld)?;
        if self.holds.is_empty() {
            return Err(LiveError::NothingHeld);
        }
        let of_holds = self.holds.iter().flat_map(|hold| &hold.frames);
        let of_neutral = self.neutral.iter().flat_map(|it| &it.frames);
        let frames = in_time(self.store.frames().chain(of_holds).chain(of_neutral));
        let frames = frames.into_iter().cloned().collect();
        let mut model = self.declared.clone();
        if let Some(neutral_s) = self.neutral.as_ref().and_then(Level::time_s) {
            model.stations.neutral_time_s = Some(neutral_s);
            for function in &mut model.functions {
                function.stations.neutral_time_s = Some(neutral_s);
            }
        }
        let holds = self.holds.iter().map(|hold| GivenHold {
            stick_pct: hold.stick_pct,
            time_s: hold.time_s(),
        });
        Ok(LiveRecord {
            holds: holds.collect(),
            sightings: Sightings {
                clip: input.clip.clone(),
                frames,
                overview: input.search.overview(),
            },
            model,
            profile: input.profile.clone(),
            functions: self.options.function.iter().cloned().collect(),
            date: self.options.date.clone(),
        })
    }

    /// Follows the rest that ends with the newest frame, and keeps it when it is time.
    pub(super) fn follow_rest(&mut self, rest: Option<Span>, sighted: &SightedFrame) {
        if self.has_left() {
            self.left_from = None;
            self.end_hold();
        }
        let now_s = rest.map(|rest| [sighted.time_s - rest.duration_s, sighted.time_s]);
        if let Some([from_s, to_s]) = self.rest_s {
            let goes_on = now_s.is_some_and(|now_s| now_s[0] <= 0.5 * (from_s + to_s));
            if !goes_on {
                self.keep_brief([from_s, to_s]);
                self.rest_kept = false;
                self.end_hold();
            }
        }
        self.rest_s = now_s;
        let Some([from_s, to_s]) = now_s else { return };
        self.at_rest = to_s - from_s >= self.options.rest_s;
        if self.holding {
            if let Some(hold) = self.holds.last_mut() {
                hold.go_on(sighted.clone());
            }
        } else if self.at_rest && self.may_keep() {
            let span_s = settled([from_s, to_s], 0.0);
            match self.station_of(span_s) {
                Some(stick_pct) => {
                    self.holding = self.keep(Kept {
                        stick_pct,
                        by_hand: false,
                        span_s,
                    });
                }
                None => self.waits_for_station = true,
            }
        }
    }

    /// Keeps a rest that has ended before it was long enough to be kept at once.
    fn keep_brief(&mut self, rest_s: [f64; 2]) {
        let brief = rest_s[1] - rest_s[0] >= self.options.brief_rest_s;
        if !brief || !self.may_keep() {
            return;
        }
        let span_s = settled(rest_s, guard_s());
        if let Some(stick_pct) = self.station_of(span_s) {
            self.keep(Kept {
                stick_pct,
                by_hand: false,
                span_s,
            });
        }
    }

    /// Whether the present rest may be kept by itself.
    fn may_keep(&self) -> bool {
        self.automatic
            && !self.rest_kept
            && self.left_from.is_none()
            && self.holds.len() < MOST_HOLDS
    }

    /// Keeps a hold, and returns whether there was something to keep: a rest without figures has none.
    fn keep(&mut self, kept: Kept) -> bool {
        let Some(level) = self.level_in(kept.span_s) else {
            return false;
        };
        let kind = (kept.stick_pct, kept.by_hand);
        self.holds
            .push(Hold::new(kind, level.clone(), self.stations.clone()));
        self.left_from = Some(level);
        self.stations.held(kept.stick_pct);
        self.rest_kept = true;
        true
    }

    /// The newest hold is over: the frames just before the departure are left out.
    fn end_hold(&mut self) {
        if !std::mem::take(&mut self.holding) {
            return;
        }
        let Some(hold) = self.holds.last_mut() else {
            return;
        };
        let last_s = hold.time_s()[1];
        hold.end_at(last_s - guard_s());
        if let Some(measuring) = &self.measuring {
            hold.figures = rest_figures(&measuring.held, &hold.frames);
        }
    }

    /// Whether the surfaces have left the newest hold, in the two newest frames.
    fn has_left(&self) -> bool {
        let from = self.left_from.as_ref().and_then(|it| it.figures.as_ref());
        let (Some(measuring), Some(from)) = (&self.measuring, from) else {
            return false;
        };
        let is_away = |figures: &Figures| {
            measuring.learned().into_iter().any(|surface| {
                let both = figures.angle_rad(surface).zip(from.angle_rad(surface));
                let limit = rad_from_deg(LEFT_DEG).max(LEFT_SDS * figures.own_sd_rad(surface));
                both.is_some_and(|(now, then)| (now - then).abs() > limit)
            })
        };
        let newest = measuring.series.iter().rev().take(2);
        newest.filter(|moment| is_away(&moment.figures)).count() == 2
    }

    /// The settled span of the present rest, for a hold by hand or neutral.
    fn rest_by_hand(&self) -> Result<[f64; 2], String> {
        if self
            .measuring
            .as_ref()
            .is_none_or(|it| it.figures.is_none())
        {
            return Err(unmeasured());
        }
        let rest_s = self
            .rest_s
            .filter(|[from_s, to_s]| to_s - from_s >= BY_HAND_S);
        rest_s
            .map(|rest_s| settled(rest_s, 0.0))
            .ok_or_else(|| "a surface moves".to_owned())
    }

    fn station_of(&self, span_s: [f64; 2]) -> Option<f64> {
        self.stations.of_rest(self.recent_in(span_s))
    }

    fn recent_in(&self, [from_s, to_s]: [f64; 2]) -> impl Iterator<Item = &SightedFrame> {
        let is_inside = move |frame: &&SightedFrame| (from_s..=to_s).contains(&frame.time_s);
        self.recent.iter().filter(is_inside)
    }

    /// The frames in a span and their mean deflections; `None` where nothing was measured.
    fn level_in(&self, span_s: [f64; 2]) -> Option<Level> {
        let frames: Vec<_> = self.recent_in(span_s).cloned().collect();
        let figures = self.mean_in(span_s)?;
        (!frames.is_empty()).then_some(Level {
            frames,
            figures: Some(figures),
        })
    }

    /// The mean deflections of the frames in a span.
    fn mean_in(&self, [from_s, to_s]: [f64; 2]) -> Option<Figures> {
        let measuring = self.measuring.as_ref()?;
        let moments = measuring.series.iter();
        let inside = moments.filter(|it| (from_s..=to_s).contains(&it.time_s));
        let figures: Vec<&Figures> = inside.map(|it| &it.figures).collect();
        measuring.held.mean_of_rest(&figures)
    }
}

/// Why nothing can be kept without figures.
fn unmeasured() -> String {
    "nothing is measured now".to_owned()
}

/// Time before a departure that is left out, s, as in a clip.
fn guard_s() -> f64 {
    HoldOptions::default().guard_s
}

/// A rest without the time that it settles, and without some time at its end, s.
fn settled([from_s, to_s]: [f64; 2], guard_s: f64) -> [f64; 2] {
    let share_s = SETTLE_SHARE * (to_s - from_s);
    let settle_s = SETTLE_S.min(share_s);
    [from_s + settle_s, (to_s - guard_s).max(from_s + settle_s)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::CameraProfile;
    use crate::live::LiveOptions;
    use crate::model_file::StationSource;
    use crate::stations::test_motion::{model_with, sightings_of};

    #[test]
    fn a_rest_without_figures_is_not_held() {
        let model = model_with(StationSource::Order(vec![0.0]));
        let profile = CameraProfile::of_usual_phone(1920, 1080).unwrap();
        let mut session = LiveSession::begin(model, profile, LiveOptions::default()).unwrap();
        let frames = sightings_of(&[0.0, 1.0], &[None, None]).frames;
        session.recent.extend(frames.clone());
        let rest = Span {
            first: 0,
            duration_s: 1.0,
        };
        session.follow_rest(Some(rest), &frames[1]);
        assert!(session.holds.is_empty() && !session.holding);
    }
}
