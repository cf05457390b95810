//! How a line's rates stand to the speeds that its contract states, in sentences for terminal and page.

use crate::history::summary::{LeftOut, Stated};
use crate::judge::statement::{Ruling, Stated as Speed};
use crate::reading::{Unit, words};

/// The heading, with the ruling.
pub fn heading(stated: &Stated) -> String {
    format!("Speeds that {} states: {}", stated.tier, ruling(stated.ruling))
}

/// What was found of each speed, what is still missing, what does not count and why, and by which rule.
pub fn points(stated: &Stated) -> Vec<String> {
    let mut points = Vec::new();
    for finding in &stated.findings {
        let what = match finding.stated {
            Speed::Minimum => "minimum",
            Speed::Normal => "normally available",
            Speed::Maximum => "maximum",
        };
        let speed = words::figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, finding.mbit);
        points.push(format!("{} {what} {speed}: {}; {}", finding.direction, ruling(finding.ruling), finding.because));
    }
    for progress in &stated.progress {
        let missing = progress.measurements.saturating_sub(progress.counted);
        if missing > 0 || progress.days_counted < progress.days {
            let days = progress.days.saturating_sub(progress.days_counted);
            let (way, all) = (progress.direction, progress.days);
            points.push(format!("{way}, still missing: {missing} measurements or more, {days} of {all} full days"));
        }
    }
    let LeftOut { bounded, unknown, other_tier } = stated.left_out;
    for (count, why) in [
        (bounded, "the test set, the far end or other traffic bounded them"),
        (unknown, "nobody kept what bounded them"),
        (other_tier, "their tier states other speeds, or its text is not kept"),
    ] {
        if count > 0 {
            points.push(format!("{count} measurements do not count: {why}"));
        }
    }
    points.push(format!("by {}", stated.basis));
    points
}

fn ruling(ruling: Ruling) -> &'static str {
    match ruling {
        Ruling::Delivered => "delivered",
        Ruling::NotDelivered => "not delivered",
        Ruling::NotEnough => "not to be told yet",
    }
}
