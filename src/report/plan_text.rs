//! A plan in words, before anything is sent: how long it takes, how much it moves, what is left out and why.

use std::fmt::Write as _;
use std::time::Duration;

use crate::plan::budget::megabytes;
use crate::plan::{Class, Plan, Step};
use crate::unit::Stretch;

/// The plan as lines of at most 80 columns (reasons of what is left out may be longer).
pub fn plan_text(plan: &Plan) -> String {
    let mut text = String::new();
    let _ = writeln!(
        text,
        "This visit takes about {} on a healthy line and moves up to {}.",
        span(plan.time()),
        megabytes(plan.octets())
    );
    let loads: Vec<&Step> = plan.steps.iter().filter(|s| s.spec.class == Class::Load).collect();
    if !loads.is_empty() {
        let time: Duration = loads.iter().map(|s| s.cost.time).sum();
        let _ = writeln!(
            text,
            "For about {} of it the line is full: calls, alarm and medical-alert lines\nthat ride on it may fail meanwhile.",
            span(time)
        );
    }
    text.push('\n');
    let specs = plan.steps.iter().map(|s| s.spec).chain(plan.left_out.iter().map(|(spec, _)| *spec));
    let name_width = specs.map(|s| s.name.len()).max().unwrap_or(0);
    for step in &plan.steps {
        let class = match step.spec.class {
            Class::Quiet => "on the quiet line",
            Class::Load => "fills the line",
            Class::Free => "beside anything",
            Class::First => "before all else: what this test set itself can do",
        };
        let _ = writeln!(
            text,
            "  {:name_width$}  {:>8}  {:>8}  {class}",
            step.spec.name,
            span(step.cost.time),
            megabytes(step.cost.octets)
        );
    }
    stretched(&mut text, plan);
    for (spec, reason) in &plan.left_out {
        let _ = writeln!(text, "  {:name_width$}  left out: {reason}", spec.name);
    }
    text
}

/// What checks that end once their verdicts are certain may save and cost.
fn stretched(text: &mut String, plan: &Plan) {
    let stretched: Vec<(&Step, Stretch)> = plan.steps.iter().filter_map(|step| Some((step, step.stretch?))).collect();
    if stretched.is_empty() {
        return;
    }
    text.push_str("\nUntil certain: these end once every verdict on them is certain, and go on while one is not.\n\n");
    for (step, stretch) in stretched {
        let (least, most) = (step.stretched(Stretch::LEAST), step.stretched(stretch.most()));
        let _ = writeln!(
            text,
            "  {}: from {} and {} to {} and {}, instead of {} and {}",
            step.spec.name,
            span(least.time),
            megabytes(least.octets),
            span(most.time),
            megabytes(most.octets),
            span(step.cost.time),
            megabytes(step.cost.octets)
        );
    }
    let _ = writeln!(
        text,
        "\nA line far beyond a limit ends them early, one that loses nothing ends them about as planned, and\none near a limit makes the visit about {} long.",
        span(plan.longest_time())
    );
}

/// A span as people say it: `0.1 s`, `41 s`, `12 min`, `3.5 h`.
fn span(time: Duration) -> String {
    let seconds = time.as_secs_f64();
    match seconds {
        s if s < 10.0 => format!("{s:.1} s"),
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::budget::{Bounds, plan};
    use crate::plan::{Cost, Depth, Need, Spec, Volume};

    fn specs() -> Vec<Spec> {
        fn cost(ms: u64, octets: u64) -> Cost {
            Cost { time: Duration::from_millis(ms), octets }
        }
        vec![
            Spec { name: "link", needs: &[], gives: &[Need::Carrier], class: Class::Free, cost: |_| cost(100, 0) },
            Spec { name: "echo", needs: &[Need::Carrier], gives: &[], class: Class::Quiet, cost: |_| cost(11_000, 756_000) },
            Spec {
                name: "throughput",
                needs: &[Need::Carrier],
                gives: &[],
                class: Class::Load,
                cost: |_| cost(32_000, 2_900_000_000),
            },
        ]
    }

    const VOLUME: Volume = Volume {
        depth: Depth::Handoff,
        load_time: Duration::from_secs(3),
        sold_down_mbit: 1000.0,
        sold_up_mbit: 500.0,
        classes_mbit: None,
        tv: None,
        sizes: crate::plan::Sizes::NONE,
    };

    #[test]
    fn a_plan_tells_time_data_and_what_the_load_does() {
        insta::assert_snapshot!(plan_text(&plan(&specs(), &VOLUME, &Bounds { load_agreed: true, ..Bounds::default() })));
    }

    #[test]
    fn what_is_left_out_has_its_reason() {
        insta::assert_snapshot!(plan_text(&plan(&specs(), &VOLUME, &Bounds::default())));
    }

    #[test]
    fn what_goes_on_until_all_is_certain_tells_the_least_and_the_most() {
        let bounds = Bounds { load_agreed: true, until_certain: vec!["echo"], ..Bounds::default() };
        insta::assert_snapshot!(plan_text(&plan(&specs(), &VOLUME, &bounds)));
    }

    #[test]
    fn spans_are_said_in_the_unit_that_fits() {
        for (ms, want) in [(100, "0.1 s"), (41_400, "41 s"), (720_000, "12 min"), (12_600_000, "3.5 h")] {
            assert_eq!(span(Duration::from_millis(ms)), want);
        }
    }
}
