//! Solve: the minimum of the cost, over all frames or one frame at a time.

pub(super) mod frame_fit;
pub(super) mod frame_start;
pub(super) mod normal_equations;
pub(super) mod reduced;
pub(super) mod search;
