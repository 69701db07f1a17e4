//! Labels: the stick position of each rest, from cards, a declared order or marks.
//!
//! `cards`, `order` and `marks` assign stations. `label_check` compares them with the deflections (`consistency`),
//! and `swapped_labels` detects two stations whose labels are swapped.

pub(super) mod cards;
mod consistency;
pub(super) mod label_check;
pub(super) mod marks;
pub(super) mod order;
pub(super) mod swapped_labels;

/// Stick position of each rest, if assigned.
pub(super) type Labels = Vec<Option<f64>>;
