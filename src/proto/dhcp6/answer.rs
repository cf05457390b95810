//! The answers of servers, kept for examination, and why a client would not take one.

use std::net::Ipv6Addr;

use super::envelope::Received;
use super::{Purpose, lease};
use crate::proto::machine::{Arrival, Moment};
use crate::wire::dhcp6::{Duid, Flaw, Message, MessageType, status};
use crate::wire::ethernet::Mac;

/// A server's answer to one of our messages.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Hardware address that it came from.
    pub mac: Mac,
    /// Address that it came from: the server's or a relay's.
    pub from: Ipv6Addr,
    /// When it came.
    pub arrived: Moment,
    /// What it says.
    pub message: Message,
    /// What is odd about its octets.
    pub flaws: Vec<Flaw>,
    /// Why a client does not take it; empty when it does.
    pub unusable: Vec<Unusable>,
}

/// A reason not to take an answer (RFC 8415 sections 16.3, 16.10, 18.2.9, 18.2.10).
#[derive(Debug, Clone, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Unusable {
    /// It does not say which server it is from.
    #[error("without a server identifier")]
    NoServer,
    /// It does not say whom it is for.
    #[error("without our client identifier")]
    NoClient,
    /// It is for another client.
    #[error("for another client")]
    OtherClient,
    /// No ADVERTISE and no REPLY.
    #[error("of a type that no server sends to a client")]
    Type,
    /// It says that it failed.
    #[error("{}{}", status::name(*.code).unwrap_or("failure"), if .words.is_empty() { String::new() } else { format!(" ({words})") })]
    Failed {
        /// The status.
        code: u16,
        /// In the server's words.
        words: String,
    },
    /// Neither an address nor a prefix in it.
    #[error("with neither an address nor a prefix")]
    Nothing,
}

impl Answer {
    pub(super) fn new(received: Received, arrival: &Arrival, client: &Duid, purpose: Purpose) -> Self {
        let Received { mac, from, message, flaws } = received;
        let unusable = unusable(&message, client, purpose);
        Self { mac, from, arrived: arrival.moment, message, flaws, unusable }
    }

    /// How many of the kinds of things that were asked for it has.
    pub(super) fn kinds_offered(&self) -> usize {
        usize::from(lease::lent(&self.message).next().is_some()) + usize::from(lease::delegated(&self.message).next().is_some())
    }

    /// Whether it is a proper answer that says no.
    pub(super) fn refuses(&self) -> bool {
        let says_no = |reason: &Unusable| matches!(reason, Unusable::Failed { .. } | Unusable::Nothing);
        !self.unusable.is_empty() && self.unusable.iter().all(says_no)
    }

    /// The server, as it names itself, or the address that it answered from.
    pub fn server(&self) -> String {
        self.message.server().map_or_else(|| self.from.to_string(), ToString::to_string)
    }
}

fn unusable(message: &Message, client: &Duid, purpose: Purpose) -> Vec<Unusable> {
    let mut reasons = Vec::new();
    if message.server().is_none() {
        reasons.push(Unusable::NoServer);
    }
    match message.client() {
        None => reasons.push(Unusable::NoClient),
        Some(named) if named != client => reasons.push(Unusable::OtherClient),
        Some(_) => {}
    }
    if !matches!(message.kind, MessageType::Advertise | MessageType::Reply) {
        reasons.push(Unusable::Type);
    }
    if let Some((code, words)) = message.status().filter(|(code, _)| *code != status::SUCCESS) {
        reasons.push(Unusable::Failed { code, words: words.to_owned() });
    }
    let has_any = lease::lent(message).next().is_some() || lease::delegated(message).next().is_some();
    if matches!(purpose, Purpose::Lease { .. }) && !has_any {
        reasons.push(Unusable::Nothing);
    }
    reasons
}
