//! What stands at the foot of a terminal while a visit runs: a line for each running check with its figure and the figure's course, what
//! comes next, and how the limits stand. Finished checks scroll up above it as plain lines.
//!
//! Uses no colour, and never more lines than there are running checks and two. It must not know how a visit is run.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use super::graph::{Course, Signs};
use super::line;
use crate::report::standing::standing;
use crate::visit::{Listener, VisitEvent};

/// Redraws a second: enough for figures that are told four times a second.
pub(super) const REDRAWS: u8 = 5;
/// Characters of a course.
const WIDTH: usize = 14;

/// A listener that draws at the foot of `screen`.
pub(super) fn listener(screen: ProgressDrawTarget, signs: Signs) -> Listener {
    let view = Mutex::new(View::new(screen, signs));
    Arc::new(move |event| view.lock().unwrap_or_else(PoisonError::into_inner).take_in(event))
}

struct View {
    bars: MultiProgress,
    signs: Signs,
    running: BTreeMap<&'static str, (ProgressBar, Arc<Mutex<Course>>)>,
    /// Checks of the plan that have not ended, in order.
    open: Vec<&'static str>,
    next: ProgressBar,
    standing: ProgressBar,
}

impl View {
    fn new(screen: ProgressDrawTarget, signs: Signs) -> Self {
        let bars = MultiProgress::with_draw_target(screen);
        let words = |prefix: &'static str| {
            let bar = bars.add(ProgressBar::new_spinner().with_prefix(prefix));
            bar.set_style(style("  {prefix:<11} {wide_msg}"));
            bar
        };
        let (next, standing) = (words("next"), words("so far"));
        Self { bars, signs, running: BTreeMap::new(), open: Vec::new(), next, standing }
    }

    fn take_in(&mut self, event: &VisitEvent) {
        match event {
            VisitEvent::Planned { checks, .. } => self.open.clone_from(checks),
            VisitEvent::Started { check } => self.begin(check),
            VisitEvent::Figure(figure) => {
                if let Some((bar, course)) = self.running.get(figure.check) {
                    if let Some(point) = &figure.point {
                        course.lock().unwrap_or_else(PoisonError::into_inner).add(&point.of, point.value);
                    }
                    bar.set_message(figure.text.clone());
                }
            }
            VisitEvent::Ended { check, .. } => {
                self.open.retain(|open| open != check);
                if let Some((bar, _)) = self.running.remove(check) {
                    bar.finish_and_clear();
                    self.bars.remove(&bar);
                }
            }
            VisitEvent::Judged { so_far } => {
                self.standing.set_message(standing(so_far, |check| self.open.contains(&check)));
            }
            _ => {}
        }
        if let Some(line) = line(event) {
            // The terminal went away: the visit does not depend on it.
            let _ = self.bars.println(line);
        }
        if !matches!(event, VisitEvent::Figure(_)) {
            self.show_next();
        }
    }

    fn begin(&mut self, check: &'static str) {
        let course = Arc::new(Mutex::new(Course::default()));
        let (drawn, signs) = (Arc::clone(&course), self.signs);
        let style = style("  {prefix:<11} {elapsed:>4}  {wide_msg}  {course}").with_key(
            "course",
            move |_: &ProgressState, out: &mut dyn std::fmt::Write| {
                let _ = out.write_str(&drawn.lock().unwrap_or_else(PoisonError::into_inner).draw(WIDTH, signs));
            },
        );
        let bar = self.bars.insert_before(&self.next, ProgressBar::new_spinner().with_style(style).with_prefix(check));
        bar.enable_steady_tick(Duration::from_millis(250));
        self.running.insert(check, (bar, course));
    }

    /// Which checks wait, in the plan's order; nothing is left standing once none is open.
    fn show_next(&self) {
        if self.open.is_empty() {
            self.next.finish_and_clear();
            self.standing.finish_and_clear();
            return;
        }
        let waiting = self.open.iter().filter(|check| !self.running.contains_key(*check));
        let mut words = String::new();
        for check in waiting {
            let _ = write!(words, "{}{check}", if words.is_empty() { "" } else { ", " });
        }
        self.next.set_message(if words.is_empty() { "nothing more, these are the last".to_owned() } else { words });
    }
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_spinner())
}

#[cfg(test)]
mod tests {
    use indicatif::{InMemoryTerm, TermLike};

    use super::*;
    use crate::check::LiveFigure;
    use crate::reading::{Outcome, Status};

    fn screen() -> (InMemoryTerm, Listener) {
        let term = InMemoryTerm::new(24, 80);
        let target = ProgressDrawTarget::term_like(Box::new(term.clone()));
        (term, listener(target, Signs::Blocks))
    }

    fn planned(checks: &[&'static str]) -> VisitEvent {
        VisitEvent::Planned { time: Duration::from_secs(58), octets: 40_000_000, checks: checks.to_vec() }
    }

    fn ended(check: &'static str) -> VisitEvent {
        VisitEvent::Ended { check, took: Duration::from_millis(400), outcome: Outcome::new(Status::Done) }
    }

    #[test]
    fn the_plan_the_running_figure_with_its_course_and_what_comes_next_are_seen() {
        let (term, tell) = screen();
        tell(&planned(&["link", "echo", "throughput"]));
        tell(&VisitEvent::Started { check: "link" });
        tell(&ended("link"));
        tell(&VisitEvent::Started { check: "echo" });
        for value in [10.0, 20.0, 80.0] {
            tell(&VisitEvent::Figure(LiveFigure::new("echo", format!("far end {value:.1} ms")).point("far end", value)));
        }
        let seen = term.contents();
        let lines: Vec<&str> = seen.lines().collect();
        assert_eq!(lines[0], "The visit takes about 58 s and moves up to 40 MB.", "{seen}");
        assert_eq!(lines[1], "  link        done in 0.4 s", "{seen}");
        assert!(lines[2].starts_with("  echo          0s  far end 80.0 ms") && lines[2].ends_with("▁▂█"), "{seen}");
        assert_eq!(lines[3], "  next        throughput", "{seen}");
        // Colour would be set by "select graphic rendition" (ECMA-48, 8.3.117), which ends in m.
        let raw = term.contents_formatted();
        assert!(!String::from_utf8_lossy(&raw).contains("[3"), "{raw:?}");
    }

    #[test]
    fn when_all_has_ended_only_plain_lines_are_left() {
        let (term, tell) = screen();
        tell(&planned(&["link"]));
        tell(&VisitEvent::Started { check: "link" });
        tell(&ended("link"));
        let seen = term.contents();
        assert_eq!(seen, "The visit takes about 58 s and moves up to 40 MB.\n  link        done in 0.4 s", "{seen}");
    }

    #[test]
    fn a_long_figure_is_cut_and_breaks_no_line() {
        let (term, tell) = screen();
        tell(&planned(&["echo"]));
        tell(&VisitEvent::Started { check: "echo" });
        tell(&VisitEvent::Figure(LiveFigure::new("echo", "gateway 1.0 ms, ".repeat(20)).point("far end", 1.0)));
        let seen = term.contents();
        assert!(seen.lines().count() <= 4, "{seen}");
        assert!(seen.lines().all(|line| line.chars().count() <= usize::from(term.width())), "{seen}");
    }
}
