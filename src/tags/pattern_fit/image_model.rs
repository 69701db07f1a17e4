//! ImageModel: the expected pixels of a tag, for one set of the pattern fit's unknowns.

use fearless_simd::prelude::*;
use nalgebra::{Matrix3, Point2, SMatrix, SVector, Vector2, Vector3};

use super::lanes::Lanes;
use super::mosaic::{self, Mosaic, PARITIES};
use super::patch::{Patch, PixelGroup};
use super::pattern::{Blur, HALF, Pattern};
use crate::geometry::homography;

/// Unknowns: 8 of the homography, 2 of the blur (cells) and the covariance of these (cells²), light of
/// white and of black, each with its slopes along the patch.
pub(in crate::tags) const UNKNOWNS: usize = 17;
pub(in crate::tags) const BLUR: usize = 8;
pub(in crate::tags) const COVARIANCE: usize = 10;
pub(in crate::tags) const WHITE: usize = 11;
pub(in crate::tags) const BLACK: usize = 14;

pub(in crate::tags) type Unknowns = SVector<f64, UNKNOWNS>;

/// Largest share of the blur's variance that the mosaic may remove.
const LEAST_VARIANCE_SHARE: f64 = 0.3;

/// The expected look of a tag.
pub(in crate::tags) struct ImageModel<'a> {
    pattern: &'a Pattern,
    state: SVector<f32, UNKNOWNS>,
    patch_from_tag: Matrix3<f32>,
    tag_from_patch: Matrix3<f32>,
    /// For each kind of pixel, see [`PARITIES`].
    blurs: [PixelBlur; PARITIES],
}

/// Blur as pixels of one kind see it.
#[derive(Clone, Copy)]
struct PixelBlur {
    blur: Blur,
    /// Change of each with the blur that is an unknown.
    by_blur: [f32; 2],
    /// Change of each with the mosaic's numbers, cells a px².
    by_mosaic: [Vector3<f32>; 2],
}

/// Columns of a comparison, in shares of the range of code values: derivatives of the expected
/// value by the unknowns and by the mosaic's numbers, then seen minus expected.
pub(in crate::tags) const MOSAIC: usize = UNKNOWNS;
pub(in crate::tags) const RESIDUAL: usize = MOSAIC + 3;
pub(in crate::tags) const COLUMNS: usize = RESIDUAL + 1;

impl<'a> ImageModel<'a> {
    /// `None` if the tag is seen edge-on.
    pub fn new(
        pattern: &'a Pattern,
        patch: &Patch,
        mosaic: Mosaic,
        state: &Unknowns,
    ) -> Option<Self> {
        let patch_from_tag = homography_of(state);
        let tag_from_patch = patch_from_tag.try_inverse()?;
        let per_px = cells_per_px(&patch_from_tag, &tag_from_patch, patch.scale_px);
        let blur = [state[BLUR], state[BLUR + 1]];
        let blurs = std::array::from_fn(|parity| {
            PixelBlur::new(blur, state[COVARIANCE], &per_px, mosaic.to_vector(), parity)
        });
        Some(Self {
            pattern,
            state: state.cast(),
            patch_from_tag: patch_from_tag.cast(),
            tag_from_patch: tag_from_patch.cast(),
            blurs,
        })
    }

    #[inline(always)]
    pub fn compare<S: Simd>(&self, simd: S, pixels: &PixelGroup) -> [Lanes<S>; COLUMNS] {
        let [p, q, slope] = [pixels.p, pixels.q, pixels.slope].map(
            #[inline(always)]
            |numbers| Lanes::load_array(simd, numbers),
        );
        let g = &self.tag_from_patch;
        let depth = Lanes::splat(simd, 1.0) / (p * g[(2, 0)] + q * g[(2, 1)] + g[(2, 2)]);
        let a = (p * g[(0, 0)] + q * g[(0, 1)] + g[(0, 2)]) * depth;
        let b = (p * g[(1, 0)] + q * g[(1, 1)] + g[(1, 2)]) * depth;
        let seen = &self.blurs[pixels.parity];
        let half = HALF as f32;
        let shade = self
            .pattern
            .shade(simd, (a + 1.0) * half, (b + 1.0) * half, &seen.blur);
        // Change of the shade along the patch, through the inverse homography.
        let (along_a, along_b) = (shade.du * depth * half, shade.dv * depth * half);
        let along_p =
            along_a * (a * -g[(2, 0)] + g[(0, 0)]) + along_b * (b * -g[(2, 0)] + g[(1, 0)]);
        let along_q =
            along_a * (a * -g[(2, 1)] + g[(0, 1)]) + along_b * (b * -g[(2, 1)] + g[(1, 1)]);

        let state = &self.state;
        let white = p * state[WHITE + 1] + q * state[WHITE + 2] + state[WHITE];
        let black = p * state[BLACK + 1] + q * state[BLACK + 2] + state[BLACK];
        let light = black + (white - black) * shade.white;
        let per_shade = (white - black) * slope;
        // A pattern that moves to the right darkens the pixels left of it: hence the minus.
        let h = &self.patch_from_tag;
        let forward = -per_shade / (a * h[(2, 0)] + b * h[(2, 1)] + h[(2, 2)]);
        let (move_p, move_q) = (along_p * forward, along_q * forward);
        let perspective = -(move_p * p + move_q * q);
        let of_white = slope * shade.white;
        let of_black = slope - of_white;
        let (wider_u, wider_v) = (per_shade * shade.dblur_u, per_shade * shade.dblur_v);
        let [of_u, of_v] = &seen.by_mosaic;
        [
            move_p * a,
            move_p * b,
            move_p,
            move_q * a,
            move_q * b,
            move_q,
            perspective * a,
            perspective * b,
            wider_u * seen.by_blur[0],
            wider_v * seen.by_blur[1],
            per_shade * shade.dcovariance,
            of_white,
            of_white * p,
            of_white * q,
            of_black,
            of_black * p,
            of_black * q,
            wider_u * of_u.x + wider_v * of_v.x,
            wider_u * of_u.y + wider_v * of_v.y,
            wider_u * of_u.z + wider_v * of_v.z,
            (Lanes::load_array(simd, pixels.light) - light) * slope,
        ]
    }
}

impl PixelBlur {
    fn new(
        blur: [f64; 2],
        covariance: f64,
        per_px: &[Vector2<f64>; 2],
        mosaic_px2: Vector3<f64>,
        parity: usize,
    ) -> Self {
        let axis = |k: usize| {
            // Variances of independent blurs add, each along its own direction.
            let squares = per_px[k].component_mul(&per_px[k]);
            let by_mosaic = mosaic::variance_by_mosaic(parity, squares);
            let least = LEAST_VARIANCE_SHARE * blur[k].powi(2);
            let sd = (blur[k].powi(2) + by_mosaic.dot(&mosaic_px2))
                .max(least)
                .sqrt();
            (sd, blur[k] / sd, by_mosaic / (2.0 * sd))
        };
        let (u, v) = (axis(0), axis(1));
        // Along sheared axes even an isotropic blur is correlated.
        let shear = per_px[0].dot(&per_px[1]) / (per_px[0].norm() * per_px[1].norm());
        Self {
            blur: Blur::new([u.0, v.0], shear * u.0 * v.0 + covariance),
            by_blur: [u.1 as f32, v.1 as f32],
            by_mosaic: [u.2.cast(), v.2.cast()],
        }
    }
}

/// The homography from the tag's square to the patch.
pub(in crate::tags) fn homography_of(state: &Unknowns) -> Matrix3<f64> {
    Matrix3::new(
        state[0], state[1], state[2], state[3], state[4], state[5], state[6], state[7], 1.0,
    )
}

/// How the place on the tag changes with the place in the picture at the tag's middle: one row
/// an axis of the tag, cells per px.
fn cells_per_px(
    patch_from_tag: &Matrix3<f64>,
    tag_from_patch: &Matrix3<f64>,
    scale_px: f64,
) -> [Vector2<f64>; 2] {
    let (g, middle) = (tag_from_patch, homography::map(patch_from_tag, 0.0, 0.0));
    let depth = 1.0 / (g[(2, 0)] * middle.x + g[(2, 1)] * middle.y + g[(2, 2)]);
    let per_px = HALF * depth / scale_px;
    [0, 1].map(|axis| Vector2::new(g[(axis, 0)], g[(axis, 1)]) * per_px)
}

/// Corners on the patch and their change with the homography's entries.
pub(in crate::tags) fn corners_of(
    state: &Unknowns,
    patch: &Patch,
) -> ([Point2<f64>; 4], SMatrix<f64, 8, BLUR>) {
    let patch_from_tag = homography_of(state);
    let mut derivative = SMatrix::<f64, 8, BLUR>::zeros();
    let mut corners_px = [Point2::origin(); 4];
    for (k, (a, b)) in homography::SQUARE.into_iter().enumerate() {
        let place = homography::map(&patch_from_tag, a, b);
        corners_px[k] = patch.to_px(place);
        let per_depth =
            patch.scale_px / (patch_from_tag[(2, 0)] * a + patch_from_tag[(2, 1)] * b + 1.0);
        let row = [a * per_depth, b * per_depth, per_depth];
        for (index, value) in row.into_iter().enumerate() {
            derivative[(2 * k, index)] = value;
            derivative[(2 * k + 1, 3 + index)] = value;
        }
        for (index, value) in [a * per_depth, b * per_depth].into_iter().enumerate() {
            derivative[(2 * k, 6 + index)] = -value * place.x;
            derivative[(2 * k + 1, 6 + index)] = -value * place.y;
        }
    }
    (corners_px, derivative)
}

/// White minus black at the middle of the tag, as a share of the range of code values.
pub(in crate::tags) fn contrast(state: &Unknowns, patch: &Patch) -> f64 {
    let share = |light: f64| patch.tone.share(light);
    share(state[WHITE]) - share(state[BLACK])
}
