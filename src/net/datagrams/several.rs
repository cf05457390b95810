//! Several bulk sockets of one thread: waiting for whichever has something.

use std::io;
use std::os::fd::AsRawFd;
use std::time::Duration;

use super::BulkSocket;

/// Waits until one of the sockets has something to receive, or for `most`; says which ones have. Without sockets it waits the time out.
///
/// # Errors
/// What the system says.
pub fn wait_for_any(sockets: &[&BulkSocket], most: Duration) -> io::Result<Vec<bool>> {
    let of = |socket: &&BulkSocket| libc::pollfd { fd: socket.as_raw_fd(), events: libc::POLLIN, revents: 0 };
    let mut polled: Vec<libc::pollfd> = sockets.iter().map(of).collect();
    let seconds = libc::time_t::try_from(most.as_secs()).unwrap_or(libc::time_t::MAX);
    let timeout = libc::timespec { tv_sec: seconds, tv_nsec: i64::from(most.subsec_nanos()) };
    let count = polled.len() as libc::nfds_t;
    // SAFETY: `count` pollfds and one timespec that live through the call; no signal mask.
    let result = unsafe { libc::ppoll(polled.as_mut_ptr(), count, &raw const timeout, std::ptr::null()) };
    let error = io::Error::last_os_error();
    if result < 0 && error.kind() != io::ErrorKind::Interrupted {
        return Err(error);
    }
    Ok(polled.iter().map(|one| result > 0 && one.revents != 0).collect())
}
