//! What runs on the practice line: services in threads of their own, each ended and joined when it is dropped.

pub mod concentrator;
pub mod cross_traffic;
pub mod dhcp;
pub mod dns;
pub mod far_end;
pub mod igd;
pub mod middle;
pub mod neighbour;
pub mod registrar;
pub mod router;
pub mod sip_middle;
pub mod tv;

use std::io;
use std::thread::JoinHandle;

use tokio_util::sync::CancellationToken;

use crate::net::netns::Namespace;

/// A thread in a place that serves a port until it is dropped.
#[derive(Debug)]
struct Service {
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
}

impl Service {
    /// Opens the port inside the place and serves it there; returns when it is open.
    ///
    /// # Errors
    /// What opening says.
    fn start<Port, Serving: Future<Output = ()>>(
        namespace: &Namespace,
        name: &str,
        open: impl FnOnce() -> io::Result<Port> + Send + 'static,
        serve: impl FnOnce(Port, CancellationToken) -> Serving + Send + 'static,
    ) -> io::Result<Self> {
        let stop = CancellationToken::new();
        let until = stop.clone();
        let (ready, is_ready) = std::sync::mpsc::sync_channel(1);
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
        // Dropped when it could not be opened: the thread is joined either way.
        let service = Self { stop, thread: Some(thread) };
        match is_ready.recv() {
            Ok(opened) => opened.map(|()| service),
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
