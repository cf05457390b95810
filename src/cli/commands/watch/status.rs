//! `watch status`: what a watch has done and when it goes on, from what it remembers.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use super::super::super::exit::Exit;
use super::super::super::failure::Failure;
use super::super::super::output;
use super::{MEMORY, directory, moment, unit};
use crate::plan::budget::megabytes;
use crate::watch::Memory;

/// Shows it.
pub(super) fn show(name: &str, json: bool) -> Result<Exit, Failure> {
    let directory = find(name)?;
    let path = directory.join(MEMORY);
    let text =
        fs::read_to_string(&path).map_err(|error| Failure::could_not_run(format_args!("reading {}: {error}", path.display())))?;
    let memory = Memory::parse(&text).map_err(|what| Failure::could_not_run(format_args!("{}: {what}", path.display())))?;
    let running = is_running(&directory);
    let text = if json {
        let document = serde_json::json!({ "name": name, "running": running, "directory": directory, "watch": memory });
        serde_json::to_string_pretty(&document).map_err(Failure::could_not_run)?
    } else {
        words(name, running, &directory, &memory)
    };
    output::result(&text)?;
    Ok(Exit::Pass)
}

/// The watch of this user, else that of the service.
fn find(name: &str) -> Result<PathBuf, Failure> {
    let service = Path::new(unit::STATE).join("doorstep/watch").join(name);
    let own = directory(name);
    let places: Vec<&Path> = own.as_deref().ok().into_iter().chain([service.as_path()]).collect();
    if let Some(found) = places.iter().find(|place| place.join(MEMORY).exists()) {
        return Ok((*found).to_owned());
    }
    Err(Failure::usage(format_args!(
        "there is no watch `{name}` of this user, and none of the system's that this user may see; with sudo, the system's are looked at"
    )))
}

/// Whether a process holds the watch.
fn is_running(directory: &Path) -> bool {
    File::options().write(true).open(directory.join("lock")).is_ok_and(|file| file.try_lock().is_err())
}

fn words(name: &str, running: bool, directory: &Path, memory: &Memory) -> String {
    let mut out = String::new();
    let state = if running { "runs" } else { "does not run" };
    let _ = writeln!(out, "The watch `{name}` {state}; it began at {}.", moment(memory.began));
    let counts = memory.counts;
    let _ = writeln!(out, "  visits    {} made, {} of them failed", counts.made, counts.failed);
    for (count, what) in [
        (counts.missed, "missed while the machine slept or was off"),
        (counts.spared, "left out or made lighter for the day's data"),
        (counts.broken, "could not be made"),
    ] {
        if count > 0 {
            let _ = writeln!(out, "            {count} {what}");
        }
    }
    if let Some(last) = &memory.last {
        let verdict = last.verdict.map_or("no visit", |verdict| verdict.word());
        let _ = writeln!(out, "  last      {}, {}: {verdict}; {}", moment(last.at), last.kind, last.told);
    }
    let next = match &memory.next {
        Some(next) => format!("{}, {}", moment(next.at), next.kind),
        None if running => "a visit is being made".to_owned(),
        None => "none".to_owned(),
    };
    let _ = writeln!(out, "  next      {next}");
    if memory.thorough > 0 {
        let until = memory.no_thorough_before.map(|at| format!(", none before {}", moment(at))).unwrap_or_default();
        let _ = writeln!(out, "  trouble   {} thorough visits since it began{until}", memory.thorough);
    }
    if let Some(spent) = memory.spent {
        let _ = writeln!(out, "  data      at most {} moved on {}", megabytes(spent.octets), spent.day);
    }
    let _ = write!(out, "  records   {}", directory.display());
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Verdict;
    use crate::watch::Kind;
    use crate::watch::memory::{Counts, Last};

    #[test]
    fn what_was_done_and_what_comes_is_told() {
        let at = "2026-03-01T08:00:00Z".parse().expect("a moment");
        let last = Last { at, kind: Kind::Light, verdict: Some(Verdict::Fail), told: "record.json".to_owned() };
        let counts = Counts { made: 3, failed: 1, missed: 2, ..Counts::default() };
        let memory = Memory { last: Some(last), counts, ..Memory::begun(at, 1) };
        let told = words("line", false, Path::new("records"), &memory);
        for part in ["does not run", "3 made, 1 of them failed", "2 missed", "light: fail; record.json", "next      none"] {
            assert!(told.contains(part), "{part} is missing in\n{told}");
        }
        assert!(!told.contains("left out"), "{told}");
    }
}
