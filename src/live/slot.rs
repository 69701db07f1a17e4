//! The one place for a frame that waits: a newer one replaces it, so that no queue builds up.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// One place between a thread that receives frames and one that works on them.
#[derive(Debug)]
pub struct FrameSlot<T> {
    inside: Mutex<Inside<T>>,
    changed: Condvar,
}

#[derive(Debug)]
struct Inside<T> {
    waiting: Option<T>,
    replaced: u64,
    closed: bool,
}

impl<T> Default for FrameSlot<T> {
    fn default() -> Self {
        Self {
            inside: Mutex::new(Inside {
                waiting: None,
                replaced: 0,
                closed: false,
            }),
            changed: Condvar::new(),
        }
    }
}

impl<T> FrameSlot<T> {
    /// Puts a frame into the place. Returns the frame that had waited there, which nobody will look at; after
    /// [`Self::close`] the frame itself.
    pub fn offer(&self, frame: T) -> Option<T> {
        let mut inside = self.lock();
        if inside.closed {
            return Some(frame);
        }
        let replaced = inside.waiting.replace(frame);
        inside.replaced += u64::from(replaced.is_some());
        drop(inside);
        self.changed.notify_one();
        replaced
    }

    /// Takes the frame out, and waits for one that long; `None` if none came, or the slot is closed.
    pub fn take(&self, longest: Duration) -> Option<T> {
        let inside = self.lock();
        let empty = |inside: &mut Inside<T>| inside.waiting.is_none() && !inside.closed;
        let waited = self.changed.wait_timeout_while(inside, longest, empty);
        let (mut inside, _) = waited.unwrap_or_else(PoisonError::into_inner);
        inside.waiting.take()
    }

    /// No frame is taken in any more; whoever waits in [`Self::take`] goes on.
    pub fn close(&self) {
        let mut inside = self.lock();
        inside.closed = true;
        inside.waiting = None;
        drop(inside);
        self.changed.notify_all();
    }

    /// How many frames a newer one replaced.
    pub fn replaced(&self) -> u64 {
        self.lock().replaced
    }

    /// A thread that panicked with the lock leaves a whole slot behind.
    fn lock(&self) -> MutexGuard<'_, Inside<T>> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_frame_wins_and_the_older_one_is_handed_back() {
        let slot = FrameSlot::default();
        assert_eq!(slot.offer(1), None);
        assert_eq!(slot.offer(2), Some(1));
        assert_eq!(slot.take(Duration::ZERO), Some(2));
        assert_eq!(slot.take(Duration::ZERO), None);
        assert_eq!(slot.replaced(), 1);
    }

    #[test]
    fn a_closed_slot_takes_nothing_in_and_lets_nobody_wait() {
        let slot = FrameSlot::default();
        std::thread::scope(|scope| {
            let waiting = scope.spawn(|| slot.take(Duration::from_secs(60)));
            slot.close();
            assert_eq!(waiting.join().unwrap(), None::<u8>);
        });
        assert_eq!(slot.offer(1), Some(1));
    }
}
