//! Reading the table `[capacity]`: parameters of RFC 9097 section 8.1, within what its table 1 calls safe.

use std::time::Duration;

use crate::proto::capacity::Terms;
use crate::typed::table::{Document, Table};

/// The keys of `[capacity]`.
pub(super) const KEYS: &[&str] = &[
    "test_seconds",
    "sub_interval_ms",
    "feedback_ms",
    "low_delay_ms",
    "high_delay_ms",
    "sequence_errors",
    "bad_reports",
    "fast_rows",
    "ignore_order",
];

/// Reads the table; what is wrong is noted and left out.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>) -> Terms {
    let default = Terms::default();
    let ms = |key: &str, range, other: Duration| table.whole(key, range).map_or(other, |n| Duration::from_millis(n.value));
    let small = |key: &str, range, other: u16| table.whole(key, range).and_then(|n| u16::try_from(n.value).ok()).unwrap_or(other);
    let terms = Terms {
        time: table.whole("test_seconds", 5..=60).map_or(default.time, |n| Duration::from_secs(n.value)),
        sub_interval: ms("sub_interval_ms", 100..=10_000, default.sub_interval),
        feedback: ms("feedback_ms", 20..=250, default.feedback),
        low: ms("low_delay_ms", 1..=1000, default.low),
        high: ms("high_delay_ms", 2..=5000, default.high),
        sequence_errors: small("sequence_errors", 0..=1000, default.sequence_errors),
        bad_reports: small("bad_reports", 2..=100, default.bad_reports),
        fast_rows: u8::try_from(small("fast_rows", 2..=30, default.fast_rows.into())).unwrap_or(default.fast_rows),
        ignores_order: table.truth("ignore_order").unwrap_or(default.ignores_order),
        ..default
    };
    if terms.is_sound() {
        return terms;
    }
    let what =
        "these do not fit each other: low_delay_ms must be below high_delay_ms, and sub_interval_ms no longer than the test";
    document.wrong(&table.here(), what);
    default
}
