//! A bulk socket whose owner sleeps in the runtime until something arrives.

use std::io;

use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use super::{Batch, BulkSocket};

/// A [`BulkSocket`] of the runtime that it was made in.
#[derive(Debug)]
pub struct WaitingSocket(AsyncFd<BulkSocket>);

impl WaitingSocket {
    /// Gives a socket to the current runtime.
    ///
    /// # Errors
    /// What the system says.
    pub fn new(socket: BulkSocket) -> io::Result<Self> {
        // SAFETY: the BulkSocket owns its descriptor and stays inside the AsyncFd, only borrowed, until both are dropped.
        let registered = unsafe { AsyncFd::register_with_interest(socket, Interest::READABLE) };
        registered.map(Self).map_err(|error| error.into_parts().1)
    }

    /// The socket itself.
    pub fn socket(&self) -> &BulkSocket {
        self.0.get_ref()
    }

    /// Waits until something is there and receives as much as fits; returns how many. Cancel safe.
    ///
    /// # Errors
    /// As [`BulkSocket::receive`], except that it never would block.
    pub async fn receive(&self, batch: &mut Batch) -> io::Result<usize> {
        loop {
            let mut ready = self.0.readable().await?;
            if let Ok(got) = ready.try_io(|socket| socket.get_ref().receive(batch)) {
                return got;
            }
        }
    }
}
