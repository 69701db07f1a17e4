//! What the readers of all tables share.

use super::ModelFault;
use crate::table_reader::{Limits, TableReader};

/// Edges that can be meant: below, nothing prints; above, the unit was probably mistaken.
pub(super) const EDGE_LIMITS: Limits = Limits::new(0.5, 1000.0, "mm");
/// Chords and hinge distances that can be meant, from the smallest tab to a full-size wing.
pub(super) const LENGTH_LIMITS: Limits = Limits::new(0.5, 5000.0, "mm");

/// A table of a model file.
pub(super) type Reader<'t> = TableReader<'t, ModelFault>;

/// All of them, or `None` if one is at fault; every one is read in either case.
pub(super) fn all<T>(items: impl Iterator<Item = Option<T>>) -> Option<Vec<T>> {
    let read: Vec<Option<T>> = items.collect();
    read.into_iter().collect()
}
