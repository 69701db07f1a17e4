//! What a fit tells from nothing, of all that it allows for to begin with.

use super::bow;
use super::joint_fit::{JointFit, State};
use super::parameters::Layout;
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

    /// Leaves in a layout what there is.
    pub fn leave_in(&self, layout: &mut Layout) {
        layout.bows = self.bows;
        layout.readout = self.readout;
        layout.rocking = self.rocking;
    }
}
