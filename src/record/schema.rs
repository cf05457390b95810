//! The types of the record, version `doorstep-record/1`.
//!
//! They hold what was measured, judged and concluded, and never a token, a password or a key. `docs/record.schema.json`
//! is generated from them; a test fails when the two drift apart and says how to write the file again.

use std::time::Duration;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::parts::{MergeNote, Part, SetAside};
use super::redact::Redacted;
use super::sign::Signature;
use crate::isolate::{self, Isolation};
use crate::judge::{self, Judgement, RateBudget, SoldRate, Verdict};
use crate::line::{LineFacts, TYPED_IN};
use crate::profile::{self, Profile, Setting};
use crate::reading::{Outcome, Reading};
use crate::unit::{AccessKind, Depth, Direction, Family, Position};

/// Name and version of the document type; the number after the slash changes when an older reader would misread it.
pub const SCHEMA: &str = "doorstep-record/1";

/// One visit: everything measured, judged and concluded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// UUID version 7 (RFC 9562 section 5.7): sorts by time of creation.
    #[schemars(with = "String", extend("format" = "uuid"))]
    pub id: Uuid,
    /// Start of the visit, RFC 3339, UTC.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// End of the visit; missing while it runs and when the agent died.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schemars(with = "Option<String>", extend("format" = "date-time"))]
    pub finished: Option<Timestamp>,
    /// True when every planned check ended by itself; false for an interrupted visit.
    pub complete: bool,
    /// Why it is not complete, in words.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub incomplete_because: Option<String>,
    /// What measured.
    pub agent: Agent,
    /// Where.
    pub place: Place,
    /// The tier that it was judged against, with its whole text.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub profile: Option<ProfileCopy>,
    /// What the plan promised before the start.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub plan: Option<PlanNote>,
    /// Whether filling the line was agreed to, and how.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub consent: Option<Consent>,
    /// The capture of the control traffic, if one was made.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub capture: Option<CaptureNote>,
    /// The sold rates and what of them can arrive as TCP payload, over the IP version that the rates were measured on.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub sold: Vec<SoldRate>,
    /// What somebody typed in about the access line, with the rates that it lets expect. Its figures stand among the checks too,
    /// as `line`, so that limits can be set on them.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub line: Option<LineNote>,
    /// The checks in the order in which they ended.
    #[serde(default)]
    pub checks: Vec<CheckRecord>,
    /// One entry per criterion and reading that it applies to.
    #[serde(default)]
    pub judgements: Vec<Judgement>,
    /// `pass`, `fail` or `not-proven`; see [`judge::overall`].
    pub verdict: Verdict,
    /// Where a fault lies.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub isolation: Option<Isolation>,
    /// The visits that this one goes on with, the oldest first: their evidence stands in this record too.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub continues: Vec<Part>,
    /// What was made of figures that more than one visit took.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub merged: Vec<MergeNote>,
    /// Checks that another visit's stand for: they had not run, or had failed for what the line is not to blame for.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub replaced: Vec<CheckRecord>,
    /// Whether the raw series were given up later for want of room.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub series_given_up: bool,
    /// Said of a copy whose names and addresses were masked.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub redacted: Option<Redacted>,
    /// Who wrote it, and that it is as written; see `docs/record.md`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub signature: Option<Signature>,
    /// Why it bears no signature, in words; records of versions that did not sign have neither.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub unsigned_because: Option<String>,
}

/// What measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Agent {
    /// Version of this program.
    pub version: String,
    /// Host name of the test set.
    pub host: String,
    /// Kernel release.
    pub kernel: String,
}

/// Where the visit took place.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// Circuit or order number, as typed.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub circuit: Option<String>,
    /// Where the agent was plugged in.
    pub position: Position,
    /// Network interface under test.
    pub interface: String,
    /// How the line gives its service.
    #[serde(skip_serializing_if = "AccessKind::is_plain", default)]
    pub access: AccessKind,
    /// VLAN of the handoff, outer and inner one with a dot between; missing when it has none.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub vlan: Option<String>,
    /// How far the local time of the test set is ahead of UTC: whether the visit was in the evening is told by it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub utc_offset_minutes: Option<i16>,
    /// Free words of the technician.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub note: Option<String>,
}

/// The profile as it was: a later change of the file can't change what this visit was judged against.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ProfileCopy {
    /// Name of the tier.
    pub name: String,
    /// `sha256:` and 64 hexadecimal digits over `text`.
    pub digest: String,
    /// The TOML text.
    pub text: String,
}

impl From<&Profile> for ProfileCopy {
    fn from(profile: &Profile) -> Self {
        Self { name: profile.name.clone(), digest: profile.digest.clone(), text: profile.text.clone() }
    }
}

/// What the plan said before anything was sent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlanNote {
    /// How hard to test.
    pub depth: Depth,
    /// Expected length on a healthy line, in seconds.
    pub expected_s: f64,
    /// Octets moved at most, both directions.
    pub octets: u64,
}

/// Whether filling the line was agreed to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Consent {
    /// True when load checks were allowed.
    pub load_agreed: bool,
    /// How it was given: a flag, an answer at the terminal.
    pub how: String,
}

/// A file with the visit's control traffic beside the record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CaptureNote {
    /// The file, as it was named.
    pub file: String,
    /// Frames in it.
    pub frames: u64,
    /// Its octets.
    pub octets: u64,
    /// `sha256:` and 64 hexadecimal digits over it.
    pub digest: String,
    /// Frames that found the receive queue full and are not in it.
    pub missed: u64,
    /// Why it ended before the visit, if it did.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub stopped_because: Option<String>,
}

/// What was typed in about the access line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineNote {
    /// Where the facts come from: nobody measured them during the visit.
    pub source: String,
    /// The facts as typed.
    pub facts: LineFacts,
    /// What they let expect, over the IP version that the rates were measured on.
    pub budget: Vec<RateBudget>,
}

/// One check of the visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckRecord {
    /// Name of the check.
    pub check: String,
    /// How long it ran, in milliseconds.
    pub took_ms: f64,
    /// What it found.
    #[serde(flatten)]
    pub outcome: Outcome,
    /// The visit that it is of, counted from 0 in `continues`; missing for the record's own.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub part: Option<u16>,
    /// Figures of it that no longer stand by themselves, each with the reason.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub set_aside: Vec<SetAside>,
}

impl CheckRecord {
    /// Of the record's own visit.
    pub fn new(check: &str, took_ms: f64, outcome: Outcome) -> Self {
        Self { check: check.to_owned(), took_ms, outcome, part: None, set_aside: Vec::new() }
    }
}

impl Record {
    /// An open record: no checks yet, not complete, nothing proven.
    pub fn begin(id: Uuid, started: Timestamp, agent: Agent, place: Place, profile: Option<&Profile>) -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            id,
            started,
            finished: None,
            complete: false,
            incomplete_because: Some("the visit is still running, or its agent died".to_owned()),
            agent,
            place,
            profile: profile.map(ProfileCopy::from),
            plan: None,
            consent: None,
            capture: None,
            sold: profile.map_or_else(Vec::new, |p| judge::sold_rates(p, Family::Ipv4)),
            line: None,
            checks: Vec::new(),
            judgements: Vec::new(),
            verdict: Verdict::NotProven,
            isolation: None,
            continues: Vec::new(),
            merged: Vec::new(),
            replaced: Vec::new(),
            series_given_up: false,
            redacted: None,
            signature: None,
            unsigned_because: None,
        }
    }

    /// Adds a check that ended.
    pub fn add(&mut self, check: &str, took: Duration, outcome: Outcome) {
        self.checks.push(CheckRecord::new(check, took.as_secs_f64() * 1e3, outcome));
    }

    /// Notes what was typed in about the access line, and its figures as the outcome `line`.
    pub fn note_line(&mut self, facts: &LineFacts, profile: Option<&Profile>) {
        let mut outcome = facts.outcome();
        if let Some(profile) = profile {
            for direction in [Direction::Down, Direction::Up] {
                let share = judge::share_of_sold(profile, facts, direction);
                outcome.readings.extend(share.map(|share| Reading::exact("line.sold_share", share).toward(direction)));
            }
            if facts.technology.carriage() != profile.line.technology {
                let what =
                    format!("the line is {}, which is not what the tier {} is carried on", facts.kind_in_words(), profile.name);
                outcome.flaw("line-technology-differs", what, None);
            }
        }
        self.line = Some(LineNote {
            source: TYPED_IN.to_owned(),
            facts: facts.clone(),
            budget: judge::budgets(profile, facts, Family::Ipv4),
        });
        self.add("line", Duration::ZERO, outcome);
    }

    /// Gives up the raw series, where a disk has no room for them: readings, facts and all that was concluded stay, and the record says so.
    pub fn give_up_series(&mut self) {
        self.checks.iter_mut().chain(&mut self.replaced).for_each(|check| check.outcome.series.clear());
        self.series_given_up = true;
    }

    /// The checks as judge and isolation see them.
    pub fn outcomes(&self) -> Vec<(&str, &Outcome)> {
        self.checks.iter().map(|c| (c.check.as_str(), &c.outcome)).collect()
    }

    /// Judges and isolates what the record holds so far; may be called again after every check.
    pub fn conclude(&mut self, profile: Option<&Profile>) {
        let rates = self.checks.iter().flat_map(|c| &c.outcome.readings).find(|r| r.name == "throughput.tcp_payload_rate");
        let family = rates.and_then(|r| r.family).unwrap_or(Family::Ipv4);
        self.sold = profile.map_or_else(Vec::new, |p| judge::sold_rates(p, family));
        if let Some(line) = &mut self.line {
            line.budget = judge::budgets(profile, &line.facts, family);
        }
        let conclusion = self.concluded(profile);
        self.judgements = conclusion.judgements;
        self.verdict = conclusion.verdict;
        self.isolation = Some(conclusion.isolation);
    }

    /// Closes the record. `interrupted` says why not every planned check ended by itself.
    pub fn finish(&mut self, finished: Timestamp, interrupted: Option<String>) {
        self.finished = Some(finished);
        self.complete = interrupted.is_none();
        self.incomplete_because = interrupted;
    }

    /// Judges the record again with its own copy of the profile: an unchanged record of this version gives what it holds.
    ///
    /// # Errors
    /// When the copied profile text is not a valid profile for this version.
    pub fn concluded_again(&self) -> Result<Conclusion, profile::ProfileError> {
        let profile = match &self.profile {
            Some(copy) => Some(profile::parse(&copy.text, &format!("profile {} in record {}", copy.name, self.id))?),
            None => None,
        };
        Ok(self.concluded(profile.as_ref()))
    }

    /// What the record holds so far, held against the profile; the record stays as it is.
    pub fn judged(&self, profile: &Profile) -> Vec<Judgement> {
        let depth = self.plan.as_ref().map_or_else(Depth::default, |plan| plan.depth);
        let setting = Setting { depth, access: self.place.access, position: self.place.position };
        judge::judge(profile, setting, self.line.as_ref().map(|line| &line.facts), &self.outcomes())
    }

    /// What isolation knows of where and when, beside the outcomes.
    fn setting(&self, profile: Option<&Profile>) -> isolate::Setting {
        let hour = self.place.utc_offset_minutes.map(|minutes| {
            let second = self.started.as_second() + i64::from(minutes) * 60;
            (second.rem_euclid(86_400) / 3600) as u8
        });
        let tiers = profile.map_or_else(Vec::new, |profile| other_tiers(profile, &self.sold));
        isolate::Setting { position: self.place.position, hour, tiers }
    }

    fn concluded(&self, profile: Option<&Profile>) -> Conclusion {
        let judgements = profile.map_or_else(Vec::new, |profile| self.judged(profile));
        let verdict = judge::overall(&judgements);
        let isolation = isolate::isolate(&self.setting(profile), &self.outcomes(), &judgements);
        Conclusion { judgements, verdict, isolation }
    }
}

/// The program's other tiers, as they would arrive on a line that was sold as this one: its headers, their rates.
fn other_tiers(profile: &Profile, sold: &[SoldRate]) -> Vec<isolate::Tier> {
    let payload = |direction| sold.iter().find(|rate| rate.direction == direction).map(|rate| rate.payload_mbit / rate.sold_mbit);
    let (Some(down), Some(up)) = (payload(Direction::Down), payload(Direction::Up)) else { return Vec::new() };
    let loaded = profile::list().into_iter().filter_map(|listed| profile::load(listed.name).ok());
    let others = loaded.filter(|other| other.sold.is_some() && other.sold_mbit() != profile.sold_mbit());
    let tier = |other: Profile| {
        let (sold_down, sold_up) = other.sold_mbit();
        isolate::Tier { name: other.name, down_mbit: sold_down * down, up_mbit: sold_up * up }
    };
    others.map(tier).collect()
}

/// What judge and isolation make of a record.
#[derive(Debug, Clone, PartialEq)]
pub struct Conclusion {
    /// One per criterion and reading.
    pub judgements: Vec<Judgement>,
    /// Of the whole visit.
    pub verdict: Verdict,
    /// Where a fault lies.
    pub isolation: Isolation,
}

/// The JSON Schema of [`Record`] as it stands in `docs/record.schema.json`.
pub fn json_schema() -> String {
    let schema = schemars::schema_for!(Record);
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_schema_is_that_of_the_types() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/record.schema.json");
        if std::env::var_os("DOORSTEP_UPDATE").is_some() {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, json_schema()).unwrap();
        }
        let published = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            published == json_schema(),
            "docs/record.schema.json is out of date; write it again with: DOORSTEP_UPDATE=1 cargo test --lib record::schema"
        );
    }
}
