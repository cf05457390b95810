//! The checked profile: what a tier means.

use super::criterion::Criterion;
use super::problem::ProfileError;
use super::statement::Statement;
use crate::line::{Atm, Encapsulation, Technology};
use crate::proto::capacity::Terms;
use crate::proto::membership;
use crate::proto::sip::service::Service;
use crate::proto::web::page::PublicPage;
use crate::typed::table::{Document, Table, root};
use crate::unit::digest::sha256_words;
use crate::unit::{CallTerms, Direction, Layer, ServiceClass};
use crate::wire::dhcp4::Introduction;

mod capacity;
mod contradictions;
pub(super) mod criteria;
mod dhcp4;
mod sip;
mod statement;
mod tv;
mod twoway;
mod voice;
mod web;

/// A service tier: what was sold, the limits, how hard to test.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Name in kebab case.
    pub name: String,
    /// The tier in words.
    pub title: String,
    /// What was sold; `None` for a profile that judges no rate.
    pub sold: Option<Sold>,
    /// How the service is carried, for the arithmetic of headers.
    pub line: Encapsulation,
    /// How hard to test.
    pub effort: TestEffort,
    /// What the provider wants a DHCPv4 client to say of itself.
    pub dhcp4: Introduction,
    /// Parameters of capacity tests.
    pub capacity: Terms,
    /// Classes of service that run beside the twoway stream; `None` leaves the usual ones.
    pub classes: Option<Vec<ServiceClass>>,
    /// Pages of public hosts to fetch; none unless named.
    pub pages: Vec<PublicPage>,
    /// The SIP service of a voice line; `None` where none was sold.
    pub sip: Option<Service>,
    /// TV channels to listen to; `None` is a tier without TV.
    pub tv: Option<membership::Terms>,
    /// The calls of check voice; `None` is a tier without telephony, which has the usual ones.
    pub voice: Option<CallTerms>,
    /// The speeds that the contract states and how many visits tell whether they are given; `None` where none are stated.
    pub statement: Option<Statement>,
    /// The limits, in the order of the text.
    pub criteria: Vec<Criterion>,
    /// `sha256:` and 64 hexadecimal digits over `text`.
    pub digest: String,
    /// The text that this was parsed from.
    pub text: String,
}

impl Profile {
    /// The sold rates down and up in Mbit/s, at the contract's layer; zero when none was sold.
    pub fn sold_mbit(&self) -> (f64, f64) {
        self.sold.as_ref().map_or((0.0, 0.0), |sold| (sold.down_mbit, sold.up_mbit))
    }

    /// Parallel TCP streams of a load phase.
    pub fn streams(&self) -> u16 {
        self.effort.streams
    }

    /// Confidence of all intervals.
    pub fn confidence(&self) -> f64 {
        self.effort.confidence
    }

    /// Seconds of one load phase after start-up, where the profile sets them.
    pub fn load_seconds(&self) -> Option<u64> {
        self.effort.load_seconds
    }
}

/// What was sold.
#[derive(Debug, Clone, PartialEq)]
pub struct Sold {
    /// Downstream, Mbit/s at `layer`.
    pub down_mbit: f64,
    /// Upstream, Mbit/s at `layer`.
    pub up_mbit: f64,
    /// The layer that the contract's figures count.
    pub layer: Layer,
    /// Where the figures come from.
    pub basis: String,
}

impl Sold {
    /// The sold rate of a direction, Mbit/s at `layer`.
    pub fn mbit(&self, direction: Direction) -> f64 {
        match direction {
            Direction::Down => self.down_mbit,
            Direction::Up => self.up_mbit,
        }
    }
}

/// How hard to test.
#[derive(Debug, Clone, PartialEq)]
pub struct TestEffort {
    /// Parallel TCP streams of a load phase; default 4.
    pub streams: u16,
    /// Seconds of one load phase after start-up; `None` leaves it to the depth.
    pub load_seconds: Option<u64>,
    /// Confidence of all intervals; default 0.95.
    pub confidence: f64,
    /// DSCP of the twoway stream; default 0.
    pub dscp: u8,
    /// Streams of probes end once the verdicts on them are certain; default false.
    pub until_certain: bool,
}

impl Default for TestEffort {
    fn default() -> Self {
        Self { streams: 4, load_seconds: None, confidence: 0.95, dscp: 0, until_certain: false }
    }
}

/// The keys of a profile.
pub(super) const KEYS: &[&str] = &[
    "name",
    "title",
    "sold",
    "line",
    "effort",
    "dhcp4",
    "capacity",
    "twoway",
    "web",
    "sip",
    "tv",
    "voice",
    "statement",
    "criterion",
];

/// Parses a profile that stands by itself. `origin` names the text in errors: the file, or the built-in name.
///
/// # Errors
/// [`ProfileError::Invalid`] with everything that is wrong.
pub fn parse(text: &str, origin: &str) -> Result<Profile, ProfileError> {
    let invalid = |problems, more| ProfileError::Invalid { origin: origin.to_owned(), problems, more };
    let root = root(text).map_err(|problem| invalid(vec![*problem], 0))?;
    let document = Document::new(text);
    let top = Table::open(&document, root.get_ref(), 0..0, String::new(), KEYS);
    let profile = read(&document, &top);
    let (problems, more) = document.into_problems();
    match profile {
        Some(profile) if problems.is_empty() => Ok(profile),
        _ => Err(invalid(problems, more)),
    }
}

/// Reads for what the document notes on the way: what a text that extends another says wrong by itself, and what is asked for.
pub(super) fn read_for_notes(document: &Document<'_>, top: &Table<'_, '_>) {
    read(document, top);
}

fn read(document: &Document<'_>, top: &Table<'_, '_>) -> Option<Profile> {
    let name = top.required_text("name", "the tier's name in kebab case").filter(|name| {
        let kebab = name.value.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
        if !kebab {
            document.wrong(name, "a name has only small letters, digits and hyphens");
        }
        kebab
    });
    let title = top.required_text("title", "the tier in words");
    let sold = top.table("sold", &["down", "up", "layer", "basis"]).and_then(|t| read_sold(document, &t));
    let line = read_line(top.table("line", &["technology", "port", "vlan_tags", "pppoe", "mtu", "atm"]).as_ref());
    let effort =
        read_effort(document, top.table("effort", &["streams", "load_seconds", "confidence", "dscp", "until_certain"]).as_ref());
    let dhcp4 = top.table("dhcp4", dhcp4::KEYS).map(|t| dhcp4::read(document, &t)).unwrap_or_default();
    let capacity = top.table("capacity", capacity::KEYS).map(|t| capacity::read(document, &t)).unwrap_or_default();
    let classes = top.table("twoway", twoway::KEYS).map(|t| twoway::read(document, &t, line.mtu, sold.as_ref()));
    let pages = top.table("web", web::KEYS).map(|t| web::read(document, &t)).unwrap_or_default();
    let sip = top.table("sip", sip::KEYS).and_then(|t| sip::read(document, &t));
    let tv = top.table("tv", tv::KEYS).map(|t| tv::read(document, &t, sold.as_ref()));
    let sold_up_mbit = sold.as_ref().map(|sold| sold.up_mbit);
    let voice = top.table("voice", voice::KEYS).map(|t| voice::read(document, &t, sold_up_mbit));
    let statement = top.table("statement", statement::KEYS).and_then(|t| statement::read(document, &t));
    if !top.has("criterion") {
        top.missing("criterion", "a profile without limits can't prove anything; head each limit with [[criterion]]");
    }
    let tables = top.tables("criterion", criteria::KEYS);
    let criteria = criteria::read_all(document, &tables, top.has("sold") || document.is_partial());
    if !document.is_partial() {
        contradictions::with_line(document, &tables, &line);
    }
    Some(Profile {
        name: name?.value,
        title: title?.value,
        sold,
        line,
        effort,
        dhcp4,
        capacity,
        classes,
        pages,
        sip,
        tv,
        voice,
        statement,
        criteria,
        digest: sha256_words(document.text.as_bytes()),
        text: document.text.to_owned(),
    })
}

fn read_sold(document: &Document<'_>, table: &Table<'_, '_>) -> Option<Sold> {
    let rate = |key| {
        if !table.has(key) {
            table.missing(key, "the sold rate in Mbit/s");
        }
        let rate = table.number(key)?;
        if rate.value == 0.0 {
            document.wrong(&rate, "a sold rate of zero; leave the table [sold] out when no rate was sold");
        }
        Some(rate.value)
    };
    let (down, up) = (rate("down"), rate("up"));
    if !table.has("layer") {
        table.missing("layer", "the layer that the contract's rate counts: line, ethernet, ip or tcp-payload");
    }
    let layer = table.word(
        "layer",
        &[("line", Layer::Line), ("ethernet", Layer::Ethernet), ("ip", Layer::Ip), ("tcp-payload", Layer::TcpPayload)],
    );
    let basis = table.required_text("basis", "where the sold rate comes from");
    Some(Sold { down_mbit: down?, up_mbit: up?, layer: layer?, basis: basis?.value })
}

fn read_line(table: Option<&Table<'_, '_>>) -> Encapsulation {
    let pppoe = table.and_then(|t| t.truth("pppoe")).unwrap_or(false);
    let default_mtu = if pppoe { 1492 } else { 1500 };
    let small = |key: &str, range| table.and_then(|t| t.whole(key, range)).map(|n| n.value);
    Encapsulation {
        technology: table.and_then(|t| t.word("technology", Technology::WORDS)).unwrap_or(Technology::Ethernet),
        port_mbit: small("port", 10..=400_000).unwrap_or(1000) as f64,
        vlan_tags: small("vlan_tags", 0..=2).and_then(|n| u8::try_from(n).ok()).unwrap_or(0),
        pppoe,
        // 576 octets every IPv4 host must accept (RFC 791 section 3.1); 9000 is the common jumbo size.
        mtu: small("mtu", 576..=9000).and_then(|n| u16::try_from(n).ok()).unwrap_or(default_mtu),
        atm: table.and_then(|t| t.word("atm", Atm::WORDS)).unwrap_or_default(),
    }
}

fn read_effort(document: &Document<'_>, table: Option<&Table<'_, '_>>) -> TestEffort {
    let default = TestEffort::default();
    let Some(table) = table else { return default };
    let confidence = table.number("confidence").map_or(default.confidence, |c| {
        if !(0.5..1.0).contains(&c.value) {
            document.wrong(&c, "the confidence must be at least 0.5 and below 1; 0.95 is usual");
        }
        c.value
    });
    TestEffort {
        streams: table.whole("streams", 1..=64).and_then(|n| u16::try_from(n.value).ok()).unwrap_or(default.streams),
        load_seconds: table.whole("load_seconds", 1..=3600).map(|n| n.value),
        confidence,
        // Six bits, RFC 2474 section 3.
        dscp: table.whole("dscp", 0..=63).and_then(|n| u8::try_from(n.value).ok()).unwrap_or(default.dscp),
        until_certain: table.truth("until_certain").unwrap_or(default.until_certain),
    }
}

#[cfg(test)]
mod tests;
