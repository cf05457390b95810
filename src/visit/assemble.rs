//! Puts a record together: its head before the first check, additions to a check's outcome after the last.

use jiff::Timestamp;
use uuid::Uuid;

use crate::plan::{Class, Plan};
use crate::reading::Outcome;
use crate::record::{Agent, Consent, Place, PlanNote, Record};

use super::VisitOptions;

/// The head of a record, before anything was measured.
pub(super) fn open(options: &VisitOptions, plan: &Plan) -> Record {
    let name = nix::sys::utsname::uname().ok();
    let text = |of: fn(&nix::sys::utsname::UtsName) -> &std::ffi::OsStr| {
        name.as_ref().map_or_else(|| "unknown".to_owned(), |name| of(name).to_string_lossy().into_owned())
    };
    let agent = Agent {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        host: text(nix::sys::utsname::UtsName::nodename),
        kernel: text(nix::sys::utsname::UtsName::release),
    };
    let begun = Timestamp::now();
    let ahead = jiff::tz::TimeZone::system().to_offset(begun).seconds() / 60;
    let place = Place {
        utc_offset_minutes: i16::try_from(ahead).ok(),
        circuit: options.circuit.clone(),
        position: options.position,
        interface: options.interface.name.clone(),
        access: options.access.kind(),
        vlan: (!options.vlan.is_none()).then(|| options.vlan.to_string()),
        note: options.note.clone(),
    };
    let mut record = Record::begin(Uuid::now_v7(), begun, agent, place, options.profile.as_ref());
    if let Some(facts) = &options.line {
        record.note_line(facts, options.profile.as_ref());
    }
    record.plan = Some(PlanNote { depth: options.depth, expected_s: plan.time().as_secs_f64(), octets: plan.octets() });
    let load_agreed = plan.steps.iter().any(|step| step.spec.class == Class::Load);
    record.consent = options.consent.as_ref().map(|how| Consent { load_agreed, how: how.clone() });
    record
}

/// Adds what was found at the end of the visit to a check's outcome.
pub(super) fn merge(into: &mut Outcome, more: Outcome) {
    let Outcome { status: _, reason: _, readings, series, facts, flaws } = more;
    into.readings.extend(readings);
    into.series.extend(series);
    into.facts.extend(facts);
    into.flaws.extend(flaws);
}
