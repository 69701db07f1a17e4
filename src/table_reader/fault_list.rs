//! The list that collects the faults of a file while it is read.

use std::cell::RefCell;
use std::ops::Range;

use super::{Fault, Located};

/// The faults found so far.
#[derive(Debug)]
pub struct FaultList<F>(RefCell<Vec<Located<F>>>);

impl<F> Default for FaultList<F> {
    fn default() -> Self {
        Self(RefCell::new(Vec::new()))
    }
}

impl<F: Fault> FaultList<F> {
    /// Records a fault at `span`, the bytes of the file that it concerns.
    pub fn push(&self, span: Range<usize>, fault: impl Into<F>) {
        self.push_with_other(span, fault, None);
    }

    /// Records a fault that contradicts another place in the file.
    pub fn push_with_other(
        &self,
        span: Range<usize>,
        fault: impl Into<F>,
        other: Option<Range<usize>>,
    ) {
        self.0.borrow_mut().push(Located {
            fault: fault.into(),
            span,
            other,
        });
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.borrow().is_empty()
    }

    pub(super) fn into_sorted(self) -> Vec<Located<F>> {
        let mut faults = self.0.into_inner();
        faults.sort_by_key(|located| located.span.start);
        faults
    }
}
