//! Progress on standard error: live lines on a terminal, one plain line per finished check elsewhere.
//!
//! A listener of the visit like any other; it keeps nothing that the record does not hold.

use std::io::IsTerminal;
use std::sync::Arc;
use std::time::Duration;

use indicatif::ProgressDrawTarget;

use self::graph::Signs;
use super::output;
use crate::plan::budget::megabytes;
use crate::reading::{Outcome, Status};
use crate::visit::{Listener, VisitEvent};

mod graph;
mod live;

/// A listener that suits the device that standard error is: a terminal that can't move its cursor back is written to line by line.
pub(super) fn listener() -> Listener {
    let kind = std::env::var("TERM").unwrap_or_default();
    if std::io::stderr().is_terminal() && !matches!(kind.as_str(), "" | "dumb") {
        live::listener(ProgressDrawTarget::stderr_with_hz(live::REDRAWS), signs())
    } else {
        plain()
    }
}

/// What the character set of the locale has (POSIX, "Environment Variables", 8.2: LC_ALL before LC_CTYPE before LANG).
fn signs() -> Signs {
    let set = |name| std::env::var(name).ok().filter(|value| !value.is_empty());
    let locale = set("LC_ALL").or_else(|| set("LC_CTYPE")).or_else(|| set("LANG")).unwrap_or_default().to_ascii_lowercase();
    if locale.contains("utf-8") || locale.contains("utf8") { Signs::Blocks } else { Signs::Ascii }
}

/// One line per event that matters, for logs and pipes.
fn plain() -> Listener {
    Arc::new(|event| {
        if let Some(line) = line(event) {
            output::note(&line);
        }
    })
}

/// The line of an event; `None` for those that only matter while they last.
fn line(event: &VisitEvent) -> Option<String> {
    match event {
        VisitEvent::Planned { time, octets, .. } => {
            Some(format!("The visit takes about {} s and moves up to {}.", time.as_secs_f64().ceil(), megabytes(*octets)))
        }
        VisitEvent::Started { .. } | VisitEvent::Figure(_) | VisitEvent::Judged { .. } => None,
        VisitEvent::Ended { check, took, outcome } => Some(format!("  {check:<11} {}", ended(*took, outcome))),
        VisitEvent::EndingEarly => Some("Ending: giving back what is held, keeping what was measured.".to_owned()),
        VisitEvent::NotReleased { what } => Some(format!("Could not give back in time: {what}; it expires by itself.")),
        VisitEvent::Saved { path } => Some(format!("The record is in {}.", path.display())),
        VisitEvent::CaptureStopped { why } => Some(format!("The capture has stopped, the visit goes on: {why}")),
        VisitEvent::SavedWithoutSeries { error } => {
            Some(format!("The record was saved without its raw series; verdict and readings are kept: {error}"))
        }
        VisitEvent::SaveFailed { error } => Some(format!("The record could not be saved: {error}")),
    }
}

fn ended(took: Duration, outcome: &Outcome) -> String {
    let reason = outcome.reason.as_deref().unwrap_or_default();
    match outcome.status {
        Status::Done if reason.is_empty() => format!("done in {:.1} s", took.as_secs_f64()),
        Status::Done => format!("done in {:.1} s: {reason}", took.as_secs_f64()),
        Status::Failed => format!("failed after {:.1} s: {reason}", took.as_secs_f64()),
        Status::NotTested => format!("not tested: {reason}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_ending_has_its_own_words() {
        let took = Duration::from_millis(1_240);
        assert_eq!(ended(took, &Outcome::new(Status::Done)), "done in 1.2 s");
        let told = Outcome { reason: Some("the test set is short".to_owned()), ..Outcome::new(Status::Done) };
        assert_eq!(ended(took, &told), "done in 1.2 s: the test set is short");
        assert_eq!(ended(took, &Outcome::failed("no carrier")), "failed after 1.2 s: no carrier");
        assert_eq!(ended(took, &Outcome::not_tested("needs an IP address")), "not tested: needs an IP address");
    }
}
