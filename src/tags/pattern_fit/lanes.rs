//! Lanes: how many pixels are compared at once, and in which type.

/// Pixels that are compared at once.
pub(in crate::tags) const LANES: usize = 8;

/// One number for each pixel of a group. Single precision holds a place in a patch to 1e-5 px, and
/// sums over a patch to less than the rounding of its code values.
pub(in crate::tags) type Numbers = [f32; LANES];

/// The same in the processor's registers, as wide as it has them.
pub(in crate::tags) type Lanes<S> = fearless_simd::f32x8<S>;
