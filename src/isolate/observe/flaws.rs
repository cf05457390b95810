//! Symptoms that are flaws: what a check noticed by name and not by figure. To add one, add a row.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::reading::{Flaw, Status};

/// Codes that show one symptom; a code that ends in `*` stands for all that begin so.
struct Row {
    /// Checks that look for it.
    checks: &'static [&'static str],
    codes: &'static [&'static str],
    symptom: Symptom,
    /// Said when none was found though a check looked.
    absent: &'static str,
}

const ROWS: &[Row] = &[
    Row { checks: &["link"], codes: &["link-carrier-lost"], symptom: Symptom::CarrierLost, absent: "carrier stayed" },
    Row {
        checks: &["dhcp4", "ipv6"],
        codes: &["dhcp4-address-in-use", "dhcp4-address-contested", "ipv6-address-in-use"],
        symptom: Symptom::AddressConflict,
        absent: "nobody else uses the address",
    },
    Row {
        checks: &["dhcp4"],
        codes: &["dhcp4-lease-lost", "dhcp4-lease-withdrawn", "dhcp4-renewal-unanswered"],
        symptom: Symptom::LeaseLost,
        absent: "the lease was kept",
    },
    Row {
        checks: &["dhcp4"],
        codes: &["dhcp4-answer-tagged"],
        symptom: Symptom::WrongTag,
        absent: "answers come without a VLAN tag",
    },
    Row { checks: &["dhcp4"], codes: &["dhcp4-no-default-route"], symptom: Symptom::NoRoute, absent: "there is a default route" },
    Row {
        checks: &["ipv6"],
        codes: &["ipv6-rogue-router"],
        symptom: Symptom::RogueRouter,
        absent: "no second IPv6 router leads nowhere",
    },
    Row {
        checks: &["ipv6"],
        codes: &["ipv6-router-dead"],
        symptom: Symptom::Ipv6RouterDead,
        absent: "no advertised IPv6 router is silent",
    },
    Row { checks: &["ipv6"], codes: &["ipv6-no-prefix"], symptom: Symptom::NoPrefix, absent: "no IPv6 prefix is missing" },
    Row { checks: &["path"], codes: &["path-loop"], symptom: Symptom::PathLoops, absent: "the path has no loop" },
    Row {
        checks: &["echo", "path"],
        codes: &["echo-unreachable-*", "path-unreachable-*"],
        symptom: Symptom::RouteRefused,
        absent: "no router refuses packets",
    },
    Row { checks: &["selftest"], codes: &["selftest-radio"], symptom: Symptom::PortIsRadio, absent: "the port is no radio" },
    Row {
        checks: &["selftest"],
        codes: &["selftest-usb-slow"],
        symptom: Symptom::AdapterBusSlow,
        absent: "no slow USB is behind the port",
    },
    Row {
        checks: &["selftest"],
        codes: &["selftest-throttled", "selftest-clock-capped"],
        symptom: Symptom::CoresHeldBack,
        absent: "neither heat nor a setting holds the cores back",
    },
    Row {
        checks: &["selftest"],
        codes: &["selftest-stolen"],
        symptom: Symptom::TimeStolen,
        absent: "nobody takes the test set's time away",
    },
    Row {
        checks: &["selftest"],
        codes: &["selftest-tunnel"],
        symptom: Symptom::TunnelUp,
        absent: "no tunnel is up on the test set",
    },
    Row {
        checks: &["shaping"],
        codes: &["policer-small-burst"],
        symptom: Symptom::PolicerCutsBursts,
        absent: "no policer with a small bucket",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-not-arriving"],
        symptom: Symptom::TvMissing,
        absent: "the TV channels that were joined came",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-dropped"],
        symptom: Symptom::TvDropped,
        absent: "no TV channel ended while it was joined",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-flooded"],
        symptom: Symptom::TvFlooded,
        absent: "no TV channel came unasked",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-does-not-stop"],
        symptom: Symptom::TvDoesNotStop,
        absent: "TV channels ended when they were left",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-wrong-tag"],
        symptom: Symptom::TvOtherVlan,
        absent: "no TV channel comes in another VLAN",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-older-version"],
        symptom: Symptom::TvOlderVersion,
        absent: "nobody asks for memberships in an older version than was sold",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-several-queriers"],
        symptom: Symptom::TvSeveralQueriers,
        absent: "no two routers ask for memberships",
    },
    Row {
        checks: &["multicast"],
        // What loss can't bring about: a stream without tables, or with wrong ones, was made so.
        codes: &[
            "multicast-stream-damaged-at-source",
            "multicast-stream-unreadable",
            "multicast-stream-no-programs",
            "multicast-stream-no-map",
            "multicast-stream-pid-missing",
            "multicast-stream-clock-inaccurate",
        ],
        symptom: Symptom::TvMadeWrong,
        absent: "the TV channels' streams are whole",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-stream-doubled"],
        symptom: Symptom::TvDoubled,
        absent: "no packet of a TV channel came twice",
    },
    Row {
        checks: &["multicast"],
        codes: &["multicast-stream-restarted"],
        symptom: Symptom::TvRestarted,
        absent: "no TV channel's stream began anew",
    },
    Row {
        checks: &["link", "dhcp4", "echo", "twoway", "throughput", "multicast"],
        codes: &["test-set-*"],
        symptom: Symptom::TestSetInTheWay,
        absent: "no setting of the test set is in the way",
    },
];

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    for row in ROWS {
        let flaw = row.checks.iter().find_map(|check| find(evidence, check, row.codes));
        let looked = row.checks.iter().any(|check| evidence.ran(check).is_some_and(|o| o.status == Status::Done));
        match flaw {
            Some(flaw) => found.note(row.symptom, true, &flaw.what),
            None if looked => found.note(row.symptom, false, row.absent),
            None => {}
        }
    }
}

fn find<'a>(evidence: &Evidence<'a>, check: &str, codes: &[&str]) -> Option<&'a Flaw> {
    let hit = |flaw: &&Flaw| {
        codes.iter().any(|code| match code.strip_suffix('*') {
            Some(start) => flaw.code.starts_with(start),
            None => flaw.code == *code,
        })
    };
    let of_check = evidence.outcomes.iter().filter(|(name, _)| *name == check);
    of_check.flat_map(|(_, outcome)| &outcome.flaws).find(hit)
}
