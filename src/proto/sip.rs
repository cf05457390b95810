//! SIP as a client of a registrar (RFC 3261): where a domain is served, whether a server answers, whether an account can be registered.
//!
//! No call can be placed: requests are OPTIONS and REGISTER, there is no type for another. Machines without sockets or clocks; who drives
//! them hands in messages and time. Must not know DNS servers, files or what is judged.

pub mod account;
pub mod lookup;
pub mod question;
pub mod registration;
pub mod service;
pub mod speaker;
pub mod transaction;

use std::time::Instant;

use crate::wire::sip::Message;

/// What drives a conversation needs to know of it.
pub trait Conversation {
    /// A message came in.
    fn on_message(&mut self, now: Instant, message: &Message);

    /// The time that [`Conversation::next_wake`] named has come.
    fn on_wake(&mut self, now: Instant);

    /// The stream has ended, or the system told that nobody is there.
    fn on_broken(&mut self, why: &str);

    /// What to send now. Called until it returns `None`.
    fn transmit(&mut self, now: Instant) -> Option<Vec<u8>>;

    /// When [`Conversation::on_wake`] wants to be called.
    fn next_wake(&self) -> Option<Instant>;

    /// Nothing more is sent or waited for.
    fn is_over(&self) -> bool;
}
