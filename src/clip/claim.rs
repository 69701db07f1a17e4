//! What a container claims to hold, and what of it could not be had.

use ffmpeg_the_third as libav;
use libav::format::{context, stream::Stream};

/// A clip that ends earlier than this many frame intervals before its claimed end ends early.
const END_TOLERANCE_INTERVALS: f64 = 2.0;

/// The same in seconds where only the container as a whole claims a length: sound may run on after
/// the last picture.
const CONTAINER_END_TOLERANCE_S: f64 = 0.5;

/// What the container says of its length.
pub(super) struct Claim {
    /// Frames of the video track, those that an edit list cuts away among them.
    pub frames: Option<u64>,
    /// Length of the video track after its edit list, seconds.
    pub track_s: Option<f64>,
    /// Length of the longest track, seconds.
    pub container_s: Option<f64>,
}

/// Frames that the file holds or claims but that cannot be had.
#[derive(Default)]
pub(super) struct Losses {
    /// Packets that came out of the container, whole or not.
    pub packets: u64,
    pub total: u64,
    /// Time of the last frame that was handed out when the first loss was noticed, seconds.
    pub first_after_s: Option<f64>,
    /// Packets lost since the last whole one.
    pub unread_at_end: u64,
    /// Frames lost in the decoder since the last good one.
    pub undecoded_at_end: u64,
}

impl Claim {
    pub(super) fn of(input: &context::Input, stream: &Stream) -> Self {
        let positive = |ticks: i64, base| (ticks > 0).then(|| seconds(ticks, base));
        Self {
            frames: u64::try_from(stream.frames()).ok().filter(|&n| n > 0),
            track_s: positive(stream.duration(), stream.time_base()),
            container_s: positive(input.duration(), libav::rescale::TIME_BASE),
        }
    }

    /// Whether more was claimed than the packets and the last frame's time that were found.
    ///
    /// Counts alone are not enough, as frames that an edit list cuts away are claimed as well.
    pub(super) fn goes_beyond(&self, packets: u64, end_s: f64, interval_s: f64) -> bool {
        let short_s = |claimed_s: f64| claimed_s - end_s - END_TOLERANCE_INTERVALS * interval_s;
        match (self.frames, self.track_s, self.container_s) {
            (Some(frames), Some(track_s), _) => frames > packets && short_s(track_s) > 0.0,
            (Some(frames), None, _) => frames > packets,
            (None, Some(claimed_s), _) | (None, None, Some(claimed_s)) => {
                short_s(claimed_s) > CONTAINER_END_TOLERANCE_S
            }
            (None, None, None) => false,
        }
    }
}

impl Losses {
    pub(super) fn count(&mut self, last_good_s: Option<f64>) {
        if self.total == 0 {
            self.first_after_s = last_good_s;
        }
        self.total += 1;
    }

    pub(super) fn in_a_row(&self) -> u64 {
        self.unread_at_end + self.undecoded_at_end
    }
}

/// Rounded once only.
pub(super) fn seconds(ticks: i64, base: libav::Rational) -> f64 {
    ticks as f64 * f64::from(base.numerator()) / f64::from(base.denominator())
}
