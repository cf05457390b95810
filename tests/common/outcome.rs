//! Looking into what a check found.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use doorstep::reading::{Outcome, Reading};

pub(crate) fn readings<'a>(outcome: &'a Outcome, name: &str) -> Vec<&'a Reading> {
    outcome.readings.iter().filter(|r| r.name == name).collect()
}

pub(crate) fn reading<'a>(outcome: &'a Outcome, name: &str) -> &'a Reading {
    let all = readings(outcome, name);
    assert_eq!(all.len(), 1, "{name} in {:?}", outcome.readings);
    all[0]
}

pub(crate) fn codes(outcome: &Outcome) -> Vec<&str> {
    outcome.flaws.iter().map(|f| f.code.as_str()).collect()
}
