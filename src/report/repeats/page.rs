//! The page of a history: every section in the order of the reader's questions.

use super::super::page::{Block, Page, Section, Tone, pair, section};
use super::super::picture::Table;
use super::words::{self as said, Moments};
use super::{chosen, picture, statement};
use crate::history::summary::{Change, Detail, FigureSummary, Finding, Outage, Summary, Track};
use crate::reading::words;

/// Outages that the table lists; the rest is counted.
const MOST_OUTAGES: usize = 60;

/// The page of a summary and what is beside it.
pub fn page(summary: &Summary, detail: &Detail) -> Page {
    let moments = Moments::of(summary);
    let line = if summary.line.circuit.is_empty() { "a line without a circuit number" } else { &summary.line.circuit };
    let mut sections = vec![visits(summary, detail), outages(summary, &moments)];
    if let Some(stated) = &summary.stated {
        sections.push(section("stated", &statement::heading(stated), vec![Block::Points(statement::points(stated))]));
    }
    sections.push(hours(summary, detail));
    sections.push(changes(summary, detail, &moments));
    sections.push(figures(summary));
    sections.extend(delays(summary));
    if !summary.related.is_empty() {
        let related = summary.related.iter().map(said::related).collect();
        sections.push(section("related", "What moves with the figures of the line's page?", vec![Block::Points(related)]));
    }
    let cautions = said::cautions(summary).to_vec();
    sections.push(section("cautions", "To bear in mind", vec![Block::Points(cautions)]));
    let place = format!("{line}, at the {}", summary.line.position);
    let span = moments.span(summary.span);
    Page {
        title: format!("{}: {line}, {} to {}", passed(summary), detail.days[0], detail.days[1]),
        word: passed(summary),
        tone: Tone::Plain,
        headline: headline(summary),
        incomplete: None,
        facts: vec![
            pair("Line", place.clone()),
            pair("Span", span.clone()),
            pair("Visits", words::grouped(summary.visits as f64)),
        ],
        sections,
        footer: format!("doorstep history of {place}; {span}"),
        id: format!("{place}; {} to {}", summary.span.from, summary.span.to),
        made: summary.span.to,
    }
}

/// The share of visits that passed, never rounded up to all or down to none.
fn passed(summary: &Summary) -> String {
    let (pass, all) = (summary.verdicts.pass, summary.verdicts.all());
    match 100.0 * pass as f64 / all.max(1) as f64 {
        _ if all == 0 => "NO VISIT".to_owned(),
        _ if pass == all => "ALL PASS".to_owned(),
        _ if pass == 0 => "NONE PASS".to_owned(),
        share if share > 99.0 => format!("{:.1} % PASS", (share * 10.0).floor() / 10.0),
        share if share < 1.0 => "UNDER 1 % PASS".to_owned(),
        share => format!("{share:.0} % PASS"),
    }
}

fn headline(summary: &Summary) -> String {
    let count = |count: u64| words::grouped(count as f64);
    let verdicts = summary.verdicts;
    let outages = match summary.outages.as_slice() {
        [] => "No outage was seen.".to_owned(),
        [only] => format!("One outage was seen, of at least {}.", said::lasting(only.at_least_s)),
        all => {
            let longest = all.iter().map(|outage| outage.at_least_s).fold(0.0, f64::max);
            format!("{} outages were seen, the longest of at least {}.", count(all.len() as u64), said::lasting(longest))
        }
    };
    format!(
        "{} visits: {} passed, {} failed, {} not proven. {outages}",
        count(verdicts.all()),
        count(verdicts.pass),
        count(verdicts.fail),
        count(verdicts.not_proven)
    )
}

fn visits(summary: &Summary, detail: &Detail) -> Section {
    let mut blocks: Vec<Block> = picture::verdicts(summary, detail).map(|it| Block::Picture(Box::new(it))).into_iter().collect();
    if !summary.faults.is_empty() {
        blocks.push(Block::Heading("What the visits that failed point at".to_owned()));
        let fault = |(fault, count): &(String, u64)| format!("{fault}: {}", words::grouped(*count as f64));
        blocks.push(Block::Points(summary.faults.iter().map(fault).collect()));
    }
    section("visits", "How did the visits end?", blocks)
}

fn outages(summary: &Summary, moments: &Moments) -> Section {
    let mut blocks = vec![Block::Text(format!("Packets were carried {}.", said::availability(summary)))];
    if summary.outages.is_empty() {
        blocks.push(Block::Text("No visit found it down.".to_owned()));
        return section("outages", "When did the line carry nothing?", blocks);
    }
    blocks.push(Block::Text(
        "An outage lasts from the first visit that found the line down to the end of the last one at least, and from the visit before to the visit after at most: between visits nobody looked."
            .to_owned(),
    ));
    let head = ["seen down from", "to", "lasted at least", "at most", "visits"].map(str::to_owned).to_vec();
    let row = |outage: &Outage| {
        let end = outage.up_after.map_or_else(|| "still down at the end".to_owned(), |_| moments.at(outage.end));
        let most = outage.at_most_s.map_or_else(|| "not known".to_owned(), said::lasting);
        vec![moments.at(outage.start), end, said::lasting(outage.at_least_s), most, words::grouped(outage.visits as f64)]
    };
    blocks.push(Block::Table(Table { head, rows: summary.outages.iter().take(MOST_OUTAGES).map(row).collect() }, None));
    let rest = summary.outages.len().saturating_sub(MOST_OUTAGES);
    if rest > 0 {
        blocks.push(Block::Text(format!("And {} more; `history show --json` has all.", words::grouped(rest as f64))));
    }
    section("outages", "When did the line carry nothing?", blocks)
}

/// The track of a figure.
fn track<'a>(detail: &'a Detail, figure: &FigureSummary) -> Option<&'a Track> {
    detail.tracks.iter().find(|track| track.figure == figure.figure)
}

fn hours(summary: &Summary, detail: &Detail) -> Section {
    let [busy, quiet] = summary.hours.map(said::hours);
    let found = summary.figures.iter().filter_map(|figure| Some((said::finding(figure.pattern.finding)?, figure)));
    let points: Vec<String> =
        found.map(|(finding, figure)| format!("{}; {finding}", said::by_hours(figure, &busy, &quiet))).collect();
    let mut blocks = vec![match points.is_empty() {
        true if summary.figures.iter().all(|figure| figure.pattern.finding == Finding::TooFewDays) => Block::Text(format!(
            "Too few days have visits both from {busy} and from {quiet} to tell a pattern from chance; six can."
        )),
        true => Block::Text(format!("No figure differs beyond chance between {busy} and {quiet}.")),
        false => Block::Points(points),
    }];
    let mut even = Vec::new();
    for figure in chosen::fields(&chosen::tracks(summary)) {
        let drawn = track(detail, figure).and_then(|track| picture::field(figure, track, summary));
        match drawn {
            Some(drawn) => blocks.push(Block::Picture(Box::new(drawn))),
            None => even.push(format!("{}: every hour shows the same.", said::named(&figure.figure))),
        }
    }
    if !even.is_empty() {
        blocks.push(Block::Heading("Not drawn".to_owned()));
        blocks.push(Block::Points(even));
    }
    section("hours", "Which hours are bad?", blocks)
}

fn changes(summary: &Summary, detail: &Detail, moments: &Moments) -> Section {
    let all = summary.figures.iter().flat_map(|figure| figure.changes.iter().map(move |change| (figure, change)));
    let mut points: Vec<(jiff::Timestamp, String)> = Vec::new();
    let mut with_outages: Vec<(jiff::Timestamp, &str, Vec<String>)> = Vec::new();
    for (figure, change) in all {
        let Some((at, what)) = outage_at(summary, change) else {
            points.push((change.at, words::capital(&said::change(figure, change, moments))));
            continue;
        };
        let name = said::named(&figure.figure);
        match with_outages.iter_mut().find(|(moment, ..)| *moment == at) {
            Some((.., names)) => names.push(name),
            None => with_outages.push((at, what, vec![name])),
        }
    }
    points.extend(
        with_outages.into_iter().map(|(at, what, names)| (at, format!("{} at {}: {}", what, moments.at(at), names.join(", ")))),
    );
    points.sort_by_key(|(at, _)| *at);
    let mut blocks = vec![match points.is_empty() {
        true => Block::Text("No figure changed its level beyond chance.".to_owned()),
        false => Block::Points(points.into_iter().map(|(_, words)| words).collect()),
    }];
    for figure in chosen::tracks(summary) {
        blocks
            .extend(track(detail, figure).map(|track| Block::Picture(Box::new(picture::track(figure, track, summary, detail)))));
    }
    section("changes", "What changed, and when?", blocks)
}

/// The edge of an outage that a change lies at, within one visit; it is then no change of its own.
fn outage_at(summary: &Summary, change: &Change) -> Option<(jiff::Timestamp, &'static str)> {
    let visit = change.at.duration_since(change.after);
    let is_near = |at: &jiff::Timestamp| change.at.duration_since(*at).abs() <= visit;
    let down = summary.outages.iter().map(|outage| outage.start).find(is_near);
    let up = summary.outages.iter().filter_map(|outage| outage.up_after).find(is_near);
    down.map(|at| (at, "With the line that went down")).or_else(|| up.map(|at| (at, "With the line that came back")))
}

fn figures(summary: &Summary) -> Section {
    let head = ["figure", "median", "5 %", "95 %", "limit missed", "drift"].map(str::to_owned).to_vec();
    let row = |figure: &FigureSummary| {
        let [_, low, median, high, _] = figure.quantiles;
        let of = |value| said::value(figure, value);
        let missed = figure.missed.map_or_else(String::new, |(missed, judged)| format!("{missed} of {judged}"));
        let drift = said::drift(figure).unwrap_or_default();
        vec![said::named(&figure.figure), of(median), of(low), of(high), missed, drift]
    };
    let mut blocks = vec![Block::Table(Table { head, rows: summary.figures.iter().map(row).collect() }, None)];
    if !summary.still.is_empty() {
        blocks.push(Block::Heading("The same in every visit".to_owned()));
        let named =
            |(figure, value): &(crate::history::Figure, f64)| format!("{}: {}", said::named(figure), words::significant(*value));
        blocks.push(Block::Points(summary.still.iter().map(named).collect()));
    }
    section("figures", "All figures of the visits", blocks)
}

fn delays(summary: &Summary) -> Option<Section> {
    let head = ["delay", "50 %", "95 %", "99 %", "99.9 %", "samples", "lost"].map(str::to_owned).to_vec();
    let rows = summary.delays.iter().map(|delays| {
        let counts = [delays.samples + delays.lost, delays.lost].map(|count| words::grouped(count as f64));
        [said::named(&delays.figure)].into_iter().chain(said::quantiles(delays)).chain(counts).collect()
    });
    let table = Block::Table(Table { head, rows: rows.collect() }, None);
    (!summary.delays.is_empty()).then(|| section("delays", "Delays of all samples together", vec![table]))
}
