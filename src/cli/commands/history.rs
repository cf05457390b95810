//! `history`: visits kept over years, what they show, and the same for other programs.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::history::{FormatArg, HistoryAction, HistoryArgs, KeepArgs, LineArgs, ShowArgs};
use super::super::output;
use super::{pages, push};
use crate::history::entry::Entry;
use crate::history::export::{self, Rows};
use crate::history::store::{Added, Care, HistoryError, Policy, Store};
use crate::history::summary::{Terms, detail, summarise};
use crate::history::{Figure, Line, Span};
use crate::record::{Record, store};
use crate::report::repeats;
use crate::unit::Position;

/// Visits that are handed to a table's writer at a time.
const BATCH: usize = 500;

/// Runs `history`.
pub(in crate::cli) fn run(args: &HistoryArgs) -> Result<Exit, Failure> {
    let path = match &args.history {
        Some(path) => path.clone(),
        None => beside_records()?,
    };
    match &args.action {
        HistoryAction::Add { records } => add(&path, records),
        HistoryAction::Keep(args) => keep(&path, args),
        HistoryAction::Show(args) => show(&path, args),
        HistoryAction::Export { line, format, output } => export_to(&open(&path)?, line, *format, output.as_deref()),
        HistoryAction::Metrics { otlp: Some(url), since, .. } => {
            push::run(url, &rows_since(&open(&path)?, *since).map_err(told)?)
        }
        HistoryAction::Metrics { listen: None, .. } => {
            output::result(&metrics(&open(&path)?).map_err(told)?)?;
            Ok(Exit::Pass)
        }
        HistoryAction::Metrics { listen: Some(address), .. } => {
            super::scrape::run(*address, move || metrics(&Store::open_existing(&path, Care::OnTheWay)?))
        }
        HistoryAction::Backup { target } => {
            open(&path)?.backup(target).map_err(told)?;
            output::note(&format!("copied to {}", target.display()));
            Ok(Exit::Pass)
        }
        HistoryAction::Check { head, json } => check(&open(&path)?, head.as_deref(), *json),
    }
}

fn show(path: &Path, args: &ShowArgs) -> Result<Exit, Failure> {
    let as_pages = pages::are_wanted(&args.pages)?;
    let zone = match &args.time_zone {
        Some(name) => TimeZone::get(name).map_err(|error| Failure::usage(format_args!("no time zone {name}: {error}")))?,
        None => TimeZone::system(),
    };
    let mut store = open(path)?;
    // Without room days stay unpacked: slower to read, and nothing is dropped for a look.
    match store.pack() {
        Ok(_) | Err(HistoryError::Full(_)) => {}
        Err(error) => return Err(told(error)),
    }
    let line = chosen(&store, &args.line)?;
    let last = store.extent(&line).map_err(told)?.map(|extent| extent.to);
    let span = ending(args.until.or(last), args.until.is_none(), args.days)?;
    let terms = Terms { span, zone, busy: args.busy, quiet: args.quiet };
    let summary = summarise(&store, &line, &terms).map_err(told)?;
    if as_pages {
        if summary.visits == 0 {
            return Err(Failure::usage("no visit of the line lies in these days; name others with --days and --until"));
        }
        let figures: Vec<Figure> = repeats::tracks(&summary).into_iter().map(|figure| figure.figure.clone()).collect();
        let detail = detail(&store, &line, &terms, &figures).map_err(told)?;
        pages::write(&args.pages, &repeats::page(&summary, &detail), path, "history")?;
        return Ok(Exit::Pass);
    }
    let text = if args.json { crate::report::json(&summary) } else { crate::report::history(&summary, output::may_colour()) };
    output::result(&text)?;
    Ok(Exit::Pass)
}

fn told(error: HistoryError) -> Failure {
    match error {
        HistoryError::Missing(_) | HistoryError::NotOurs(_) | HistoryError::Newer { .. } | HistoryError::Exists(_) => {
            Failure::usage(error)
        }
        _ => Failure::could_not_run(error),
    }
}

fn open(path: &Path) -> Result<Store, Failure> {
    Store::open_existing(path, Care::OnTheWay).map_err(told)
}

fn beside_records() -> Result<PathBuf, Failure> {
    Ok(store::state_directory().map_err(Failure::could_not_run)?.join("history.sqlite"))
}

/// Adds a visit that was just made to this user's history. What stands in the way is told and costs nothing else: the record is on disk.
pub(super) fn remember(record: &Record) {
    let added = beside_records().and_then(|path| {
        let mut history = Store::open(&path, Care::OnTheWay).map_err(told)?;
        let policy = history.policy().map_err(told)?;
        history.add(&Entry::of(record), &policy).map_err(told)
    });
    match added {
        Ok(Added::New { dropped, .. }) => {
            for what in dropped {
                output::note(&format!("room ran out; dropped: {what}"));
            }
        }
        Ok(Added::Known) => {}
        Err(failure) => output::note(&format!("not in the history: {}; `doorstep history add` adds it later", failure.message)),
    }
}

fn add(path: &Path, records: &[PathBuf]) -> Result<Exit, Failure> {
    let all;
    let records = if records.is_empty() {
        all = kept_records()?;
        &all
    } else {
        records
    };
    let mut history = begun(path)?;
    let policy = history.policy().map_err(told)?;
    let (mut new, mut known, mut unread, mut last) = (0, 0, 0, None);
    for path in records {
        let record = match store::read(path) {
            Ok(record) => record,
            Err(error) => {
                output::note(&format!("doorstep: {error}"));
                unread += 1;
                continue;
            }
        };
        match history.add(&Entry::of(&record), &policy).map_err(told)? {
            Added::Known => known += 1,
            Added::New { head, dropped } => {
                new += 1;
                last = Some(head);
                for what in dropped {
                    output::note(&format!("room ran out; dropped: {what}"));
                }
            }
        }
    }
    let head = last.map(|head| format!("; head of the chain {head}")).unwrap_or_default();
    output::result(&format!("{new} added, {known} known already, {unread} not read{head}"))?;
    Ok(if unread > 0 { Exit::Usage } else { Exit::Pass })
}

/// Opens the history, and makes it where there is none.
fn begun(path: &Path) -> Result<Store, Failure> {
    if let Some(directory) = path.parent().filter(|directory| !directory.as_os_str().is_empty()) {
        store::try_directory(directory).map_err(Failure::could_not_run)?;
    }
    Store::open(path, Care::Whole).map_err(told)
}

fn keep(path: &Path, args: &KeepArgs) -> Result<Exit, Failure> {
    let mut history = begun(path)?;
    let held = history.policy().map_err(told)?;
    let policy = Policy {
        keep_documents: args.records.unwrap_or(held.keep_documents),
        most_octets: args.max_size.unwrap_or(held.most_octets),
        raw_days: args.raw.map_or(held.raw_days, |days| days.0),
    };
    if policy != held {
        history.keep(&policy).map_err(told)?;
    }
    let raw = policy.raw_days.map_or_else(|| "as long as there is room".to_owned(), |days| format!("{days} days"));
    let records = if policy.keep_documents { "kept" } else { "not kept" };
    let size = match policy.most_octets {
        0 => "as large as its disk lets it".to_owned(),
        octets => crate::plan::budget::megabytes(octets),
    };
    output::result(&format!("raw material of single visits: {raw}; whole records: {records}; file at most: {size}"))?;
    Ok(Exit::Pass)
}

fn kept_records() -> Result<Vec<PathBuf>, Failure> {
    let directory = store::default_directory().map_err(Failure::could_not_run)?;
    let entries = std::fs::read_dir(&directory)
        .map_err(|error| Failure::usage(format_args!("no records in {}: {error}; name some", directory.display())))?;
    let paths = entries.filter_map(Result::ok).map(|entry| entry.path());
    let mut records: Vec<PathBuf> = paths.filter(|path| path.extension().is_some_and(|extension| extension == "json")).collect();
    // Their names begin with their start: the order of time.
    records.sort();
    Ok(records)
}

/// The lines that fit what was typed.
fn fitting(store: &Store, args: &LineArgs) -> Result<Vec<Line>, Failure> {
    let position = args.position.map(|position| Position::from(position).to_string());
    let fits = |line: &Line| {
        args.circuit.as_ref().is_none_or(|circuit| *circuit == line.circuit)
            && position.as_ref().is_none_or(|position| *position == line.position)
    };
    let lines = store.lines().map_err(told)?;
    let fitting: Vec<Line> = lines.iter().filter(|line| fits(line)).cloned().collect();
    if fitting.is_empty() {
        return Err(Failure::usage(format_args!("no visit of such a line is in the history; it holds: {}", listed(&lines))));
    }
    Ok(fitting)
}

fn chosen(store: &Store, args: &LineArgs) -> Result<Line, Failure> {
    let mut fitting = fitting(store, args)?;
    if fitting.len() > 1 {
        let say = "the history holds several lines, say which by --circuit and --position";
        return Err(Failure::usage(format_args!("{say}: {}", listed(&fitting))));
    }
    Ok(fitting.remove(0))
}

fn listed(lines: &[Line]) -> String {
    const MOST: usize = 20;
    let named: Vec<String> = lines.iter().take(MOST).map(Line::to_string).collect();
    let more = if lines.len() > MOST { format!(" and {} more", lines.len() - MOST) } else { String::new() };
    if named.is_empty() { "none".to_owned() } else { format!("{}{more}", named.join(", ")) }
}

/// So many days up to a moment, which belongs to them when it is that of a visit.
fn ending(end: Option<jiff::Timestamp>, inclusive: bool, days: u32) -> Result<Span, Failure> {
    let end = end.ok_or_else(|| Failure::usage("the line has no visits"))?;
    let after = jiff::SignedDuration::from_millis(i64::from(inclusive));
    let span = end
        .checked_add(after)
        .and_then(|to| Ok(Span { from: to.checked_sub(jiff::SignedDuration::from_hours(24 * i64::from(days)))?, to }));
    span.map_err(|error| Failure::usage(format_args!("these days can't be counted: {error}")))
}

fn export_to(store: &Store, line: &LineArgs, format: FormatArg, target: Option<&Path>) -> Result<Exit, Failure> {
    let mut visits = Vec::new();
    for line in fitting(store, line)? {
        visits.extend(store.visits(&line, Span::ALL).map_err(told)?);
    }
    let rows = |visit: &crate::history::Visit| Ok(Rows { readings: store.readings(visit)?, visit: visit.clone() });
    let mut file = match target {
        Some(path) => Some(
            std::fs::File::create_new(path)
                .map_err(|error| Failure::could_not_run(format_args!("making {}: {error}", path.display())))?,
        ),
        None => None,
    };
    if format == FormatArg::Parquet {
        let Some(file) = file else { return Err(Failure::usage("Parquet needs a file: add --output FILE")) };
        let batches = visits
            .chunks(BATCH)
            .map(|batch| batch.iter().map(rows).collect::<Result<Vec<Rows>, HistoryError>>().map_err(|error| error.to_string()));
        export::parquet(file, batches).map_err(Failure::could_not_run)?;
        return Ok(Exit::Pass);
    }
    let mut put = |text: &str| match &mut file {
        Some(file) => file.write_all(text.as_bytes()),
        None => output::piece(text),
    };
    if format == FormatArg::Csv {
        put(&export::csv_head())?;
    }
    for visit in &visits {
        let rows = rows(visit).map_err(told)?;
        put(&if format == FormatArg::Csv { export::csv(&rows) } else { export::json_lines(&rows) })?;
    }
    Ok(Exit::Pass)
}

fn metrics(store: &Store) -> Result<String, HistoryError> {
    Ok(export::exposition(&rows_since(store, None)?))
}

/// The visits of all lines since a moment; without one the last visit of each.
fn rows_since(store: &Store, since: Option<jiff::Timestamp>) -> Result<Vec<Rows>, HistoryError> {
    let visits = match since {
        None => store.last_visits()?,
        Some(from) => {
            let span = Span { from, to: Span::ALL.to };
            let lines = store.lines()?.into_iter().map(|line| store.visits(&line, span));
            lines.collect::<Result<Vec<_>, HistoryError>>()?.concat()
        }
    };
    visits.into_iter().map(|visit| Ok(Rows { readings: store.readings(&visit)?, visit })).collect()
}

fn check(store: &Store, head: Option<&str>, json: bool) -> Result<Exit, Failure> {
    let found = store.check(head).map_err(told)?;
    let text = if json {
        crate::report::json(&found)
    } else {
        let mut text = format!(
            "{} visits, {} without their single readings; head of the chain {}\n",
            found.visits, found.without_readings, found.head
        );
        if found.breaks.is_empty() {
            text.push_str("the file is sound, no visit is missing or altered\n");
            if head.is_none() {
                text.push_str("visits cut off at the end show only against a head noted before: history check --head DIGEST\n");
            }
        }
        for broken in &found.breaks {
            text.extend(["broken: ", &broken.to_string(), "\n"]);
        }
        text
    };
    output::result(&text)?;
    Ok(if found.breaks.is_empty() { Exit::Pass } else { Exit::Fail })
}
