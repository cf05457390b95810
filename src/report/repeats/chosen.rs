//! Which of a summary's figures are looked at closely: those that missed limits, changed or follow the hour, then what any service is judged by.

use crate::history::summary::{FigureSummary, Finding, Summary};
use crate::reading::Unit;

/// Figures that are followed through the span at most.
const MOST_TRACKS: usize = 8;

/// What is looked at even when nothing is wrong with it: rate, delay, loss and the time of a lookup.
const ALWAYS: [&str; 5] =
    ["throughput.tcp_payload_rate", "capacity.ip_rate", "twoway.round_trip_p50", "twoway.loss_ratio", "dns.lookup_time_p50"];

/// Figures that are followed through the span, those that say most first.
pub fn tracks(summary: &Summary) -> Vec<&FigureSummary> {
    let mut ranked: Vec<(u32, &FigureSummary)> = summary.figures.iter().map(|figure| (weight(figure), figure)).collect();
    ranked.retain(|(weight, _)| *weight > 0);
    // Equal ones stay in the order of their names.
    ranked.sort_by_key(|(weight, _)| std::cmp::Reverse(*weight));
    ranked.truncate(MOST_TRACKS);
    ranked.into_iter().map(|(_, figure)| figure).collect()
}

/// Of those, the ones that are shown hour by day: a rate each way, a share of lost packets and a delay.
pub fn fields<'a>(tracks: &[&'a FigureSummary]) -> Vec<&'a FigureSummary> {
    let first = |is_it: &dyn Fn(&FigureSummary) -> bool, most: usize| {
        tracks.iter().copied().filter(|figure| is_it(figure)).take(most).collect::<Vec<_>>()
    };
    let moves = |figure: &FigureSummary| figure.quantiles[0] < figure.quantiles[4];
    let mut found = first(&|figure| figure.unit == Unit::MegabitPerSecond && moves(figure), 2);
    found.extend(first(&|figure| figure.figure.name.ends_with("loss_ratio") && moves(figure), 1));
    found.extend(first(&|figure| figure.unit == Unit::Millisecond && moves(figure), 1));
    found
}

fn weight(figure: &FigureSummary) -> u32 {
    let claims = [
        (figure.missed.is_some_and(|(missed, _)| missed > 0), 16),
        (matches!(figure.pattern.finding, Finding::BusyHours | Finding::Steady), 8),
        (!figure.changes.is_empty(), 4),
        (ALWAYS.contains(&figure.figure.name.as_str()), 2),
        (figure.missed.is_some(), 1),
    ];
    claims.iter().filter(|(is, _)| *is).map(|(_, weight)| weight).sum()
}
