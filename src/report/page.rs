//! The whole report for a page: every section in the order of the reader's questions, decided once for HTML and PDF.
//!
//! The page of a visit is made here, that of a history in [`super::repeats`]. It holds words and pictures and nothing of layout. What a terminal shows is said by the same model and comes from there.

use super::model::{self, Item, Report};
use super::picture::{self, Picture, Table};
use super::why::{self, Chain};
use crate::reading::{Reading, words};
use crate::record::{Record, Verdict};

/// A report for a page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Title of the document.
    pub title: String,
    /// What is read first: a visit's verdict in capitals, or the share of visits that passed.
    pub word: String,
    /// The part that colours play for the verdict.
    pub tone: Tone,
    /// The same in a sentence.
    pub headline: String,
    /// Said when the visit was cut short.
    pub incomplete: Option<String>,
    /// Where and when, a word and what stands behind it.
    pub facts: Vec<(String, String)>,
    /// The sections.
    pub sections: Vec<Section>,
    /// Which record or history this is.
    pub footer: String,
    /// An identifier: the record's, or the history's line and span.
    pub id: String,
    /// When the visit or the span ended; where a visit did not end, when it began.
    pub made: jiff::Timestamp,
}

/// What a verdict sounds like, for colour, border and pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// Met.
    Pass,
    /// Missed.
    Fail,
    /// Open.
    Open,
    /// No limit is set.
    Plain,
}

/// A section with its heading.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// A word for anchors.
    pub id: &'static str,
    /// The heading: the reader's question, where it is one.
    pub title: String,
    /// What stands below it.
    pub blocks: Vec<Block>,
}

/// A part of a section.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A heading within the section.
    Heading(String),
    /// Running text.
    Text(String),
    /// Steps in order.
    Steps(Vec<String>),
    /// Points without order.
    Points(Vec<String>),
    /// Named lines.
    Items(Vec<Item>),
    /// A word and what stands behind it.
    Facts(Vec<(String, String)>),
    /// A picture.
    Picture(Box<Picture>),
    /// Figures; the last column is a verdict when the flag says so.
    Table(Table, Option<Vec<Tone>>),
    /// How a verdict came about.
    Chain(Chain),
}

/// The page of a record. `digest` names the very file, where there is one.
pub fn page(record: &Record, digest: Option<&str>) -> Page {
    let report = model::report(record);
    let place = record.place.circuit.as_deref().unwrap_or("a line without a circuit number");
    let mut sections = vec![sold(&report), cause(record, &report)];
    let why = why::why(record);
    sections.push(section(
        "in-short",
        "In plain words",
        vec![Block::Text(why.customer.clone()), Block::Heading("For an engineer".to_owned()), Block::Text(why.engineer.clone())],
    ));
    sections.extend(limits(&report));
    sections.push(pictures(record));
    sections.push(checks(&report));
    if !why.chains.is_empty() {
        let blocks = why.chains.into_iter().map(Block::Chain).collect();
        sections.push(section("judgements", "How was each limit judged?", blocks));
    }
    sections.push(readings(record));
    if !report.earlier.is_empty() {
        sections.push(section("earlier", "Which visits does this record hold?", vec![Block::Items(report.earlier.clone())]));
    }
    if !report.cautions.is_empty() {
        sections.push(section("cautions", "To bear in mind", vec![Block::Points(report.cautions.clone())]));
    }
    sections.push(section("record", "Which record is this?", vec![Block::Facts(identity(record, digest))]));
    Page {
        title: format!("{}: {place}, {}", model::verdict_words(record.verdict), record.started.strftime("%Y-%m-%d")),
        word: model::verdict_words(record.verdict).to_owned(),
        tone: Tone::of(record.verdict),
        headline: report.headline,
        incomplete: report.incomplete,
        facts: facts(record),
        sections,
        footer: report.footer,
        id: record.id.to_string(),
        made: record.finished.unwrap_or(record.started),
    }
}

impl Tone {
    /// Of a verdict.
    pub fn of(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Pass => Self::Pass,
            Verdict::Fail => Self::Fail,
            Verdict::NotProven | Verdict::NotTested => Self::Open,
        }
    }

    /// Name of its colour.
    pub fn colour(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Open => "open",
            Self::Plain => "text",
        }
    }
}

pub(super) fn section(id: &'static str, title: &str, blocks: Vec<Block>) -> Section {
    Section { id, title: title.to_owned(), blocks }
}

pub(super) fn pair(word: &str, text: impl Into<String>) -> (String, String) {
    (word.to_owned(), text.into())
}

fn facts(record: &Record) -> Vec<(String, String)> {
    let mut facts = Vec::new();
    facts.extend(record.place.circuit.clone().map(|circuit| pair("Circuit", circuit)));
    facts.extend(record.profile.as_ref().map(|profile| pair("Tier", profile.name.clone())));
    facts.push(pair(
        "Place",
        format!("{}, port {}", words::capital(model::position_words(record.place.position)), record.place.interface),
    ));
    facts.push(pair("When", model::time(record)));
    facts.extend(record.place.note.clone().map(|note| pair("Note", note)));
    facts
}

fn sold(report: &Report) -> Section {
    let mut blocks = Vec::new();
    if report.sold.is_empty() {
        blocks.push(Block::Text("No rate was sold, so none is held against what arrived.".to_owned()));
    } else {
        blocks.push(Block::Items(
            report
                .sold
                .iter()
                .map(|item| Item {
                    name: words::capital(&item.name),
                    text: words::capital(&item.text),
                    remedy: item.remedy.clone(),
                })
                .collect(),
        ));
    }
    for budget in &report.budget {
        blocks.push(Block::Heading(format!("Speed budget {}", budget.title)));
        blocks.push(Block::Steps(budget.steps.iter().map(|step| words::capital(step)).collect()));
    }
    section("sold", "What was sold, and what arrived?", blocks)
}

fn cause(record: &Record, report: &Report) -> Section {
    let Some(cause) = &report.cause else {
        let text = match record.verdict {
            Verdict::Pass => "Nothing speaks for a fault on this line.",
            _ => "The record holds no conclusion about a fault.",
        };
        return section("cause", "Is there a fault?", vec![Block::Text(text.to_owned())]);
    };
    let mut blocks = vec![Block::Text(cause.sentence.clone())];
    let mut list = |title: &str, block: Block, is_empty: bool| {
        if !is_empty {
            blocks.push(Block::Heading(title.to_owned()));
            blocks.push(block);
        }
    };
    let large = |all: &[String]| all.iter().map(|text| words::capital(text)).collect::<Vec<_>>();
    list("What next", Block::Steps(large(&cause.next)), cause.next.is_empty());
    list("What speaks for it", Block::Points(large(&cause.because)), cause.because.is_empty());
    list("Beside it, or instead", Block::Points(large(&cause.others)), cause.others.is_empty());
    section("cause", "Where is the fault, why, and what next?", blocks)
}

fn limits(report: &Report) -> Option<Section> {
    let mut blocks = Vec::new();
    for (title, items) in
        [("Missed", &report.missed), ("Neither met nor missed", &report.unproven), ("Not tested", &report.untested)]
    {
        if !items.is_empty() {
            blocks.push(Block::Heading(title.to_owned()));
            blocks.push(Block::Items(items.clone()));
        }
    }
    (!blocks.is_empty()).then(|| section("limits", "Which limits are not met?", blocks))
}

fn pictures(record: &Record) -> Section {
    let found = picture::pictures(record);
    let mut blocks: Vec<Block> = found.drawn.into_iter().map(|picture| Block::Picture(Box::new(picture))).collect();
    if !found.missing.is_empty() {
        blocks.push(Block::Heading("Not drawn".to_owned()));
        blocks.push(Block::Points(found.missing));
    }
    section("pictures", "What does it look like?", blocks)
}

fn checks(report: &Report) -> Section {
    let head = ["check", "figures", "verdict"].map(str::to_owned).to_vec();
    let rows =
        report.checks.iter().map(|check| vec![check.name.clone(), check.text.clone(), check.mark.word().to_owned()]).collect();
    let tones = report.checks.iter().map(|check| match check.mark {
        model::Mark::Judged(verdict) => Tone::of(verdict),
        model::Mark::NoLimit => Tone::Plain,
    });
    section("checks", "What was examined?", vec![Block::Table(Table { head, rows }, Some(tones.collect()))])
}

fn readings(record: &Record) -> Section {
    let head = ["reading", "taken on", "value", "interval", "samples"].map(str::to_owned).to_vec();
    let all = record.checks.iter().flat_map(|check| &check.outcome.readings);
    let rows: Vec<Vec<String>> = all
        .map(|reading| {
            let samples = words::grouped(reading.samples as f64);
            vec![reading.name.clone(), words::selector(reading), words::of(reading), interval(reading), samples]
        })
        .collect();
    let block = match rows.is_empty() {
        true => Block::Text("None were taken.".to_owned()),
        false => Block::Table(Table { head, rows }, None),
    };
    section("readings", "All readings", vec![block])
}

fn interval(reading: &Reading) -> String {
    let figure = |value| words::figure(&reading.name, reading.unit, value);
    match (reading.low, reading.high) {
        (Some(low), Some(high)) if low == high => "exact".to_owned(),
        (Some(low), Some(high)) => format!("{} to {}", figure(low), figure(high)),
        (Some(low), None) => format!("{} or more", figure(low)),
        (None, Some(high)) => format!("{} or less", figure(high)),
        (None, None) => "no bounds".to_owned(),
    }
}

fn identity(record: &Record, digest: Option<&str>) -> Vec<(String, String)> {
    let mut facts = vec![pair("Record", record.id.to_string()), pair("Document type", record.schema.clone())];
    facts.extend(digest.map(|digest| pair("Digest of its file", digest)));
    if let Some(profile) = &record.profile {
        facts.push(pair("Tier judged against", format!("{}, {}", profile.name, profile.digest)));
    }
    if let Some(capture) = &record.capture {
        facts.push(pair(
            "Capture",
            format!("{}, {} frames, {}", capture.file, words::grouped(capture.frames as f64), capture.digest),
        ));
    }
    let consent = record.consent.as_ref().map(|consent| {
        let word = if consent.load_agreed { "agreed" } else { "not agreed" };
        pair("Filling the line", format!("{word} ({})", consent.how))
    });
    facts.extend(consent);
    facts.push(pair(
        "Measured by",
        format!("doorstep {} on {}, kernel {}", record.agent.version, record.agent.host, record.agent.kernel),
    ));
    facts
}
