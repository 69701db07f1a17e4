//! Response: each surface's deflection by station and direction of approach, and its health.
//!
//! 1. `averages` takes the mean over each hold's frames and judges their scatter; `passages` does so
//!    where a slow sweep passes a station, `visits` puts both in time.
//! 2. `deflections` takes the means from neutral, for all surfaces jointly.
//! 3. `throw` and `inclinometer` convert them to mm and to the reading of an inclinometer.
//! 4. `health` and `lag` check each surface, and one side against the other.
//! 5. `neutral` returns the places of the tags at neutral.

mod averages;
mod constants;
mod deflections;
mod error;
mod health;
mod inclinometer;
mod lag;
mod level;
mod neutral;
mod passages;
mod respond;
mod responses;
mod throw;
mod visits;
mod warning;

#[cfg(test)]
mod tests;

pub use error::ResponseError;
pub use inclinometer::inclinometer_deg;
pub(crate) use level::append_block;
pub use level::{LevelSurface, LevelZero};
pub use respond::respond;
pub use responses::{EarlyStop, Health, Response, Responses, SideLag, StationDeflection};
pub use throw::throw_mm;
pub use warning::{ResponseWarning, UnmeasuredHold};
