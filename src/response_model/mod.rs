//! Response model: the deflection of a surface as a function of its servo's command, with play.
//!
//! deflection = curve(command) + side · half the play. The side is −1 after a rising command and +1 after a falling
//! one, so half the play is positive where a surface that rises with the command trails it.
//!
//! | file | curve | gives |
//! | --- | --- | --- |
//! | `levels` | a free level for each station: no assumption | the play that is reported; means of stations; scatter |
//! | `series` | a Legendre series with the prior of a linkage | curve, covariance and scatter between stations |
//! | `knots` | straight pieces | residuals of single frames on the move |
//!
//! `play` has the side of the play on the move, and the way over which a surface takes it up. `isotonic` is the
//! monotone regression, `legendre` the polynomials.

mod isotonic;
mod knots;
mod legendre;
mod levels;
mod play;
mod points;
mod series;

pub(crate) use isotonic::pools;
pub(crate) use knots::MovingPoints;
pub(crate) use legendre::Legendre;
pub(crate) use levels::StationLevels;
pub(crate) use play::{
    AFTER_FALLING, AFTER_RISING, HALF_PLAY_PRIOR_DEG, SETTLED_WAY_PCT, side_at_rate,
};
pub(crate) use points::{Points, slope_sign};
pub(crate) use series::Series;
