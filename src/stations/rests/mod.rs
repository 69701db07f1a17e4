//! Rests: the spans in which all surfaces rest, from their motion alone.
//!
//! `rest` finds them. `settle` leaves out settling and the frames next to a move. `filming` names mistakes in
//! filming that explain why holds were not found.

pub(super) mod filming;
pub(super) mod rest;
pub(super) mod settle;
