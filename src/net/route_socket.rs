//! One question or order to the kernel's route netlink, asked and answered within one future.
//!
//! The connection lives inside the future of the call: no task of its own is spawned, and dropping the future closes it.
//! The namespace is that of the thread that polls first.

use std::io;
use std::time::Duration;

use rtnetlink::Handle;

/// The kernel answers within microseconds; this only keeps a broken kernel from hanging a visit.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(5);

/// Runs `ask` with a handle of a fresh connection. `doing` goes before the kernel's words: "listing the interfaces".
pub(super) async fn with_handle<T, F>(doing: String, ask: impl FnOnce(Handle) -> F) -> io::Result<T>
where
    F: Future<Output = Result<T, rtnetlink::Error>>,
{
    let named = |error: io::Error| io::Error::new(error.kind(), format!("{doing}: {error}"));
    let (connection, handle, _) = rtnetlink::new_connection().map_err(named)?;
    tokio::select! {
        answer = ask(handle) => answer.map_err(|error| named(as_io(error))),
        () = connection => Err(named(io::Error::other("the kernel closed the conversation"))),
        () = tokio::time::sleep(ANSWER_TIMEOUT) => Err(named(io::ErrorKind::TimedOut.into())),
    }
}

/// The error number where the kernel gave one.
pub(super) fn as_io(error: rtnetlink::Error) -> io::Error {
    match error {
        rtnetlink::Error::NetlinkError(answer) => answer.to_io(),
        other => io::Error::other(other.to_string()),
    }
}

/// True when the kernel refused with this error number.
pub(super) fn is_code(error: &rtnetlink::Error, code: i32) -> bool {
    matches!(error, rtnetlink::Error::NetlinkError(answer) if answer.raw_code() == -code)
}
