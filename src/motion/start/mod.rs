//! Start: a first state of all unknowns from the sightings alone.

pub(super) mod camera_motion;
pub(super) mod first_state;
pub(super) mod hypotheses;
pub(super) mod setup;
pub(super) mod steady;
pub(super) mod trials;
