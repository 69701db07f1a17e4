//! One way to lock.

use std::sync::{Mutex, MutexGuard, PoisonError};

/// A poisoned lock is one whose holder panicked; what it guards is whole all the same.
pub fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
