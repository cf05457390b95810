//! Visits on practice lines with known faults, and whether the agent's conclusion is the truth.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::path::Path;
use std::process::Command;

use doorstep::practice::{Extent, Fault};
use serde_json::{Value, json};

use crate::run::{PROGRAM, Run};

/// The tier of faults of TV; all others are made on the demo's own.
const TV_TIER: &str = "fibre-250-50-tv";

/// A line to visit: without a fault, with one, or with two at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Case {
    pub(crate) faults: Vec<(Fault, Extent)>,
}

/// What the agent said of a case.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Told {
    /// The fault itself, first; of two, both.
    Fault,
    /// Another fault of the same segment first; of two, one of them.
    Segment,
    /// Nothing: the evidence did not tell, and the agent said so.
    NotSure,
    /// That the line is sound.
    Sound,
    /// Another segment.
    Wrong,
}

impl Told {
    pub(crate) const ALL: [Self; 5] = [Self::Fault, Self::Segment, Self::NotSure, Self::Sound, Self::Wrong];

    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Fault => "fault",
            Self::Segment => "segment only",
            Self::NotSure => "not sure",
            Self::Sound => "sound",
            Self::Wrong => "wrong segment",
        }
    }
}

/// The catalogue's names of a practice fault: the first is what it is, the others say the same of it with other words.
/// `None` where nobody wrote down what it is: such a fault is left out, and said to be.
pub(crate) fn names(fault: Fault) -> Option<&'static [&'static str]> {
    Some(match fault.name() {
        "no-dhcp" => &["no-address"],
        "rogue-dhcp" => &["second-address-server"],
        "duplicate-address" => &["address-conflict"],
        "rogue-ra" => &["rogue-router"],
        "no-prefix" => &["no-prefix"],
        "ipv6-broken" => &["ipv6-broken"],
        "home-loss" => &["home-loss"],
        "cross-traffic" => &["other-traffic"],
        "slow-line" => &["access-slow"],
        "wrong-tier" => &["wrong-tier"],
        "access-loss" => &["access-loss"],
        "long-delay" => &["access-delay"],
        "deep-buffer" => &["deep-queue"],
        "voice-jitter" => &["access-jitter"],
        "small-mtu" => &["small-mtu"],
        "mtu-blackhole" => &["mtu-blackhole"],
        "network-loss" => &["network-loss"],
        "double-nat" => &["carrier-nat"],
        "dns-dead" => &["resolvers-dead"],
        "one-resolver-dead" => &["one-resolver-dead"],
        "dns-lying" => &["resolver-lies"],
        "portal" => &["captive-portal"],
        "meddling-proxy" => &["transparent-proxy"],
        "sip-rewrite" => &["gateway-rewrites-sip"],
        "sip-dead" => &["voice-service-dead"],
        "network-dead" => &["network-down"],
        "far-end-gone" => &["far-end-gone"],
        "no-concentrator" => &["no-concentrator"],
        // The concentrator says no at the login, or to the session as such.
        "login-refused" => &["account-refused", "login-refused"],
        "no-querier" => &["tv-no-querier"],
        "report-filter" => &["tv-not-delivered"],
        "tv-loss" => &["tv-loss"],
        "snooping-timeout" => &["tv-forgotten"],
        "older-membership" => &["tv-older-version"],
        "tv-elsewhere" => &["tv-other-vlan"],
        _ => return None,
    })
}

impl Case {
    pub(crate) const HEALTHY: Self = Self { faults: Vec::new() };

    pub(crate) fn of(faults: &[(Fault, Extent)]) -> Self {
        Self { faults: faults.to_vec() }
    }

    /// `access-loss:slight`, two with a plus between, or `healthy`.
    pub(crate) fn name(&self) -> String {
        let one = |(fault, extent): &(Fault, Extent)| {
            if fault.extents().len() > 1 { format!("{fault}:{extent}") } else { fault.to_string() }
        };
        if self.faults.is_empty() { "healthy".to_owned() } else { self.faults.iter().map(one).collect::<Vec<_>>().join("+") }
    }

    /// The shallowest depth whose checks and packets can show all of it.
    ///
    /// A quick visit fetches no page, and its limit on loss is four times that of a handoff.
    pub(crate) fn depth(&self) -> &'static str {
        let needs_more = |(fault, extent): &(Fault, Extent)| match fault {
            Fault::Portal | Fault::MeddlingProxy => true,
            Fault::HomeLoss | Fault::AccessLoss | Fault::NetworkLoss | Fault::VoiceJitter => *extent != Extent::Heavy,
            _ => false,
        };
        if self.faults.iter().any(needs_more) { "handoff" } else { "quick" }
    }

    /// One visit. The record as printed, or what went wrong.
    pub(crate) fn visit(&self, seed: u64, record: &Path) -> Result<Value, String> {
        let mut command = Command::new(PROGRAM);
        command.args(["demo", "--json", "--depth", self.depth(), "--seed", &seed.to_string(), "--record"]).arg(record);
        for (fault, extent) in &self.faults {
            let name = if fault.extents().len() > 1 { format!("{fault}:{extent}") } else { fault.to_string() };
            command.args(["--fault", &name]);
        }
        if self.faults.iter().any(|(fault, _)| fault.is_of_tv()) {
            command.args(["--profile", TV_TIER]);
        }
        let ended = Run::start(&mut command).end();
        serde_json::from_str(&ended.stdout).map_err(|e| format!("no record ({e}): status {:?}, {}", ended.status, ended.stderr))
    }

    /// What the agent said, held against the truth.
    pub(crate) fn held_against(&self, isolation: &Value) -> Told {
        let said = isolation["fault"].as_str().unwrap_or("not-sure");
        match (said, self.faults.is_empty()) {
            ("not-sure", _) => return Told::NotSure,
            ("none-found", true) => return Told::Fault,
            ("none-found", false) => return Told::Sound,
            (_, true) => return Told::Wrong,
            _ => {}
        }
        let also = isolation["also"].as_array().into_iter().flatten().filter_map(|a| a["fault"].as_str());
        let all: Vec<&str> = also.chain([said]).collect();
        let is = |fault: Fault| names(fault).unwrap_or_default().iter().any(|name| all.contains(name));
        let first_is = |fault: Fault| names(fault).unwrap_or_default().contains(&said);
        let every = self.faults.iter().all(|(fault, _)| is(*fault));
        if every && self.faults.iter().any(|(fault, _)| first_is(*fault)) {
            return Told::Fault;
        }
        let segment = isolation["segment"].as_str();
        let there = self.faults.iter().any(|(fault, _)| segment == Some(fault.segment().to_string().as_str()));
        if there { Told::Segment } else { Told::Wrong }
    }

    /// A line of the file of results.
    pub(crate) fn result(&self, seed: u64, record: &Value) -> Value {
        let isolation = &record["isolation"];
        let told = self.held_against(isolation);
        let text = |value: &Value| value.as_str().unwrap_or("none").to_owned();
        let also: Vec<String> = isolation["also"].as_array().into_iter().flatten().map(|a| text(&a["fault"])).collect();
        json!({
            "case": self.name(), "seed": seed, "depth": self.depth(), "verdict": record["verdict"], "told": told.word(),
            "segment": text(&isolation["segment"]), "fault": text(&isolation["fault"]), "also": also,
            "confidence": isolation["confidence"], "because": isolation["because"],
        })
    }
}
