//! Picture: how good the pictures of a tag are, and the cause of poor ones.

use serde::{Deserialize, Serialize};

use super::clipping::CLIPPED_SHARE;
use super::pattern::CELLS;
use super::refine::PatternFit;

/// Blur from which a tag counts as out of focus, cells of the tag and px. Sharp clips of tags 36 to
/// 40 px wide have 0.09 to 0.15 cells and 0.5 to 0.7 px, sharp tags of 17 px 0.25 cells and 0.5 px;
/// the same clips blurred until a station was 0.1° off have 0.33 to 0.38 cells and 1.7 px.
const SOFT_CELLS: f64 = 0.28;
const SOFT_PX: f64 = 1.0;

/// Residual from which the coding counts as heavy, share of the contrast: the part that neighbouring
/// pixels share. Clips as recorded have 0.016 to 0.026; the same clips at a quarter of their bits or
/// less 0.039 to 0.070.
const CODED_SHARE: f64 = 0.033;

/// A constant error of a tag's corners, as a share of the error that its residuals predict for one
/// frame. Eighteen spoiled copies of two rendered clips have 0.2 to 2.3 in the outline of a tag,
/// against their true corners, and 0.8 RMS.
const LASTING_PART: f64 = 0.8;

/// The same for the place of a resting tag: 0.1 to 0.9, and 0.5 RMS.
const PLACE_PART: f64 = 0.5;

/// Correlated corner errors beyond this share of a tag's edge are grave: they bend angles of usual
/// travels by some tenths of a degree.
const GRAVE_SHARE_OF_EDGE: f64 = 0.002;

/// How good the picture of one tag is, in one frame or in the mean of many.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct TagPicture {
    /// Mean edge of the black square, px.
    pub edge_px: f64,
    /// Standard deviation of the blur, px.
    pub blur_px: f64,
    /// The same in cells of the tag.
    pub blur_cells: f64,
    /// Share of the white that the camera could not record.
    pub clipped_share: f64,
    /// Standard deviation of the residuals that neighbouring pixels share, as a share of the contrast.
    pub coded_share: f64,
    /// Standard deviation of a corner's coordinate that these residuals predict, px.
    pub corner_sd_px: f64,
}

/// A fault of the pictures of a tag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum PictureFault {
    /// White is clipped.
    Overexposed,
    /// Edges are soft.
    Soft,
    /// The coding has changed the picture.
    HeavilyCoded,
}

impl TagPicture {
    /// The picture behind a fit; `shared_noise` is the factor on the variance of the corners due to
    /// correlated residuals of pixels.
    pub(in crate::tags) fn of(fit: &PatternFit, shared_noise: f64) -> Self {
        let [blur_u, blur_v] = fit.look.blur_cells;
        let blur_cells = (blur_u * blur_v).abs().sqrt();
        // White noise is not correlated between pixels.
        let shared_part = (1.0 - 1.0 / shared_noise.max(1.0)).sqrt();
        let variance_px2 = f64::from(fit.covariance_px2.trace()) / 8.0;
        Self {
            edge_px: fit.edge_px,
            blur_px: blur_cells * fit.edge_px / CELLS as f64,
            blur_cells,
            clipped_share: fit.clipped_share,
            coded_share: fit.residual_share * shared_part,
            corner_sd_px: variance_px2.max(0.0).sqrt() * shared_part,
        }
    }

    /// The fault of the picture, if there is one. Clipping causes large residuals as well, so it is
    /// checked first.
    pub fn fault(&self) -> Option<PictureFault> {
        if self.clipped_share > CLIPPED_SHARE {
            Some(PictureFault::Overexposed)
        } else if self.blur_cells > SOFT_CELLS && self.blur_px > SOFT_PX {
            Some(PictureFault::Soft)
        } else if self.coded_share > CODED_SHARE {
            Some(PictureFault::HeavilyCoded)
        } else {
            None
        }
    }

    /// Standard deviation of an error of each corner's coordinate that is constant through the
    /// clip, px.
    pub fn lasting_error_px(&self) -> f64 {
        LASTING_PART * self.corner_sd_px
    }

    /// Standard deviation of an error of a resting tag's place, px.
    pub fn place_error_px(&self) -> f64 {
        PLACE_PART * self.corner_sd_px
    }

    /// Whether angles may be off by tenths of a degree.
    pub(in crate::tags) fn is_grave(&self) -> bool {
        self.lasting_error_px() > GRAVE_SHARE_OF_EDGE * self.edge_px
    }

    fn fields(&mut self) -> [&mut f64; 6] {
        [
            &mut self.edge_px,
            &mut self.blur_px,
            &mut self.blur_cells,
            &mut self.clipped_share,
            &mut self.coded_share,
            &mut self.corner_sd_px,
        ]
    }
}

/// Sums over the pictures of one tag.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(in crate::tags) struct PictureSums {
    count: usize,
    sum: TagPicture,
}

impl PictureSums {
    pub fn add(&mut self, mut picture: TagPicture) {
        self.count += 1;
        for (sum, value) in self.sum.fields().into_iter().zip(picture.fields()) {
            *sum += *value;
        }
    }

    /// The mean picture, if there is any.
    pub fn mean(&self) -> Option<TagPicture> {
        let mut mean = self.sum;
        for value in mean.fields() {
            *value /= self.count as f64;
        }
        (self.count > 0).then_some(mean)
    }
}
