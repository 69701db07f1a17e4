//! What a fit tells from nothing, of all that it allows for to begin with.

use super::bow;
use super::joint_fit::{JointFit, State};
use super::parameters::{Constants, Layout};
use super::readout;
use super::rocking;

/// What there is, of what not every clip has.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown {
    pub bows: bool,
    pub readout: bool,
    pub rocking: bool,
}

impl Shown {
    pub fn by(fit: &JointFit, state: &State) -> Self {
        let covariance = fit.covariance(state);
        Self {
            bows: !bow::bowed_tags(fit, state).is_empty(),
            readout: readout::shows(fit, state, covariance.as_ref()),
            rocking: rocking::shows(fit, state, covariance.as_ref()),
        }
    }

    /// Leaves what there is in a layout and its constants.
    pub fn leave_in(&self, layout: &mut Layout, constants: &mut Constants) {
        layout.bows = self.bows;
        layout.readout = self.readout;
        layout.rocking = self.rocking;
        constants.leave_out(layout);
    }
}
