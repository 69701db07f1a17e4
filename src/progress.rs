//! Progress of long work, independent of a terminal.

/// Receives the progress of long work.
pub trait Progress: Sync {
    /// `done` of `total` steps of `work` are done; `total` is `None` where it is not known.
    fn advance(&self, work: &str, done: u64, total: Option<u64>);
}

/// Ignores progress.
pub struct Silent;

impl Progress for Silent {
    fn advance(&self, _work: &str, _done: u64, _total: Option<u64>) {}
}
