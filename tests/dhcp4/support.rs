//! What the DHCP tests share beyond the cable.

use doorstep::check::{Known, Learned};
use doorstep::reading::{Outcome, Target};

pub(crate) use crate::cable::{LAPTOP_MAC, Line, SERVER, SERVER_MAC, context};
pub(crate) use crate::outcome::{codes, reading, readings};
pub(crate) use crate::server::{LIMIT, Server, wait_for};

pub(crate) fn known(learned: Vec<Learned>) -> Known {
    let mut known = Known::default();
    learned.into_iter().for_each(|one| known.learn(one));
    known
}

pub(crate) fn server(number: u16) -> Option<Target> {
    Some(Target::Server(number))
}

/// The value of an option in the facts of an answer.
pub(crate) fn option(outcome: &Outcome, answer: usize, code: u64) -> Option<String> {
    let options = outcome.facts["answers"][answer]["options"].as_array()?;
    let found = options.iter().find(|o| o["code"] == code)?;
    Some(found["value"].as_str()?.to_owned())
}
