//! The deflections of all surfaces over time, as the search for rests sees them.

use crate::conventions::deg_from_rad;
use crate::motion::Motion;
use crate::stations::constants::{ALIKE_S, SHAKE_FLOOR_DEG, SPIKE_NEIGHBOURS, SPIKE_SIGMAS};
use crate::statistics::{SD_FROM_MAD, median};

/// One surface's deflections over time.
#[derive(Debug, Clone)]
pub(super) struct SurfaceTrace {
    /// By frame; `None` where it was not measured or is a spike.
    pub angle_deg: Vec<Option<f64>>,
    /// Standard deviation at rest, by frame.
    pub sd_deg: Vec<f64>,
}

/// All deflections over time.
#[derive(Debug, Clone)]
pub(super) struct Trace {
    /// Presentation times of the frames, rising.
    pub time_s: Vec<f64>,
    /// In the order of `Motion::surfaces`.
    pub surfaces: Vec<SurfaceTrace>,
}

impl Trace {
    /// Takes the deflections from the motion, drops spikes and judges each surface's noise.
    pub fn from_motion(motion: &Motion) -> Self {
        let time_s: Vec<f64> = motion.frames.iter().map(|frame| frame.time_s).collect();
        let surfaces = (0..motion.surfaces.len())
            .map(|surface| SurfaceTrace::from_motion(motion, &time_s, surface))
            .collect();
        Self { time_s, surfaces }
    }

    /// Takes a span out, in which something else than the stick moves the surfaces, and gives its frames.
    pub fn take_out(&mut self, [from_s, to_s]: [f64; 2]) -> Vec<usize> {
        let is_inside = |frame: &usize| (from_s..=to_s).contains(&self.time_s[*frame]);
        let frames: Vec<usize> = (0..self.time_s.len()).filter(is_inside).collect();
        for surface in &mut self.surfaces {
            for &frame in &frames {
                surface.angle_deg[frame] = None;
            }
        }
        frames
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Whether any surface was measured in the frame.
    pub fn is_measured(&self, frame: usize) -> bool {
        self.surfaces
            .iter()
            .any(|surface| surface.angle_deg[frame].is_some())
    }

    /// Median deflection of each surface over a span of frames.
    pub fn levels_deg(&self, first: usize, last: usize) -> Vec<Option<f64>> {
        self.surfaces
            .iter()
            .map(|surface| median(surface.angle_deg[first..=last].iter().flatten().copied()))
            .collect()
    }

    /// The largest distance of any surface from its level in a frame, where measured.
    pub fn distance_deg(&self, frame: usize, levels_deg: &[Option<f64>]) -> Option<f64> {
        self.surfaces
            .iter()
            .zip(levels_deg)
            .filter_map(|(surface, level)| Some((surface.angle_deg[frame]? - (*level)?).abs()))
            .max_by(f64::total_cmp)
    }
}

impl SurfaceTrace {
    fn from_motion(motion: &Motion, time_s: &[f64], surface: usize) -> Self {
        let mut angle_deg: Vec<Option<f64>> = motion
            .frames
            .iter()
            .map(|frame| {
                let angle_rad = frame.deflections[surface].as_ref()?.angle_rad;
                angle_rad.is_finite().then(|| deg_from_rad(angle_rad))
            })
            .collect();
        let noise_deg = neighbour_noise(time_s, &angle_deg).max(SHAKE_FLOOR_DEG);
        drop_spikes(&mut angle_deg, SPIKE_SIGMAS * noise_deg);
        let sd_deg = motion
            .frames
            .iter()
            .map(|frame| {
                let own_deg = deg_from_rad(frame.own_covariance_rad2[(surface, surface)].sqrt());
                // A frame that the fit itself trusts less is trusted less here too.
                noise_deg.max(if own_deg.is_finite() { own_deg } else { 0.0 })
            })
            .collect();
        Self { angle_deg, sd_deg }
    }
}

/// Standard deviation of one frame, from the distance of frames to the line through their
/// neighbours.
///
/// Steady motion cancels, so rests and slow moves both give the noise; the median ignores the few
/// frames in which a move starts or ends. Frame rates may vary.
fn neighbour_noise(time_s: &[f64], angle_deg: &[Option<f64>]) -> f64 {
    let mut measured: Vec<(f64, f64)> = Vec::new();
    for (&time, &angle) in time_s.iter().zip(angle_deg) {
        let is_apart = measured.last().is_none_or(|last| time - last.0 >= ALIKE_S);
        measured.extend(angle.filter(|_| is_apart).map(|angle| (time, angle)));
    }
    let scaled = measured.windows(3).filter_map(|triple| {
        let [(t0, x0), (t1, x1), (t2, x2)] = triple else {
            return None;
        };
        let share = (t1 - t0) / (t2 - t0);
        let off_line = x1 - (x0 + share * (x2 - x0));
        let gain = (1.0 + share * share + (1.0 - share) * (1.0 - share)).sqrt();
        Some((off_line / gain).abs())
    });
    median(scaled).map_or(0.0, |middle| middle * SD_FROM_MAD)
}

/// Removes single frames that deviate from their neighbours; a steady move never does.
fn drop_spikes(angle_deg: &mut [Option<f64>], limit_deg: f64) {
    let measured: Vec<(usize, f64)> = angle_deg
        .iter()
        .enumerate()
        .filter_map(|(frame, angle)| Some((frame, (*angle)?)))
        .collect();
    let window = 2 * SPIKE_NEIGHBOURS + 1;
    if measured.len() < window {
        return;
    }
    for centre in 0..measured.len() {
        let first = centre
            .saturating_sub(SPIKE_NEIGHBOURS)
            .min(measured.len() - window);
        let last = first + window - 1;
        let middle = median(measured[first..=last].iter().map(|&(_, angle)| angle));
        let (frame, angle) = measured[centre];
        if middle.is_some_and(|middle| (angle - middle).abs() > limit_deg) {
            angle_deg[frame] = None;
        }
    }
}

/// First and last time of some frames.
pub(super) fn span_s(trace: &Trace, frames: &[usize]) -> [f64; 2] {
    let time = |frame: Option<&usize>| frame.map_or(f64::NAN, |&frame| trace.time_s[frame]);
    [time(frames.first()), time(frames.last())]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_judged_alike_at_rest_and_in_a_steady_move() {
        let time_s: Vec<f64> = (0..400).map(|k| k as f64 / 30.0).collect();
        let noise = crate::stations::test_motion::Noise::new(7).normal(400);
        for speed in [0.0, 20.0] {
            let angles: Vec<Option<f64>> = (0..400)
                .map(|k| Some(speed * time_s[k] + 0.1 * noise[k]))
                .collect();
            let found = neighbour_noise(&time_s, &angles);
            // The median of 400 values has a relative standard error of about 6 %.
            assert!((found - 0.1).abs() < 0.02, "{found} at {speed} deg/s");
        }
    }

    #[test]
    fn a_spike_is_dropped_and_a_move_is_not() {
        let mut angles: Vec<Option<f64>> = [0.0, 0.0, 9.0, 0.0, 0.0, 0.1, 2.0, 5.0, 6.9, 7.0, 7.0]
            .map(Some)
            .to_vec();
        drop_spikes(&mut angles, 0.5);
        let kept: Vec<bool> = angles.iter().map(Option::is_some).collect();
        assert_eq!(kept.iter().filter(|kept| !**kept).count(), 1);
        assert!(!kept[2]);
    }
}
