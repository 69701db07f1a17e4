//! Turns: one frame in work, one that waits. The newest frame waits; an older one that waited is
//! sent away, so that no queue forms and figures are never older than one frame.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::oneshot;

#[derive(Default)]
struct Places {
    is_taken: bool,
    waiting: Option<oneshot::Sender<Turn>>,
}

/// The two places of a session.
#[derive(Clone, Default)]
pub struct Turns(Arc<Mutex<Places>>);

/// The right to work on a frame. The next one works when this is dropped.
pub struct Turn(Turns);

impl Turns {
    fn lock(&self) -> MutexGuard<'_, Places> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits for a turn; `None` where a newer frame came first.
    pub async fn take(&self) -> Option<Turn> {
        let waiting = {
            let mut places = self.lock();
            if !places.is_taken {
                places.is_taken = true;
                return Some(Turn(self.clone()));
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
            let mut places = self.0.lock();
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
