//! The option that takes the numbers of an earlier measurement as entered.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::CommandError;
use crate::measurement::{EnteredSet, Measurement};
use crate::model_file::Radio;

/// What was entered since an earlier measurement.
#[derive(Debug, Args)]
pub struct EnteredOptions {
    /// Earlier measurement whose numbers were entered
    #[arg(long, value_name = "BEFORE")]
    entered: Option<PathBuf>,
    /// Which of its sets was entered: common-travel, follower or exchanged [default: common-travel]
    #[arg(
        long,
        value_name = "SET",
        requires = "entered",
        hide_possible_values = true
    )]
    entered_set: Option<Set>,
}

/// The sets that a report may offer.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Set {
    /// The set for the common travel, with the reference's end point reduced
    CommonTravel,
    /// The follower's numbers, with the reference as it was
    Follower,
    /// The sides exchanged: the reference's numbers, with the follower as it was
    Exchanged,
}

impl From<Set> for EnteredSet {
    fn from(set: Set) -> Self {
        match set {
            Set::CommonTravel => Self::CommonTravel,
            Set::Follower => Self::Follower,
            Set::Exchanged => Self::Exchanged,
        }
    }
}

impl EnteredOptions {
    /// The radio as declared for a model, with the proposed numbers entered where that was asked for.
    pub fn radio(&self, model: &str, radio: Option<Radio>) -> Result<Option<Radio>, CommandError> {
        let Some(path) = &self.entered else {
            return Ok(radio);
        };
        let before = Measurement::read(path)?;
        let set = self.entered_set.map(Into::into);
        let entered = before.radio_as_proposed((model, radio.as_ref()), set, path.clone())?;
        Ok(Some(entered))
    }
}
