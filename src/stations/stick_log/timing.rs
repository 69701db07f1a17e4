//! LogTiming: alignment of a stick log in the clip's time, as recorded.

use serde::{Deserialize, Serialize};

use crate::measured::Measured;

/// Alignment of a stick log in the clip's time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LogTiming {
    /// Log's clock less the clip's, with all dead time between the stick and the picture.
    pub clock_offset_s: Measured,
    /// In the order of the model file.
    pub surfaces: Vec<SurfaceTiming>,
}

/// Time at which one surface follows the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SurfaceTiming {
    /// Name of the surface.
    pub surface: String,
    /// Time constant of its lag.
    pub lag_s: Measured,
    /// Offset less lag: accurate even where a smooth sweep cannot separate the two.
    pub offset_less_lag_s: Measured,
}
