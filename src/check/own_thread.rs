//! Work that fills the line on a thread of its own: it blocks, it may spin, and it must end when nobody waits for it any more.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

struct StopOnDrop(Arc<AtomicBool>);

impl Drop for StopOnDrop {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Runs `work` on a thread, which belongs to the calling thread's network namespace. It is handed a flag that is set when the returned future
/// is dropped: a thread must not go on filling the line then.
///
/// # Errors
/// When there is no thread to be had, or it ended without a result.
pub(super) async fn run<T: Send + 'static>(name: &str, work: impl FnOnce(&AtomicBool) -> T + Send + 'static) -> io::Result<T> {
    let stop = Arc::new(AtomicBool::new(false));
    let _guard = StopOnDrop(Arc::clone(&stop));
    let (answer, result) = tokio::sync::oneshot::channel();
    std::thread::Builder::new().name(name.to_owned()).spawn(move || {
        // Whoever asked may be gone.
        let _ = answer.send(work(&stop));
    })?;
    result.await.map_err(|_| io::Error::other("the thread of the test ended"))
}
