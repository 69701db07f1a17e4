//! How the synthetic clip is taken: stick, camera path, noise.

use hingewise::clip::Lines;
use hingewise::model_file::Side;

use super::lens::Lens;

/// How the stick moves.
#[derive(Debug, Clone, PartialEq)]
pub enum StickPlan {
    /// Rests at each position in turn, and ramps between them.
    Holds {
        stations_pct: Vec<f64>,
        hold_s: f64,
        ramp_s: f64,
    },
    /// Goes from end to end and back, sinusoidally, starting at 0.
    Sweep { period_s: f64, duration_s: f64 },
    /// Goes straight from one point of time and stick to the next.
    Path { points: Vec<(f64, f64)> },
}

/// Wrong sightings mixed in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outliers {
    /// Share of the sightings of surface tags that are wrong.
    pub surface_share: f64,
    /// Share of the sightings of airframe tags that are wrong.
    pub airframe_share: f64,
}

/// Errors of the corners.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CornerNoise {
    /// Standard deviation of a corner's coordinate.
    pub sd_px: f64,
    /// Share of the variance that the four corners of a tag have in common.
    pub common_share: f64,
    /// Share of the variance that stays while a tag rests in the picture.
    pub lasting_share: f64,
    /// Factor on the covariance that is declared: 1 is honest.
    pub declared_variance_factor: f64,
    /// All printed borders seem moved outward by this.
    pub edge_shift_px: f64,
    /// Standard deviation of the error of a corner's coordinate that stays through the whole clip.
    pub constant_px: f64,
    /// Standard deviation of the error of a tag's place in each direction that stays while it rests.
    pub place_px: f64,
}

impl CornerNoise {
    pub fn white(sd_px: f64) -> Self {
        Self {
            sd_px,
            common_share: 0.3,
            lasting_share: 0.0,
            declared_variance_factor: 1.0,
            edge_shift_px: 0.0,
            constant_px: 0.0,
            place_px: 0.0,
        }
    }
}

/// Everything about the filming.
#[derive(Debug, Clone, PartialEq)]
pub struct Filming {
    pub seed: u64,
    pub lens: Lens,
    pub frame_rate: f64,
    /// From the picture's first line to its last; a frame's time is that of the middle line.
    pub readout_s: f64,
    /// How the lines lie.
    pub lines: Lines,
    pub stick: StickPlan,
    /// Additions to the stick on the right side, as a radio's curve makes them: (stick, addition).
    pub right_curve_pct: Vec<(f64, f64)>,
    /// Size of the hand's motion: 0 on a tripod, 1 for a calm hand.
    pub hand: f64,
    pub noise: CornerNoise,
    pub outliers: Outliers,
    /// Slow shake of the surfaces.
    pub shake_deg: f64,
}

/// Stations of the usual way: up and down through all positions, neutral first.
pub fn usual_stations() -> Vec<f64> {
    [
        0, 25, 50, 75, 100, 75, 50, 25, 0, -25, -50, -75, -100, -75, -50, -25, 0,
    ]
    .map(f64::from)
    .to_vec()
}

/// A tripod, seventeen holds, corners to 0.05 px.
pub fn tripod() -> Filming {
    Filming {
        seed: 1,
        lens: Lens::phone(),
        frame_rate: 30.0,
        readout_s: 0.0,
        lines: Lines::Rows,
        stick: StickPlan::Holds {
            stations_pct: usual_stations(),
            hold_s: 0.5,
            ramp_s: 0.25,
        },
        right_curve_pct: vec![],
        hand: 0.0,
        noise: CornerNoise::white(0.05),
        outliers: Outliers {
            surface_share: 0.0,
            airframe_share: 0.0,
        },
        shake_deg: 0.0,
    }
}

/// The same, hand-held.
pub fn handheld() -> Filming {
    Filming {
        hand: 1.0,
        ..tripod()
    }
}

impl StickPlan {
    pub fn duration_s(&self) -> f64 {
        match self {
            Self::Holds {
                stations_pct,
                hold_s,
                ramp_s,
            } => stations_pct.len() as f64 * (hold_s + ramp_s) - ramp_s,
            Self::Sweep { duration_s, .. } => *duration_s,
            Self::Path { points } => points[points.len() - 1].0,
        }
    }

    pub fn stick_pct(&self, time_s: f64) -> f64 {
        match self {
            Self::Sweep { period_s, .. } => {
                100.0 * (std::f64::consts::TAU * time_s / period_s).sin()
            }
            Self::Path { points } => {
                let after = points.partition_point(|(at_s, _)| *at_s < time_s);
                let after = after.clamp(1, points.len() - 1);
                let ((t0, s0), (t1, s1)) = (points[after - 1], points[after]);
                s0 + (s1 - s0) * ((time_s - t0) / (t1 - t0)).clamp(0.0, 1.0)
            }
            Self::Holds {
                stations_pct,
                hold_s,
                ramp_s,
            } => {
                let cycle = hold_s + ramp_s;
                let index = ((time_s / cycle) as usize).min(stations_pct.len() - 1);
                let here = stations_pct[index];
                let next = stations_pct.get(index + 1).copied().unwrap_or(here);
                let into_ramp = ((time_s - index as f64 * cycle - hold_s) / ramp_s).clamp(0.0, 1.0);
                here + (next - here) * into_ramp
            }
        }
    }
}

impl Filming {
    /// How long after the middle line a place in the picture is read.
    pub fn late_s(&self, [x, y]: [f64; 2]) -> f64 {
        let (at_px, lines) = match self.lines {
            Lines::Rows => (y, self.lens.height_px),
            Lines::Columns => (x, self.lens.width_px),
        };
        self.readout_s * ((at_px + 0.5) / lines as f64 - 0.5)
    }

    /// The command at a servo: the stick, and on the right side the curve's straight joins.
    pub fn command_pct(&self, side: Side, stick_pct: f64) -> f64 {
        if side != Side::Right || self.right_curve_pct.is_empty() {
            return stick_pct;
        }
        let points = &self.right_curve_pct;
        let after = points
            .iter()
            .position(|(at, _)| *at >= stick_pct)
            .unwrap_or(points.len() - 1)
            .max(1);
        let ((x0, y0), (x1, y1)) = (points[after - 1], points[after]);
        stick_pct + y0 + (y1 - y0) * (stick_pct - x0) / (x1 - x0)
    }
}
