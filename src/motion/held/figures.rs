//! Deflections with the parts of their errors, of one frame or of the mean of several.

use nalgebra::{DMatrix, DVector};

use super::HeldFit;
use crate::measured::Measured;

/// Deflections of all surfaces of a fit against its arbitrary zero, with what makes their errors: of one frame, or
/// the mean of several.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// Rotation about the hinge, rad; `None` where it was not measured.
    pub(super) angles_rad: Vec<Option<f64>>,
    /// How each angle follows the constants, rad per unit of each; empty where it was not measured.
    pub(super) gains: Vec<DVector<f64>>,
    /// Covariance given the constants, rad².
    pub(super) own_rad2: DMatrix<f64>,
    /// Standard deviation of what an error of the tag's place adds, rad: constant through a rest.
    pub(super) places_rad: Vec<f64>,
}

impl Figures {
    /// Rotation of a surface about its hinge from the arbitrary zero of the fit, rad.
    pub fn angle_rad(&self, surface: usize) -> Option<f64> {
        self.angles_rad[surface]
    }

    /// Standard deviation of that rotation from one frame to the next, rad.
    pub fn own_sd_rad(&self, surface: usize) -> f64 {
        self.own_rad2[(surface, surface)].max(0.0).sqrt()
    }

    /// The mean over frames of one rest; `lasting` is the share of their own errors that does not average out.
    fn mean(frames: &[&Self], lasting: f64) -> Option<Self> {
        let surfaces = frames.first()?.angles_rad.len();
        let mut mean = Self {
            angles_rad: vec![None; surfaces],
            gains: vec![DVector::zeros(0); surfaces],
            own_rad2: DMatrix::zeros(surfaces, surfaces),
            places_rad: vec![0.0; surfaces],
        };
        for surface in 0..surfaces {
            let measured = frames
                .iter()
                .filter_map(|it| Some((it.angles_rad[surface]?, it)));
            let measured: Vec<_> = measured.collect();
            let share = 1.0 / measured.len() as f64;
            for (angle_rad, frame) in &measured {
                let sum = mean.angles_rad[surface].unwrap_or(0.0);
                mean.angles_rad[surface] = Some(sum + share * angle_rad);
                mean.places_rad[surface] += share * frame.places_rad[surface];
                match mean.gains[surface].is_empty() {
                    true => mean.gains[surface] = share * &frame.gains[surface],
                    false => mean.gains[surface] += share * &frame.gains[surface],
                }
            }
        }
        let count = frames.len() as f64;
        for frame in frames {
            mean.own_rad2 += &frame.own_rad2 / count;
        }
        mean.own_rad2 *= lasting + (1.0 - lasting) / count;
        Some(mean)
    }
}

impl HeldFit {
    /// The mean over frames of one rest; `None` without a frame.
    pub fn mean_of_rest(&self, frames: &[&Figures]) -> Option<Figures> {
        Figures::mean(frames, self.lasting_share)
    }

    /// The mean over several rests, whose own errors are independent; `None` without a rest.
    pub fn mean_of_rests(&self, rests: &[&Figures]) -> Option<Figures> {
        let mut mean = Figures::mean(rests, 0.0)?;
        let count = (rests.len() as f64).sqrt();
        mean.places_rad
            .iter_mut()
            .for_each(|sd_rad| *sd_rad /= count);
        Some(mean)
    }

    /// A weighted sum of the deflections of some surfaces, rad, from a zero or from the arbitrary one of the fit.
    /// `None` if one of them was not measured.
    ///
    /// The law of propagation (JCGM 100:2008, 5.2.2), as in [`super::super::Motion::weighted_sums`].
    pub fn deflection_rad(
        &self,
        now: &Figures,
        zero: Option<&Figures>,
        weights: &[(usize, f64)],
    ) -> Option<Measured> {
        let mut value = 0.0;
        let mut gain = DVector::zeros(self.covariance.nrows());
        let mut own = DVector::zeros(now.angles_rad.len());
        let mut variance = 0.0;
        for &(surface, weight) in weights {
            own[surface] += weight;
            for (figures, sign) in [(Some(now), 1.0), (zero, -1.0)] {
                let Some(figures) = figures else { continue };
                value += sign * weight * figures.angles_rad[surface]?;
                gain += sign * weight * &figures.gains[surface];
                variance += (weight * figures.places_rad[surface]).powi(2);
            }
        }
        variance += gain.dot(&(&self.covariance * &gain));
        for figures in [Some(now), zero].into_iter().flatten() {
            variance += own.dot(&(&figures.own_rad2 * &own));
        }
        Some(Measured::new(value, variance.max(0.0).sqrt()))
    }
}
