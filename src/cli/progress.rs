//! Progress on standard error: live lines on a terminal, one plain line per finished check elsewhere.
//!
//! A listener of the visit like any other; it keeps nothing that the record does not hold.

use std::collections::BTreeMap;
use std::io::IsTerminal;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};

use super::output;
use crate::plan::budget::megabytes;
use crate::reading::{Outcome, Status};
use crate::visit::{Listener, VisitEvent};

/// A listener that suits the device that standard error is.
pub(super) fn listener() -> Listener {
    if std::io::stderr().is_terminal() { live() } else { plain() }
}

/// One line per event that matters, for logs and pipes.
fn plain() -> Listener {
    Arc::new(|event| {
        if let Some(line) = line(event) {
            output::note(&line);
        }
    })
}

/// A line per running check with its current figure; finished checks scroll up as plain lines.
fn live() -> Listener {
    let bars = MultiProgress::new();
    let running: Mutex<BTreeMap<&'static str, ProgressBar>> = Mutex::default();
    Arc::new(move |event| {
        let mut running = running.lock().unwrap_or_else(PoisonError::into_inner);
        match event {
            VisitEvent::Started { check } => {
                let bar = bars.add(ProgressBar::new_spinner().with_style(style()).with_prefix(*check));
                bar.enable_steady_tick(Duration::from_millis(250));
                running.insert(check, bar);
            }
            VisitEvent::Figure(figure) => {
                if let Some(bar) = running.get(figure.check) {
                    bar.set_message(figure.text.clone());
                }
                return;
            }
            VisitEvent::Ended { check, .. } => {
                if let Some(bar) = running.remove(check) {
                    bar.finish_and_clear();
                    bars.remove(&bar);
                }
            }
            _ => {}
        }
        if let Some(line) = line(event) {
            // The terminal went away: the visit does not depend on it.
            let _ = bars.println(line);
        }
    })
}

fn style() -> ProgressStyle {
    ProgressStyle::with_template("  {prefix:<11} {elapsed:>4}  {wide_msg}").unwrap_or_else(|_| ProgressStyle::default_spinner())
}

/// The line of an event; `None` for those that only matter while they last.
fn line(event: &VisitEvent) -> Option<String> {
    match event {
        VisitEvent::Planned { time, octets } => {
            Some(format!("The visit takes about {} s and moves up to {}.", time.as_secs_f64().ceil(), megabytes(*octets)))
        }
        VisitEvent::Started { .. } | VisitEvent::Figure(_) => None,
        VisitEvent::Ended { check, took, outcome } => Some(format!("  {check:<11} {}", ended(*took, outcome))),
        VisitEvent::EndingEarly => Some("Ending: giving back what is held, keeping what was measured.".to_owned()),
        VisitEvent::NotReleased { what } => Some(format!("Could not give back in time: {what}; it expires by itself.")),
        VisitEvent::Saved { path } => Some(format!("The record is in {}.", path.display())),
        VisitEvent::CaptureStopped { why } => Some(format!("The capture has stopped, the visit goes on: {why}")),
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
