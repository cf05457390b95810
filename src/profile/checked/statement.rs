//! Reading the table `[statement]`: the speeds that a contract states, and how many measurements on which days tell whether they are given.
//!
//! Its form follows Regulation (EU) 2015/2120 article 4(1)(d), by which a contract for a fixed line states minimum, normally
//! available and maximum speed each way. How often each must be seen is set by each country, so the numbers are typed, none is built in.

use super::super::statement::{Campaign, Speeds, Statement};
use crate::typed::table::{Document, Placed, Table};

/// The keys of `[statement]`, and of `[statement.down]` and `[statement.up]`.
pub(super) const KEYS: &[&str] = &[
    "down",
    "up",
    "measurements",
    "days",
    "per_day",
    "minutes_apart",
    "from_hour",
    "to_hour",
    "normal_share",
    "maximum_share",
    "maximum_on_days",
    "below_minimum_on_days",
    "basis",
];
const SPEEDS: &[&str] = &["minimum", "normal", "maximum"];

/// Reads the table; what is wrong is noted and left out.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>) -> Option<Statement> {
    for (key, meaning) in [
        ("down", "the speeds stated downstream: minimum, normal and maximum"),
        ("up", "the speeds stated upstream: minimum, normal and maximum"),
        ("measurements", "how many measurements each way decide, at least"),
        ("days", "on how many days they are taken, at least"),
        ("normal_share", "the share of measurements that reach the normally available speed, at least"),
    ] {
        if !table.has(key) {
            table.missing(key, meaning);
        }
    }
    let speeds = |key| table.table(key, SPEEDS).map(|table| read_speeds(document, &table));
    let (down, up) = (speeds("down"), speeds("up"));
    let small = |key: &str, range| {
        let Placed { value, span, path } = table.whole(key, range)?;
        Some(Placed { value: u32::try_from(value).ok()?, span, path })
    };
    let (measurements, days) = (small("measurements", 1..=10_000), small("days", 1..=366));
    let per_day = small("per_day", 1..=1000);
    let apart = small("minutes_apart", 0..=1440);
    let (from, to) = (small("from_hour", 0..=23), small("to_hour", 1..=24));
    let share = |key| table.real(key, &(0.01..=1.0), "of the measurements");
    let (normal, maximum) = (share("normal_share"), table.real("maximum_share", &(0.01..=1.0), "of the stated maximum"));
    let (reached, below) = (small("maximum_on_days", 1..=366), small("below_minimum_on_days", 1..=366));
    let basis = table.required_text("basis", "where speeds and numbers come from: the contract, and the rules of its country");
    let value = |placed: &Option<Placed<u32>>, other| placed.as_ref().map_or(other, |placed| placed.value);
    let campaign = Campaign {
        measurements: value(&measurements, 1),
        days: value(&days, 1),
        per_day: value(&per_day, 1),
        minutes_apart: value(&apart, 0),
        from_hour: value(&from, 0),
        to_hour: value(&to, 24),
        normal_share: normal.map_or(1.0, |share| share.value),
        maximum_share: maximum.map_or(1.0, |share| share.value),
        maximum_on_days: value(&reached, 1),
        below_minimum_on_days: value(&below, 1),
    };
    if let Some(to) = to.as_ref().filter(|_| campaign.to_hour <= campaign.from_hour) {
        document.wrong(to, format!("no hour lies between {} and {}", campaign.from_hour, campaign.to_hour));
    }
    for (placed, what) in [(&reached, "reach the maximum"), (&below, "fall below the minimum")] {
        if let Some(placed) = placed.as_ref().filter(|placed| placed.value > campaign.days && days.is_some()) {
            document.wrong(placed, format!("{} days that {what}, and only {} are measured", placed.value, campaign.days));
        }
    }
    // Each measurement needs its distance to the next within the hours of a day.
    let fit = (campaign.to_hour.saturating_sub(campaign.from_hour) * 60)
        .checked_div(campaign.minutes_apart)
        .map_or(u32::MAX, |n| n + 1);
    if let Some(per_day) = per_day.as_ref().filter(|per_day| per_day.value > fit) {
        let what = format!(
            "{} measurements a day, {} minutes apart, do not fit between the hours {} and {}: {fit} do",
            per_day.value, campaign.minutes_apart, campaign.from_hour, campaign.to_hour
        );
        document.wrong(per_day, what);
    }
    Some(Statement { down: down??, up: up??, campaign, basis: basis?.value })
}

fn read_speeds(document: &Document<'_>, table: &Table<'_, '_>) -> Option<Speeds> {
    let speed = |key, meaning| {
        if !table.has(key) {
            table.missing(key, meaning);
        }
        table.number(key)
    };
    let minimum = speed("minimum", "the speed that is always given, Mbit/s of TCP payload");
    let normal = speed("normal", "the speed that is normally available, Mbit/s of TCP payload");
    let maximum = speed("maximum", "the speed that is given at least at times, Mbit/s of TCP payload");
    let (minimum, normal, maximum) = (minimum?, normal?, maximum?);
    for (less, more, words) in [
        (&minimum, &normal, "the minimum is larger than what is normally available"),
        (&normal, &maximum, "what is normally available is larger than the maximum"),
    ] {
        if less.value > more.value {
            document.wrong(less, format!("{words}: {} and {} Mbit/s", less.value, more.value));
        }
    }
    Some(Speeds { minimum: minimum.value, normal: normal.value, maximum: maximum.value })
}

#[cfg(test)]
mod tests {
    use crate::profile::parse;

    /// Invented.
    const GOOD: &str = "[statement]\nmeasurements = 30\ndays = 3\nper_day = 5\nminutes_apart = 5\nnormal_share = 0.9\nmaximum_share = 0.9\n\
        maximum_on_days = 2\nbelow_minimum_on_days = 2\nbasis = \"invented\"\n[statement.down]\nminimum = 150\nnormal = 200\nmaximum = 240\n\
        [statement.up]\nminimum = 30\nnormal = 40\nmaximum = 48\n";

    fn told(text: &str) -> String {
        let rest = "[[criterion]]\nname = \"c\"\nreading = \"link.carrier\"\nat_least = 1\nseverity = \"must\"\nbasis = \"x\"\n";
        match parse(&format!("name = \"t\"\ntitle = \"t\"\n{text}{rest}"), "test") {
            Ok(profile) => format!("{:?}", profile.statement),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn a_statement_is_taken_as_meant() {
        assert_eq!(told(""), "None");
        let read = told(GOOD);
        assert!(read.contains("Speeds { minimum: 150.0, normal: 200.0, maximum: 240.0 }"), "{read}");
        assert!(read.contains("measurements: 30, days: 3, per_day: 5, minutes_apart: 5, from_hour: 0, to_hour: 24"), "{read}");
    }

    #[test]
    fn each_mistake_is_told_with_its_place() {
        for (from, to, want) in [
            ("minimum = 150", "minimum = 210", "the minimum is larger than what is normally available: 210 and 200"),
            ("maximum = 48", "maximum = 38", "what is normally available is larger than the maximum"),
            ("minimum = 30\n", "", "the key \"minimum\" is missing"),
            ("days = 3\n", "", "the key \"days\" is missing"),
            ("normal_share = 0.9", "normal_share = 90", "between 0.01 and 1 of the measurements"),
            ("maximum_on_days = 2", "maximum_on_days = 4", "4 days that reach the maximum, and only 3 are measured"),
            ("below_minimum_on_days = 2", "below_minimum_on_days = 9", "9 days that fall below the minimum"),
            ("minutes_apart = 5", "minutes_apart = 5\nfrom_hour = 20\nto_hour = 8", "no hour lies between 20 and 8"),
            (
                "minutes_apart = 5",
                "minutes_apart = 60\nfrom_hour = 20\nto_hour = 22",
                "do not fit between the hours 20 and 22: 3 do",
            ),
            ("basis = \"invented\"", "basis = \" \"", "the text is empty"),
        ] {
            assert!(GOOD.contains(from), "{from}");
            let told = told(&GOOD.replacen(from, to, 1));
            assert!(told.contains(want) && told.contains("statement"), "{from}: {told}");
        }
    }
}
