//! What a registration found, and why it was refused, in plain words.

use std::fmt;
use std::net::SocketAddr;
use std::time::Duration;

use crate::wire::sip::Message;
use crate::wire::sip::message::shown;

/// What was found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Report {
    /// From sending the request that binds to its answer.
    pub bound_after: Option<Duration>,
    /// Seconds that the registrar grants.
    pub granted: Option<u32>,
    /// Least that it takes, where the first wish was too short.
    pub least: Option<u32>,
    /// Whether the registrar lists the binding that was made.
    pub is_listed: bool,
    /// The own contact as the registrar lists it.
    pub bound_as: Option<String>,
    /// Bindings of other devices before.
    pub others_before: Option<usize>,
    /// The same after the own one was removed.
    pub others_after: Option<usize>,
    /// Whether the own binding is gone.
    pub is_removed: Option<bool>,
    /// Whether anything was answered at all.
    pub is_answered: bool,
    /// Whether a proof was asked.
    pub is_challenged: bool,
    /// By which algorithm.
    pub algorithm: Option<&'static str>,
    /// Requests in all, repetitions of lost ones not counted.
    pub requests: u32,
    /// Where the registrar saw the requests come from (RFC 3581).
    pub seen_as: Option<SocketAddr>,
    /// What the server says of itself.
    pub server: Option<String>,
    /// Why it was refused.
    pub refusal: Option<Refusal>,
}

impl Report {
    pub(super) fn note(&mut self, message: &Message) {
        if let Some(via) = message.via()
            && let (Some(address), Some(port)) = (via.received(), via.rport())
        {
            self.seen_as = Some(SocketAddr::new(address, port));
        }
        self.is_answered = true;
        self.server = self.server.take().or_else(|| message.first("Server").map(shown));
    }
}

/// Why an account was not registered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// The proof was refused: name or password is wrong.
    Account(String),
    /// 403: the registrar knows who asks and does not want to.
    Forbidden(String),
    /// 404 or 604: no such account.
    Unknown(String),
    /// It asks for a proof that is not known here.
    Unanswerable(String),
    /// 423 again, or without saying how long is long enough.
    TooBrief(String),
    /// 500 to 599; with the seconds after which it may be asked again.
    Unavailable(String, Option<u32>),
    /// 300 to 399: another place is to be asked.
    Moved(String, Option<String>),
    /// Another answer.
    Other(String),
    /// No answer in time.
    Silent,
    /// The connection broke.
    Broken(String),
    /// It asks again and again.
    Endless,
}

impl Refusal {
    pub(super) fn of(message: &Message) -> Self {
        let told = message.told();
        match message.status().unwrap_or_default() {
            300..400 => Self::Moved(told, message.contacts().first().map(|contact| shown(&contact.uri))),
            403 => Self::Forbidden(told),
            404 | 604 => Self::Unknown(told),
            423 => Self::TooBrief(told),
            500..600 => Self::Unavailable(told, message.seconds("Retry-After")),
            _ => Self::Other(told),
        }
    }

    /// Stable name for isolation.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Account(_) => "sip-account-refused",
            Self::Forbidden(_) => "sip-forbidden",
            Self::Unknown(_) => "sip-account-unknown",
            Self::Unanswerable(_) => "sip-challenge-unknown",
            Self::TooBrief(_) => "sip-expiry-refused",
            Self::Unavailable(..) => "sip-unavailable",
            Self::Moved(..) => "sip-moved",
            Self::Other(_) => "sip-refused",
            Self::Silent => "sip-register-silent",
            Self::Broken(_) => "sip-broken",
            Self::Endless => "sip-endless",
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Account(told) => write!(
                f,
                "the registrar does not take this name and password ({told}); they were sent once and not again, so that the account is not locked"
            ),
            Self::Forbidden(told) => {
                write!(f, "the registrar knows who asks and refuses ({told}): the account may be barred, or not for this line")
            }
            Self::Unknown(told) => write!(f, "the registrar knows no such account ({told})"),
            Self::Unanswerable(why) => write!(f, "the registrar's challenge can't be answered: {why}"),
            Self::TooBrief(told) => write!(f, "the registrar takes no time that was offered ({told})"),
            Self::Unavailable(told, Some(seconds)) => {
                write!(f, "the registrar is out of service ({told}); it says to ask again after {seconds} s")
            }
            Self::Unavailable(told, None) => write!(f, "the registrar is out of service ({told})"),
            Self::Moved(told, Some(to)) => write!(f, "the registrar sends to another place ({told}): {to}"),
            Self::Moved(told, None) => write!(f, "the registrar sends to another place and does not say which ({told})"),
            Self::Other(told) => write!(f, "the registrar refuses ({told})"),
            Self::Silent => f.write_str("the registrar does not answer a registration"),
            Self::Broken(why) => write!(f, "the connection to the registrar broke: {why}"),
            Self::Endless => {
                f.write_str("the registrar asks for a proof again and again; no more was sent, so that the account is not locked")
            }
        }
    }
}
