//! What a visit that goes on with an earlier one does about each open limit, before anything is sent.

use std::fmt::Write as _;

use crate::continued::{Open, Wanted, open::Course};
use crate::reading::words::{grouped, significant};
use crate::record::Verdict;

/// Each open limit and what is done about it.
pub fn wanted_text(wanted: &Wanted) -> String {
    let mut text = String::new();
    let count = wanted.open.len();
    let _ = writeln!(
        text,
        "{count} limit{} neither met nor missed; what a visit that goes on does about {}:\n",
        if count == 1 { " is" } else { "s are" },
        if count == 1 { "it" } else { "them" }
    );
    for one in &wanted.open {
        let _ = writeln!(text, "  {} ({}, {}): {}", one.criterion, one.severity.word(), one.figure, course(one));
    }
    let _ = writeln!(
        text,
        "\nWhat is looked at again is held to {} % confidence, so that all looks together are wrong less than twice as often\nas the first alone.",
        significant(wanted.confidence * 100.0)
    );
    text
}

fn course(open: &Open) -> String {
    let number = |n: &u64| grouped(*n as f64);
    match &open.course {
        Course::Run { check, first } => {
            let again = if open.verdict == Verdict::NotTested { "runs" } else { "runs again" };
            match first.as_slice() {
                [] => format!("{check} {again}"),
                first => format!("{check} {again}; before, this has to change: {}", first.join("; ")),
            }
        }
        Course::Sample { check, needs, has, takes, adds } => {
            let sum = if *adds {
                format!("takes {} more on top of {}", number(takes), number(has))
            } else {
                format!("takes {}", number(takes))
            };
            if open.course.is_enough() {
                format!("{check} {sum}, of {} that prove it if the figure stays what it is", number(needs))
            } else {
                format!(
                    "{check} {sum}, which is less than the {} that would prove it: no larger sample fits one visit",
                    number(needs)
                )
            }
        }
        Course::None(why) => format!("nothing here: {why}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Sizes;
    use crate::record::Severity;

    #[test]
    fn each_open_limit_is_told_with_what_is_done_about_it() {
        let open = |criterion: &str, verdict, course| Open {
            criterion: criterion.to_owned(),
            severity: Severity::Must,
            figure: "twoway.loss_ratio, down".to_owned(),
            verdict,
            course,
        };
        let sample = |takes| Course::Sample { check: "twoway".to_owned(), needs: 4380, has: 500, takes, adds: true };
        let first = vec!["no far end was given (--far-end FILE)".to_owned()];
        let wanted = Wanted {
            open: vec![
                open("loss", Verdict::NotProven, sample(3880)),
                open("loss, long run", Verdict::NotProven, sample(1000)),
                open("rate", Verdict::NotTested, Course::Run { check: "throughput".to_owned(), first }),
                open("budget", Verdict::NotProven, Course::None("type it in".to_owned())),
            ],
            checks: Vec::new(),
            sizes: Sizes::NONE,
            confidence: 0.975,
        };
        insta::assert_snapshot!(wanted_text(&wanted));
    }
}
