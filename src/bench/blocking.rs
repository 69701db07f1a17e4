//! Work that reads files or computes, kept off the threads that answer.

use super::Refusal;

/// Runs work on a thread that may block.
pub async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    match tokio::task::spawn_blocking(work).await {
        Ok(result) => result,
        Err(_) => Err(Refusal::fault()),
    }
}
