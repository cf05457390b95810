//! Every practice fault at every extent, pairs of faults, and healthy lines: what the agent says of them. The tables of docs/isolation.md.
//!
//! `cargo bench --bench isolation -- --minutes 60` (as root). Options behind the `--`:
//!
//!     --minutes N   end after so many minutes, with the tables of what there is (default 120)
//!     --seed N      first seed (default 1): a visit's line draws from it and from its turn
//!     --turns N     visits of each faulty line (default 1)
//!     --healthy N   visits of the healthy line (default 100)
//!     --only WORD   cases whose name holds the word
//!     --short       the heavy faults and five healthy lines
//!     --fresh       forget results that a run before left
//!     --list        print the cases in their order, and make none
//!
//! One line a visit is printed as it ends, and kept in target/isolation.jsonl: a run that was ended goes on where it stopped, as long as
//! the program is the same. One visit at a time, for two would disturb each other; all traffic stays in namespaces that the visits make.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use doorstep::metric::loss_interval::clopper_pearson;
use doorstep::practice::{Extent, Fault};
use serde_json::Value;

#[path = "../common/faulty.rs"]
mod faulty;
#[path = "../common/run.rs"]
mod run;

use faulty::{Case, Told, names};

fn say(text: &str) {
    let mut out = std::io::stdout();
    // Nobody may be reading any more; results are kept all the same.
    let _ = writeln!(out, "{text}").and_then(|()| out.flush());
}

/// Two at once, of different segments or kinds.
const PAIRS: [[Fault; 2]; 6] = [
    [Fault::SlowLine, Fault::OneResolverDead],
    [Fault::LongDelay, Fault::DnsLying],
    [Fault::RogueDhcp, Fault::SmallMtu],
    [Fault::DeepBuffer, Fault::DoubleNat],
    [Fault::HomeLoss, Fault::NoPrefix],
    [Fault::AccessLoss, Fault::OneResolverDead],
];

#[derive(Debug)]
struct Wanted {
    minutes: u64,
    seed: u64,
    turns: u64,
    healthy: u64,
    only: Option<String>,
    short: bool,
    fresh: bool,
    list: bool,
}

impl Wanted {
    fn read() -> Result<Self, String> {
        let (minutes, seed, turns, healthy) = (120, 1, 1, 100);
        let mut wanted = Self { minutes, seed, turns, healthy, only: None, short: false, fresh: false, list: false };
        let mut words = std::env::args().skip(1);
        while let Some(word) = words.next() {
            let mut value = || words.next().ok_or_else(|| format!("{word} wants a value"));
            let number = |text: String| text.parse::<u64>().map_err(|_| format!("`{text}` is no number"));
            match word.as_str() {
                "--minutes" => wanted.minutes = number(value()?)?,
                "--seed" => wanted.seed = number(value()?)?,
                "--turns" => wanted.turns = number(value()?)?,
                "--healthy" => wanted.healthy = number(value()?)?,
                "--only" => wanted.only = Some(value()?),
                "--short" => wanted.short = true,
                "--fresh" => wanted.fresh = true,
                "--list" => wanted.list = true,
                // What cargo hands to every bench.
                "--bench" => {}
                _ => return Err(format!("`{word}` is not known; see the head of tests/bench/isolation.rs")),
            }
        }
        Ok(wanted)
    }

    /// The cases with their seeds. Every fault comes once before any comes at a second extent; healthy lines lie in between, so that
    /// a run that is ended early has both.
    fn cases(&self) -> Vec<(Case, u64)> {
        let known: Vec<Fault> = Fault::ALL.into_iter().filter(|fault| names(*fault).is_some()).collect();
        let at = |extent: Extent| {
            let having = known.iter().filter(move |fault| fault.extents().contains(&extent));
            having.map(move |fault| Case::of(&[(*fault, extent)])).collect::<Vec<_>>()
        };
        let pairs = PAIRS.map(|pair| Case::of(&pair.map(|fault| (fault, Extent::Heavy))));
        let mut faulty: Vec<(Case, u64)> = Vec::new();
        for turn in 0..self.turns {
            let mut round = at(Extent::Heavy);
            if !self.short {
                round.extend(pairs.clone());
                round.extend([Extent::Slight, Extent::Clear].into_iter().flat_map(at));
            }
            faulty.extend(round.into_iter().map(|case| (case, self.seed + turn)));
        }
        let healthy = if self.short { self.healthy.min(5) } else { self.healthy };
        let mut sound = (0..healthy).map(|turn| (Case::HEALTHY, self.seed + turn)).peekable();
        let every = (faulty.len() as u64 / healthy.max(1)).max(1) as usize;
        let mut all = Vec::new();
        for (i, case) in faulty.into_iter().enumerate() {
            all.push(case);
            if (i + 1) % every == 0 {
                all.extend(sound.next());
            }
        }
        all.extend(sound);
        all.retain(|(case, _)| self.only.as_ref().is_none_or(|word| case.name().contains(word.as_str())));
        all
    }
}

/// Results of visits so far, on disk.
struct Kept {
    path: PathBuf,
    program: String,
    results: Vec<Value>,
}

impl Kept {
    fn open(path: PathBuf, fresh: bool) -> std::io::Result<Self> {
        // FNV-1a: results of another program are another program's.
        let octets = std::fs::read(run::PROGRAM)?;
        let hash = octets.iter().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3));
        let program = format!("{hash:016x}");
        if fresh && path.exists() {
            std::fs::remove_file(&path)?;
        }
        let text = if path.exists() { std::fs::read_to_string(&path)? } else { String::new() };
        // A line that was cut off is a visit that was not kept.
        let lines = text.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
        let results = lines.filter(|line| line["program"] == program.as_str()).collect();
        Ok(Self { path, program, results })
    }

    fn has(&self, case: &str, seed: u64) -> bool {
        self.results.iter().any(|line| line["case"] == case && line["seed"] == seed)
    }

    fn keep(&mut self, mut result: Value) -> std::io::Result<()> {
        result["program"] = self.program.clone().into();
        let mut file = std::fs::OpenOptions::new().create(true).append(true).open(&self.path)?;
        writeln!(file, "{result}")?;
        self.results.push(result);
        Ok(())
    }
}

fn text<'a>(line: &'a Value, key: &str) -> &'a str {
    line[key].as_str().unwrap_or_default()
}

/// A share with its interval of 95 %, in words.
fn share(of: usize, all: usize) -> String {
    let interval = clopper_pearson(of as u64, all as u64, 0.95);
    let percent = |share: Option<f64>| share.map_or_else(|| "open".to_owned(), |share| format!("{:.1}", share * 100.0));
    let value = (all > 0).then(|| of as f64 / all as f64);
    format!("{of} of {all}: {} % (95 % interval {} to {} %)", percent(value), percent(interval.low), percent(interval.high))
}

/// Segment by segment, case by case, and the shares that are asked for.
fn tables(wanted: &[(Case, u64)], results: &[Value]) {
    let is_wanted =
        |line: &&Value| wanted.iter().any(|(case, seed)| line["case"] == case.name().as_str() && line["seed"] == *seed);
    let results: Vec<&Value> = results.iter().filter(is_wanted).collect();
    let truth = |line: &Value| {
        let case = wanted.iter().find(|(case, _)| line["case"] == case.name().as_str());
        case.and_then(|(case, _)| case.faults.first()).map_or_else(|| "none".to_owned(), |(fault, _)| fault.segment().to_string())
    };
    let faulty: Vec<&Value> = results.iter().copied().filter(|line| line["case"] != "healthy").collect();
    let healthy: Vec<&Value> = results.iter().copied().filter(|line| line["case"] == "healthy").collect();
    let single: Vec<&Value> = faulty.iter().copied().filter(|line| !text(line, "case").contains('+')).collect();
    let pairs = faulty.iter().copied().filter(|line| text(line, "case").contains('+'));

    const SAID: [&str; 7] = ["test-set", "home", "access", "network", "far-end", "none-found", "not-sure"];
    say(&format!("\n| true segment | {} |\n|---|{}", SAID.join(" | "), "---|".repeat(SAID.len())));
    for segment in ["home", "access", "network", "far-end", "none"] {
        let of: Vec<&&Value> = single.iter().chain(&healthy).filter(|line| truth(line) == segment).collect();
        let said = |word: &str| of.iter().filter(|l| text(l, "segment") == word || text(l, "fault") == word).count().to_string();
        if !of.is_empty() {
            say(&format!("| {segment} | {} |", SAID.map(said).join(" | ")));
        }
    }
    say(&format!(
        "\n| line | depth | visits | {} | what was said |\n|---|---|---|{}---|",
        Told::ALL.map(Told::word).join(" | "),
        "---|".repeat(Told::ALL.len())
    ));
    let mut by_case: BTreeMap<String, Vec<&Value>> = BTreeMap::new();
    for line in &results {
        by_case.entry(text(line, "case").to_owned()).or_default().push(line);
    }
    for (name, lines) in &by_case {
        let told = |told: Told| lines.iter().filter(|line| line["told"] == told.word()).count().to_string();
        let mut said: BTreeMap<String, usize> = BTreeMap::new();
        for line in lines {
            let also = line["also"].as_array().into_iter().flatten().filter_map(Value::as_str);
            let faults: Vec<&str> = [text(line, "fault")].into_iter().chain(also).collect();
            *said.entry(faults.join(" + ")).or_default() += 1;
        }
        let said: Vec<String> = said.iter().map(|(what, n)| format!("{what} {n}")).collect();
        let depth = text(lines[0], "depth");
        say(&format!("| {name} | {depth} | {} | {} | {} |", lines.len(), Told::ALL.map(told).join(" | "), said.join(", ")));
    }
    let told = |lines: &[&Value], wanted: &[Told]| {
        lines.iter().filter(|line| wanted.iter().any(|told| line["told"] == told.word())).count()
    };
    let sure: Vec<&Value> = single.iter().copied().filter(|line| line["told"] != Told::NotSure.word()).collect();
    say(&format!("\nright segment, of those that were sure: {}", share(told(&sure, &[Told::Fault, Told::Segment]), sure.len())));
    say(&format!("right fault first, of those that were sure: {}", share(told(&sure, &[Told::Fault]), sure.len())));
    say(&format!("not sure: {}", share(single.len() - sure.len(), single.len())));
    let pairs: Vec<&Value> = pairs.collect();
    say(&format!("pairs with both faults named: {}", share(told(&pairs, &[Told::Fault]), pairs.len())));
    let verdict = |word: &str| healthy.iter().filter(|line| line["verdict"] == word).count();
    say(&format!("healthy lines that failed: {}", share(verdict("fail"), healthy.len())));
    say(&format!(
        "healthy lines passed {}, not proven {}; blamed on a fault {}",
        verdict("pass"),
        verdict("not-proven"),
        told(&healthy, &[Told::Wrong])
    ));
}

fn main() {
    let wanted = Wanted::read().unwrap_or_else(|what| panic!("{what}"));
    let cases = wanted.cases();
    for fault in Fault::ALL.into_iter().filter(|fault| names(*fault).is_none()) {
        say(&format!("left out, for nobody wrote down in tests/common/faulty.rs what it is: {fault}"));
    }
    if wanted.list {
        cases.iter().for_each(|(case, seed)| say(&format!("{} at {} depth, seed {seed}", case.name(), case.depth())));
        return;
    }
    let target = Path::new(env!("CARGO_MANIFEST_DIR")).join("target");
    std::fs::create_dir_all(&target).expect("the folder target");
    let mut kept = Kept::open(target.join("isolation.jsonl"), wanted.fresh).expect("the file of results");
    let folder = tempfile::tempdir().expect("a folder");
    let (begun, limit) = (Instant::now(), Duration::from_secs(wanted.minutes * 60));
    let mut broken = 0_usize;
    for (i, (case, seed)) in cases.iter().enumerate() {
        let name = case.name();
        if kept.has(&name, *seed) {
            continue;
        }
        // The longest visit takes about so much.
        if begun.elapsed() + Duration::from_secs(75) > limit {
            say(&format!("the time is up: {} of {} lines looked at, the same command goes on here", i, cases.len()));
            break;
        }
        let started = Instant::now();
        // A visit that hangs is ended by a panic, and is one that could not be made.
        let visited = std::panic::catch_unwind(|| case.visit(*seed, &folder.path().join("visit.json")));
        match visited.unwrap_or_else(|_| Err("the visit did not end".to_owned())) {
            Ok(record) => {
                let mut result = case.result(*seed, &record);
                result["took_s"] = started.elapsed().as_secs_f64().into();
                let also: Vec<&str> = result["also"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
                say(&format!(
                    "{:>4}/{} {name} seed {seed}: {}, {} ({:.2}){} [{}] {:.0} s",
                    i + 1,
                    cases.len(),
                    text(&result, "verdict"),
                    text(&result, "fault"),
                    result["confidence"].as_f64().unwrap_or(0.0),
                    if also.is_empty() { String::new() } else { format!(" + {}", also.join(" + ")) },
                    text(&result, "told"),
                    started.elapsed().as_secs_f64(),
                ));
                kept.keep(result).expect("the file of results takes a line");
            }
            // One visit that could not be made ends no run.
            Err(why) => {
                broken += 1;
                say(&format!("{:>4}/{} {name} seed {seed}: {why}", i + 1, cases.len()));
                assert!(broken < 5, "five visits could not be made: something is wrong with the machine, not with the lines");
            }
        }
    }
    tables(&cases, &kept.results);
}
