//! Pattern fit: fits the printed pattern of one tag to its pixels, which gives the corners and their covariance.
//!
//! `patch` cuts the pixels out and `tone` makes them linear; `pattern`, `mosaic` and `image_model` predict them;
//! `normal_equations` sums over them in `lanes`; `refine` iterates, and `correlation` corrects the covariance for
//! noise that neighbouring pixels share; `look` starts the fit of the next frame. `sensor` and `sensor_estimate` learn tone and mosaic from the tags.
//! `quality` accepts or rejects a fit; `picture` and `clipping` describe how good the pictures are.

mod clipping;
mod correlation;
mod image_model;
mod lanes;
pub(super) mod look;
mod mosaic;
mod normal_equations;
pub(super) mod patch;
pub(super) mod pattern;
pub(super) mod picture;
pub(super) mod quality;
pub(super) mod refine;
pub(super) mod sensor;
pub(super) mod sensor_estimate;
pub(super) mod tone;
