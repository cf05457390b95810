//! What a year of visits every five minutes costs: its size, an insert, a week's and a year's summary. Figures, no verdicts.
//!
//! `cargo bench --bench history` makes 105,120 invented visits (`tests/common/repeats.rs`); `-- 5000` fewer. Needs no rights.

#[path = "../common/repeats.rs"]
mod repeats;

use std::io::Write;
use std::time::{Duration, Instant};

use doorstep::history::entry::Entry;
use doorstep::history::store::{Care, Policy, Store};
use doorstep::history::summary::{HOURS, Terms, summarise};
use doorstep::history::{Line, Span};
use repeats::{BEGIN_MS, INTERVAL_MS, Repeats};

const YEAR: usize = 105_120;
const TURNS: usize = 5;

fn say(text: &str) {
    writeln!(std::io::stdout(), "{text}").expect("stdout");
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

fn quantile(times: &mut [Duration], q: f64) -> f64 {
    times.sort();
    ms(times[((times.len() as f64 * q).ceil() as usize).clamp(1, times.len()) - 1])
}

/// Medians of turns of summaries of the last days.
fn summary(store: &Store, line: &Line, visits: usize, days: i64) -> f64 {
    let to = BEGIN_MS + visits as i64 * INTERVAL_MS;
    let moment = |ms| jiff::Timestamp::from_millisecond(ms).expect("in range");
    let [busy, quiet] = HOURS;
    let span = Span { from: moment(to - days * 86_400_000), to: moment(to) };
    let terms = Terms { span, zone: jiff::tz::TimeZone::UTC, busy, quiet };
    let mut times: Vec<Duration> = (0..TURNS)
        .map(|_| {
            let begin = Instant::now();
            let summary = summarise(store, line, &terms).expect("a summary");
            assert!(summary.visits > 0);
            begin.elapsed()
        })
        .collect();
    quantile(&mut times, 0.5)
}

fn main() {
    let visits = std::env::args().filter_map(|arg| arg.parse().ok()).next().unwrap_or(YEAR);
    let folder = std::env::temp_dir().join(format!("doorstep-bench-{}", std::process::id()));
    std::fs::create_dir(&folder).expect("a folder");
    let path = folder.join("history.sqlite");
    let mut store = Store::open(&path, Care::Whole).expect("a history");
    let policy = Policy { most_octets: 0, ..Policy::default() };
    let mut repeats = Repeats::new(7, visits);
    let (mut inserts, mut packing, mut back) = (Vec::with_capacity(visits), Vec::new(), Vec::with_capacity(visits));
    // The log is written back into the file by the insert that finds it long: the file has another time of change then.
    let changed = || std::fs::metadata(&path).and_then(|file| file.modified()).expect("a file");
    let (mut figures, mut sketches, mut sketch_octets) = (0, 0, 0);
    for n in 0..visits {
        let entry = Entry::of(&repeats.visit(n));
        figures += entry.readings.len();
        sketches += entry.sketches.len();
        sketch_octets += entry.sketches.iter().map(|(_, sketch)| sketch.to_octets().len()).sum::<usize>();
        let before = changed();
        let begin = Instant::now();
        store.add(&entry, &policy).expect("added");
        inserts.push(begin.elapsed());
        back.push(changed() != before);
        if n % 288 == 287 {
            let begin = Instant::now();
            store.pack().expect("packed");
            packing.push(begin.elapsed());
        }
    }
    say(&format!(
        "{visits} visits, {} figures and {} sketches each, {} octets a sketch",
        figures / visits,
        sketches / visits,
        sketch_octets / sketches
    ));
    let late = inserts.len() / 10;
    let tail = inserts.len() - late.max(1);
    let mut last = inserts.split_off(tail);
    let (mut writing, mut plain): (Vec<_>, Vec<_>) = last.iter().zip(&back[tail..]).partition(|(_, back)| **back);
    let [writing, plain] = [&mut writing, &mut plain].map(|of| of.iter().map(|(time, _)| **time).collect::<Vec<Duration>>());
    for (name, mut times) in [("that write the log back", writing), ("that do not", plain)] {
        if !times.is_empty() {
            let [middle, most] = [0.5, 0.99].map(|q| quantile(&mut times, q));
            say(&format!("inserts {name}: {} of {}, median {middle:.2} ms, 99 % {most:.2} ms", times.len(), last.len()));
        }
    }
    say(&format!(
        "insert, last tenth: median {:.2} ms, 99 % {:.2} ms, most {:.2} ms",
        quantile(&mut last, 0.5),
        quantile(&mut last, 0.99),
        quantile(&mut last, 1.0)
    ));
    say(&format!("packing a day: median {:.1} ms, most {:.1} ms", quantile(&mut packing, 0.5), quantile(&mut packing, 1.0)));
    let line = store.lines().expect("lines").remove(0);
    for days in [7, 365] {
        say(&format!("summary of {days} days: median {:.0} ms of {TURNS}", summary(&store, &line, visits, days)));
    }
    drop(store);
    say(&format!("size: {:.0} MB", std::fs::metadata(&path).expect("a file").len() as f64 / 1e6));
    let begin = Instant::now();
    let store = Store::open_existing(&path, Care::Whole).expect("sound");
    say(&format!("opening with the check of its structure: {:.0} ms", ms(begin.elapsed())));
    let begin = Instant::now();
    assert!(store.check(None).expect("checked").breaks.is_empty());
    say(&format!("checking every entry of the chain: {:.1} s", begin.elapsed().as_secs_f64()));
    std::fs::remove_dir_all(&folder).expect("removed");
}
