//! A PPP session over PPPoE without I/O (RFC 1661, 1334, 1994, 1332, 1877, 5072, 2516): the link, the login, the addresses.
//!
//! It knows no socket and no clock. [`Session`] is the subscriber's side, as frames; [`negotiation`] and [`terms`] serve both
//! sides, so that a practice line can be the other one.

pub mod login;
pub mod negotiation;
pub mod serving;
mod session;
pub mod terms;
#[cfg(test)]
mod tests;

pub use self::login::Login;
pub use self::session::{Addresses, Echo, Ending, Event, Phase, Session, Settings, Times};
