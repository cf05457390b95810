//! A service's thread: an async runtime inside a namespace, ready when the start returns, ended and joined on drop.
//!
//! It must not know what is served.

use std::io;
use std::thread::JoinHandle;

use tokio_util::sync::CancellationToken;

use crate::net::netns::Namespace;

/// A running service.
#[derive(Debug)]
pub(super) struct Service {
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl Service {
    /// Opens in the namespace what is needed, then serves until the token fires.
    pub(super) fn start<P>(
        namespace: &Namespace,
        name: &str,
        open: impl FnOnce() -> io::Result<P> + Send + 'static,
        serve: impl AsyncFnOnce(P, CancellationToken) + Send + 'static,
    ) -> io::Result<Self> {
        let stop = CancellationToken::new();
        let (ready, is_ready) = std::sync::mpsc::sync_channel(1);
        let until = stop.clone();
        let thread = namespace.spawn(name, move || {
            let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
                Ok(runtime) => runtime,
                Err(error) => return drop(ready.send(Err(error))),
            };
            runtime.block_on(async {
                match open() {
                    Ok(port) => {
                        let _ = ready.send(Ok(()));
                        serve(port, until).await;
                    }
                    Err(error) => drop(ready.send(Err(error))),
                }
            });
        });
        let this = Self { stop, thread: Some(thread) };
        match is_ready.recv() {
            Ok(outcome) => outcome.map(|()| this),
            Err(_) => Err(io::Error::other("the service's thread ended before it was ready")),
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
