//! Why a practice line can't be built.

use std::io;

use thiserror::Error;

use crate::net::netlink::NetlinkError;

/// Why a practice line can't be built.
#[derive(Debug, Error)]
pub enum PracticeError {
    /// No namespace, for want of rights or room.
    #[error("making a network namespace for the practice line: {source}; run as root, or as a user who may make user namespaces")]
    Namespace {
        /// The kernel's answer.
        source: io::Error,
    },
    /// The kernel refused a link, address or route.
    #[error("building the practice line: {0}")]
    Refused(#[from] NetlinkError),
    /// The kernel has no address translation.
    #[error("{0}; the practice line's gateway needs it: sudo modprobe -a nf_tables nft_chain_nat nft_masq")]
    NoTranslation(NetlinkError),
    /// The kernel has no token bucket, and no other shaper was allowed.
    #[error("this kernel has no token bucket (tbf): sudo modprobe sch_tbf, or let the delay line keep the rate")]
    NoTokenBucket,
    /// Anything else that the system refused.
    #[error("{doing}: {source}")]
    System {
        /// What was being done.
        doing: String,
        /// Why not.
        source: io::Error,
    },
}

pub(in crate::practice) fn system(doing: impl Into<String>) -> impl FnOnce(io::Error) -> PracticeError {
    let doing = doing.into();
    move |source| PracticeError::System { doing, source }
}
