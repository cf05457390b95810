//! What a technician typed from the modem's or terminal's page: parsed once, against what the technology can show.
//!
//! The figures are nobody's measurement of ours: [`LineFacts::outcome`] turns them into readings that say so.

use std::io::Read as _;
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::carriage::{Atm, Encapsulation};
use super::limits::{ATTENUATION_DB, AccessKind, MARGIN_DB, RECEIVED_DBM, SENT_DBM};
use crate::reading::{Outcome, Reading, Status};
use crate::typed::problem::{Problem, listed};
use crate::typed::table::{Document, Placed, Table, root};
use crate::unit::{Direction, Layer};

/// How every figure of the line says where it comes from.
pub const TYPED_IN: &str = "typed in by the technician";

/// Larger than any sensible file of facts.
const MAX_OCTETS: u64 = 64 << 10;
/// A year: no page counts errors over more.
const LONGEST_COUNT: u64 = 366 * 86_400;

/// What the page shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineFacts {
    /// Access technology.
    pub technology: AccessKind,
    /// Its profile, where it has such: `17a`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub profile: Option<String>,
    /// What is put into ATM cells, where the page tells.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub atm: Option<Atm>,
    /// Downstream.
    pub down: WayFacts,
    /// Upstream.
    pub up: WayFacts,
    /// Optical power received by the terminal, dBm.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub received_dbm: Option<f64>,
    /// Optical power sent by the terminal, dBm.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub sent_dbm: Option<f64>,
    /// Seconds over which the page counts errored seconds.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub counted_over_s: Option<u64>,
    /// The text as typed.
    pub text: String,
}

/// What the page shows of one direction.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct WayFacts {
    /// Rate that the line is in sync at, Mbit/s; 0 when it is not in sync.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub rate_mbit: Option<f64>,
    /// Rate that it could reach, Mbit/s.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub attainable_mbit: Option<f64>,
    /// Noise margin, dB.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub margin_db: Option<f64>,
    /// Attenuation, dB.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub attenuation_db: Option<f64>,
    /// Errored seconds.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub errored_seconds: Option<u64>,
    /// Severely errored seconds, which are errored ones too.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub severely_errored_seconds: Option<u64>,
}

impl LineFacts {
    /// One direction.
    pub fn way(&self, direction: Direction) -> &WayFacts {
        match direction {
            Direction::Down => &self.down,
            Direction::Up => &self.up,
        }
    }

    /// Technology with its profile, in words: `VDSL2 17a`.
    pub fn kind_in_words(&self) -> String {
        let name = self.technology.name();
        self.profile.as_ref().map_or_else(|| name.to_owned(), |profile| format!("{name} {profile}"))
    }

    /// How the line carries packets: the technology as typed, the rest as the service has it.
    pub fn carried_as(&self, service: &Encapsulation) -> Encapsulation {
        Encapsulation { technology: self.technology.carriage(), atm: self.atm.unwrap_or(service.atm), ..service.clone() }
    }

    /// The figures as readings, each exact as typed.
    pub fn outcome(&self) -> Outcome {
        let mut outcome = Outcome::new(Status::Done);
        outcome.fact("source", TYPED_IN);
        outcome.fact("technology", self.kind_in_words());
        for direction in [Direction::Down, Direction::Up] {
            let way = self.way(direction);
            let seconds = |n: Option<u64>| n.map(|n| n as f64);
            let ratio = way.errored_seconds.zip(self.counted_over_s).map(|(errored, over)| errored as f64 / over as f64);
            let figures = [
                ("line.rate", way.rate_mbit),
                ("line.attainable_rate", way.attainable_mbit),
                ("line.margin", way.margin_db),
                ("line.attenuation", way.attenuation_db),
                ("line.errored_seconds", seconds(way.errored_seconds)),
                ("line.severely_errored_seconds", seconds(way.severely_errored_seconds)),
                ("line.errored_second_ratio", ratio),
            ];
            for (name, value) in figures {
                let Some(value) = value else { continue };
                let reading = Reading::exact(name, value).toward(direction);
                outcome.readings.push(if name.ends_with("_rate") || name == "line.rate" {
                    reading.at(Layer::Line)
                } else {
                    reading
                });
            }
        }
        let light = [("line.received_power", self.received_dbm), ("line.sent_power", self.sent_dbm)];
        outcome.readings.extend(light.into_iter().filter_map(|(name, dbm)| Some(Reading::exact(name, dbm?))));
        if let (Some(range), Some(dbm)) = (self.technology.receiver_range(), self.received_dbm)
            && !range.contains(&dbm)
        {
            let what = format!(
                "{dbm} dBm of light arrive, outside of the {} to {} dBm that a {} receiver works at",
                range.start(),
                range.end(),
                self.technology.name()
            );
            outcome.flaw("line-optical-level", what, None);
        }
        outcome
    }
}

/// Why line facts can't be used.
#[derive(Debug, thiserror::Error)]
pub enum LineError {
    /// The text does not hold; what was found is listed in the order of the text.
    #[error("{origin} does not hold valid line facts\n{}", listed(.problems, *.more))]
    Invalid {
        /// File name, or what the text is.
        origin: String,
        /// Never empty.
        problems: Vec<Problem>,
        /// Problems found beyond those listed.
        more: usize,
    },
    /// The file can't be read.
    #[error("reading line facts {}: {source}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is larger than any such file.
    #[error("{} has more than {MAX_OCTETS} octets; are these line facts?", .path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
    },
}

/// Loads line facts from a file.
///
/// # Errors
/// When the file can't be read or its text does not hold.
pub fn load(path: &Path) -> Result<LineFacts, LineError> {
    let failed = |source| LineError::Read { path: path.to_owned(), source };
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(failed)?;
    let read = file.take(MAX_OCTETS + 1).read_to_string(&mut text).map_err(failed)?;
    if read as u64 > MAX_OCTETS {
        return Err(LineError::TooLarge { path: path.to_owned() });
    }
    parse(&text, &path.display().to_string())
}

/// Parses line facts. `origin` names the text in errors.
///
/// # Errors
/// [`LineError::Invalid`] with everything that is wrong.
pub fn parse(text: &str, origin: &str) -> Result<LineFacts, LineError> {
    let invalid = |problems, more| LineError::Invalid { origin: origin.to_owned(), problems, more };
    let root = root(text).map_err(|problem| invalid(vec![*problem], 0))?;
    let document = Document::new(text);
    let keys = ["technology", "profile", "atm", "counted_over", "down", "up", "optical"];
    let top = Table::open(&document, root.get_ref(), 0..0, String::new(), &keys);
    let facts = read(&document, &top);
    let (problems, more) = document.into_problems();
    match facts {
        Some(facts) if problems.is_empty() => Ok(facts),
        _ => Err(invalid(problems, more)),
    }
}

fn read(document: &Document<'_>, top: &Table<'_, '_>) -> Option<LineFacts> {
    if !top.has("technology") {
        let known: Vec<&str> = AccessKind::WORDS.iter().map(|(word, _)| *word).collect();
        top.missing("technology", &format!("one of {}", known.join(", ")));
    }
    let kind = top.word("technology", AccessKind::WORDS)?;
    let misplaced = |key: &str, what: &str| {
        if let Some(at) = top.place(key) {
            document.wrong(&at, format!("{} has no {what}", kind.name()));
        }
    };
    if kind.profiles().is_empty() {
        misplaced("profile", "profiles");
    }
    if !matches!(kind, AccessKind::Adsl | AccessKind::Adsl2 | AccessKind::Adsl2Plus) {
        misplaced("atm", "ATM cells");
    }
    if !kind.is_copper() {
        misplaced("counted_over", "counters of errored seconds that this program knows");
    }
    if !kind.is_optical() {
        misplaced("optical", "optical power: it runs on other media");
    }
    let profile = if kind.profiles().is_empty() { None } else { top.word("profile", kind.profiles()) };
    let counted_over = top.whole("counted_over", 1..=LONGEST_COUNT).map(|n| n.value);
    let line = Line { document, kind, profile, counted_over };
    let keys: &[&str] = if kind.is_copper() { COPPER } else { &["rate"] };
    let down = top.table("down", keys).map(|table| line.way(&table, Direction::Down)).unwrap_or_default();
    let up = top.table("up", keys).map(|table| line.way(&table, Direction::Up)).unwrap_or_default();
    if let (Some(most), Some(down), Some(up)) = (kind.most(profile), &down.rate, &up.rate)
        && most.shared
        && down.value + up.value > most.down
    {
        let sum = down.value + up.value;
        document
            .wrong(down, format!("down and up together, {sum} Mbit/s, are more than the {} Mbit/s that they share", most.down));
    }
    let optical = kind.is_optical().then(|| top.table("optical", &["received", "sent"])).flatten();
    let light = |key, range| optical.as_ref().and_then(|table| table.real(key, range, "dBm")).map(|n| n.value);
    Some(LineFacts {
        technology: kind,
        profile: profile.map(str::to_owned),
        atm: top.word("atm", Atm::WORDS),
        down: down.facts,
        up: up.facts,
        received_dbm: light("received", &RECEIVED_DBM),
        sent_dbm: light("sent", &SENT_DBM),
        counted_over_s: counted_over,
        text: document.text.to_owned(),
    })
}

const COPPER: &[&str] = &["rate", "attainable", "margin", "attenuation", "errored_seconds", "severely_errored_seconds"];

/// What the figures of a direction are held against.
struct Line<'d, 'a> {
    document: &'d Document<'a>,
    kind: AccessKind,
    profile: Option<&'static str>,
    counted_over: Option<u64>,
}

/// One direction, with the place of its rate.
#[derive(Default)]
struct Way {
    facts: WayFacts,
    rate: Option<Placed<f64>>,
}

impl Line<'_, '_> {
    fn way(&self, table: &Table<'_, '_>, direction: Direction) -> Way {
        let rate = table.number("rate").filter(|rate| self.can_be(rate, direction));
        let attainable = table.number("attainable").filter(|rate| self.can_be(rate, direction));
        let level = |key, range| table.real(key, range, "dB").map(|n| n.value);
        let most = self.counted_over.unwrap_or(LONGEST_COUNT);
        let errored = table.whole("errored_seconds", 0..=most);
        let severely = table.whole("severely_errored_seconds", 0..=most);
        if let (Some(errored), None) = (&errored, self.counted_over) {
            let what = "say at the top over how many seconds they were counted, for instance counted_over = 900";
            self.document.wrong(errored, what);
        }
        if let (Some(errored), Some(severely)) = (&errored, &severely)
            && severely.value > errored.value
        {
            self.document.wrong(severely, "a severely errored second is an errored one too, so there can't be more of them");
        }
        let facts = WayFacts {
            rate_mbit: rate.as_ref().map(|n| n.value),
            attainable_mbit: attainable.map(|n| n.value),
            margin_db: level("margin", &MARGIN_DB),
            attenuation_db: level("attenuation", &ATTENUATION_DB),
            errored_seconds: errored.map(|n| n.value),
            severely_errored_seconds: severely.map(|n| n.value),
        };
        Way { facts, rate }
    }

    /// Whether the technology can carry such a rate; a complaint when not.
    fn can_be(&self, rate: &Placed<f64>, direction: Direction) -> bool {
        let Some(most) = self.kind.most(self.profile) else { return true };
        let most = match direction {
            Direction::Down => most.down,
            Direction::Up => most.up,
        };
        if rate.value > most {
            let name = self.kind.name();
            let profile = self.profile.map_or_else(String::new, |p| format!(" {p}"));
            self.document
                .wrong(rate, format!("{name}{profile} can't carry more than {most} Mbit/s {direction}; rates are in Mbit/s"));
        }
        rate.value <= most
    }
}

#[cfg(test)]
mod tests;
