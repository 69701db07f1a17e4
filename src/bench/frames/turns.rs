//! Turns: one frame in work, one that waits. The newest frame waits; an older one that waited is
//! sent away, so that no queue forms and figures are never older than one frame.

use std::sync::{Arc, Mutex};

use crate::bench::lock::lock;
use tokio::sync::{Semaphore, SemaphorePermit, oneshot};

/// Frames whose bodies are read at once. One is in work and one waits; the others are dropped
/// before they take memory.
const MOST_READING: usize = 3;

#[derive(Default)]
struct Places {
    is_taken: bool,
    waiting: Option<oneshot::Sender<Turn>>,
}

/// The two places of a session, and those for reading bodies.
pub struct Turns {
    places: Arc<Mutex<Places>>,
    reading: Semaphore,
}

/// The right to work on a frame. The next one works when this is dropped.
pub struct Turn(Arc<Mutex<Places>>);

impl Default for Turns {
    fn default() -> Self {
        Self {
            places: Arc::default(),
            reading: Semaphore::new(MOST_READING),
        }
    }
}

impl Turns {
    /// A place for reading the body of a frame; `None` where enough are being read.
    pub fn reading(&self) -> Option<SemaphorePermit<'_>> {
        self.reading.try_acquire().ok()
    }

    /// Waits for a turn; `None` where a newer frame came first.
    pub async fn take(&self) -> Option<Turn> {
        let waiting = {
            let mut places = lock(&self.places);
            if !places.is_taken {
                places.is_taken = true;
                return Some(Turn(self.places.clone()));
            }
            let (sender, waiting) = oneshot::channel();
            // Dropping the sender that was here sends the older frame away.
            places.waiting = Some(sender);
            waiting
        };
        waiting.await.ok()
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let next = {
            let mut places = lock(&self.0);
            let next = places.waiting.take();
            places.is_taken = next.is_some();
            next
        };
        if let Some(next) = next {
            // Whoever hung up while it waited gives its turn back at once.
            drop(next.send(Turn(self.0.clone())));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::tests::runtime;

    #[test]
    fn the_newest_frame_waits_and_the_older_one_is_sent_away() {
        let turns = Turns::default();
        runtime().block_on(async {
            let first = turns.take().await.unwrap();
            let (second, third) = (turns.take(), turns.take());
            tokio::pin!(second, third);
            // Both are asked for while the first is in work.
            assert!(is_pending(second.as_mut()).await);
            assert!(is_pending(third.as_mut()).await);
            assert!(second.await.is_none());
            drop(first);
            assert!(third.await.is_some());
            assert!(turns.take().await.is_some());
        });
    }

    #[test]
    fn a_sender_that_hangs_up_while_it_waits_blocks_nobody() {
        let turns = Turns::default();
        runtime().block_on(async {
            let first = turns.take().await.unwrap();
            {
                let second = turns.take();
                tokio::pin!(second);
                assert!(is_pending(second.as_mut()).await);
            }
            drop(first);
            assert!(turns.take().await.is_some());
        });
    }

    async fn is_pending(future: std::pin::Pin<&mut impl Future<Output = Option<Turn>>>) -> bool {
        let mut future = future;
        std::future::poll_fn(|context| {
            std::task::Poll::Ready(future.as_mut().poll(context).is_pending())
        })
        .await
    }
}
