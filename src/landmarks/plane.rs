//! Plane: one number per pixel of a template.

/// Pixels that are compared on each side of the middle one.
pub(super) const REACH: usize = 10;
pub(super) const SIDE: usize = 2 * REACH + 1;

/// Numbers that are added up side by side.
pub(super) const LANES: usize = 8;
/// One number a pixel of the template, zeros behind them.
pub(super) type Plane = [f32; (SIDE * SIDE).next_multiple_of(LANES)];
pub(super) const EMPTY: Plane = [0.0; (SIDE * SIDE).next_multiple_of(LANES)];

/// A landmark is searched no further from its predicted place, px.
pub(super) const FARTHEST_PX: f64 = 8.0;
