//! Measurements of many days held against the speeds that a contract states.
//!
//! Minimum, normally available and maximum speed are those of Regulation (EU) 2015/2120 article 4(1)(d); what each means follows BEREC's
//! guidelines on it (BoR (20) 112, from memory): the minimum is always given but for outages, the normally available speed most of the
//! time, the maximum at least at times. The numbers behind 'most' and 'at times' are the profile's ([`Campaign`]).
//!
//! It counts measurements as the rules do and draws no conclusion about times that nobody measured. Each measurement counts by its
//! interval: it reaches a speed when the whole interval does, misses it when no part does, and else it is open.

use std::collections::BTreeMap;

use jiff::civil::{Date, DateTime};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::profile::statement::{Campaign, Speeds, Statement};
use crate::reading::words::{grouped, significant};
use crate::unit::Direction;

use super::sold::rate;

/// One measurement that only the line bounded: leave out what a test set, a far end or other traffic limited.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measurement {
    /// When, in the line's local time: hours and days are the customer's.
    pub at: DateTime,
    /// Which way.
    pub direction: Direction,
    /// Lower bound of the TCP payload rate, Mbit/s.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// Which of the stated speeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Stated {
    /// Always given.
    Minimum,
    /// Normally available.
    Normal,
    /// Given at least at times.
    Maximum,
}

/// What the measurements say of a stated speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Ruling {
    /// It is given.
    Delivered,
    /// It is not.
    NotDelivered,
    /// More measurements are needed, or more exact ones.
    NotEnough,
}

/// One stated speed, and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Which way.
    pub direction: Direction,
    /// Which speed.
    pub stated: Stated,
    /// As stated, Mbit/s of TCP payload.
    pub mbit: f64,
    /// What follows.
    pub ruling: Ruling,
    /// Why, in words with figures.
    pub because: String,
}

/// All speeds stated, both ways, in the order minimum, normal, maximum.
pub fn rule(statement: &Statement, measurements: &[Measurement]) -> Vec<Finding> {
    let ways = [(Direction::Down, &statement.down), (Direction::Up, &statement.up)];
    ways.into_iter().flat_map(|(direction, speeds)| one_way(&statement.campaign, direction, speeds, measurements)).collect()
}

fn one_way(campaign: &Campaign, direction: Direction, speeds: &Speeds, all: &[Measurement]) -> Vec<Finding> {
    let counted = counted(campaign, direction, all);
    let by_day = by_day(&counted);
    let missing = missing(campaign, &counted, &by_day);
    let rulings = [
        (Stated::Minimum, speeds.minimum, minimum(campaign, speeds.minimum, &by_day)),
        (Stated::Normal, speeds.normal, normal(campaign, speeds.normal, &counted)),
        (Stated::Maximum, speeds.maximum, maximum(campaign, speeds.maximum, &by_day)),
    ];
    let finding = |(stated, mbit, (ruling, because)): (Stated, f64, (Ruling, String))| match &missing {
        Some(missing) => Finding { direction, stated, mbit, ruling: Ruling::NotEnough, because: missing.clone() },
        None => Finding { direction, stated, mbit, ruling, because },
    };
    rulings.into_iter().map(finding).collect()
}

/// The measurements of a direction that count, in order of time.
fn counted(campaign: &Campaign, direction: Direction, all: &[Measurement]) -> Vec<Measurement> {
    let in_hours =
        |one: &Measurement| (campaign.from_hour..campaign.to_hour).contains(&u32::try_from(one.at.hour()).unwrap_or(0));
    let mut sorted: Vec<Measurement> = all.iter().filter(|one| one.direction == direction && in_hours(one)).copied().collect();
    sorted.sort_by_key(|one| one.at);
    let apart = jiff::SignedDuration::from_mins(i64::from(campaign.minutes_apart));
    let mut counted: Vec<Measurement> = Vec::new();
    for one in sorted {
        if counted.last().is_none_or(|last| one.at.duration_since(last.at) >= apart) {
            counted.push(one);
        }
    }
    counted
}

fn by_day(counted: &[Measurement]) -> BTreeMap<Date, Vec<&Measurement>> {
    let mut by_day: BTreeMap<Date, Vec<&Measurement>> = BTreeMap::new();
    for one in counted {
        by_day.entry(one.at.date()).or_default().push(one);
    }
    by_day
}

/// How far the measurements of one direction are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Progress {
    /// Which way.
    pub direction: Direction,
    /// Measurements that count.
    pub counted: u32,
    /// As many are needed at least.
    pub measurements: u32,
    /// Days with enough of them.
    pub days_counted: u32,
    /// As many are needed at least.
    pub days: u32,
}

/// Counts the measurements of a direction as the rules do.
pub fn progress(campaign: &Campaign, direction: Direction, all: &[Measurement]) -> Progress {
    let counted = counted(campaign, direction, all);
    let days = full_days(campaign, &by_day(&counted));
    let number = |count: usize| u32::try_from(count).unwrap_or(u32::MAX);
    Progress {
        direction,
        counted: number(counted.len()),
        measurements: campaign.measurements,
        days_counted: number(days),
        days: campaign.days,
    }
}

/// What a campaign asks for, in words: a sentence each.
pub fn needs(statement: &Statement) -> Vec<String> {
    let campaign = &statement.campaign;
    let mut needs = vec![format!(
        "{} measurements each way, on {} days with {} or more",
        grouped(f64::from(campaign.measurements)),
        campaign.days,
        campaign.per_day
    )];
    if campaign.minutes_apart > 0 {
        needs.push(format!("{} minutes or more between two of them", campaign.minutes_apart));
    }
    if (campaign.from_hour, campaign.to_hour) != (0, 24) {
        needs.push(format!("between the hours {} and {}", campaign.from_hour, campaign.to_hour));
    }
    let share = |share: f64| significant(share * 100.0);
    for (direction, speeds) in [(Direction::Down, &statement.down), (Direction::Up, &statement.up)] {
        let below = match campaign.below_minimum_on_days {
            1 => "on no day".to_owned(),
            days => format!("on fewer than {days} days"),
        };
        needs.push(format!(
            "{direction}: below {} {below}; {} reached by {} % of them; {} reached on {} days",
            rate(speeds.minimum),
            rate(speeds.normal),
            share(campaign.normal_share),
            rate(speeds.maximum * campaign.maximum_share),
            campaign.maximum_on_days
        ));
    }
    needs
}

fn full_days(campaign: &Campaign, by_day: &BTreeMap<Date, Vec<&Measurement>>) -> usize {
    by_day.values().filter(|day| day.len() >= campaign.per_day as usize).count()
}

/// What the campaign still lacks, in words.
fn missing(campaign: &Campaign, counted: &[Measurement], by_day: &BTreeMap<Date, Vec<&Measurement>>) -> Option<String> {
    let days = full_days(campaign, by_day);
    let mut lacks = Vec::new();
    if counted.len() < campaign.measurements as usize {
        lacks.push(format!("{} of {} measurements", grouped(counted.len() as f64), campaign.measurements));
    }
    if days < campaign.days as usize {
        lacks.push(format!("{days} of {} days with {} or more", campaign.days, campaign.per_day));
    }
    (!lacks.is_empty()).then(|| format!("so far there are {}", lacks.join(", and ")))
}

fn minimum(campaign: &Campaign, speed: f64, by_day: &BTreeMap<Date, Vec<&Measurement>>) -> (Ruling, String) {
    let below = days_with(by_day, |one| one.high < speed);
    let perhaps = days_with(by_day, |one| one.low < speed);
    let limit = campaign.below_minimum_on_days as usize;
    let ruling = match () {
        () if below >= limit => Ruling::NotDelivered,
        () if perhaps < limit => Ruling::Delivered,
        () => Ruling::NotEnough,
    };
    let words = format!("below {} on {below} of {} days; {limit} or more count as missed", rate(speed), by_day.len());
    (ruling, open_days(words, perhaps - below))
}

fn normal(campaign: &Campaign, speed: f64, counted: &[Measurement]) -> (Ruling, String) {
    let reached = counted.iter().filter(|one| one.low >= speed).count();
    let open = counted.iter().filter(|one| one.low < speed && one.high >= speed).count();
    // A share that is met to the last measurement must not fail by the last bit of a product.
    let wanted = (campaign.normal_share * counted.len() as f64 - 1e-9).ceil().max(0.0) as usize;
    let ruling = match () {
        () if reached >= wanted => Ruling::Delivered,
        () if reached + open < wanted => Ruling::NotDelivered,
        () => Ruling::NotEnough,
    };
    let words = format!("{reached} of {} measurements reach {}; {wanted} must", counted.len(), rate(speed));
    let words = if open > 0 { format!("{words}, and {open} lie across it") } else { words };
    (ruling, words)
}

fn maximum(campaign: &Campaign, speed: f64, by_day: &BTreeMap<Date, Vec<&Measurement>>) -> (Ruling, String) {
    let wanted = speed * campaign.maximum_share;
    let reached = days_with(by_day, |one| one.low >= wanted);
    let perhaps = days_with(by_day, |one| one.high >= wanted);
    let limit = campaign.maximum_on_days as usize;
    let ruling = match () {
        () if reached >= limit => Ruling::Delivered,
        () if perhaps < limit => Ruling::NotDelivered,
        () => Ruling::NotEnough,
    };
    let words = format!("{} is reached on {reached} of {} days; {limit} or more must have it", rate(wanted), by_day.len());
    (ruling, open_days(words, perhaps - reached))
}

fn days_with(by_day: &BTreeMap<Date, Vec<&Measurement>>, holds: impl Fn(&Measurement) -> bool) -> usize {
    by_day.values().filter(|day| day.iter().any(|one| holds(one))).count()
}

fn open_days(words: String, open: usize) -> String {
    if open > 0 { format!("{words}, and measurements of {open} more lie across it") } else { words }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    /// Invented, in the form of such rules: 30 measurements on 3 days, 5 minutes apart.
    fn statement() -> Statement {
        let campaign = Campaign {
            measurements: 30,
            days: 3,
            per_day: 5,
            minutes_apart: 5,
            from_hour: 6,
            to_hour: 24,
            normal_share: 0.9,
            maximum_share: 0.9,
            maximum_on_days: 2,
            below_minimum_on_days: 2,
        };
        let down = Speeds { minimum: 150.0, normal: 200.0, maximum: 240.0 };
        Statement { down, up: Speeds { minimum: 30.0, normal: 40.0, maximum: 48.0 }, campaign, basis: "invented".to_owned() }
    }

    /// Ten an hour apart on each of three days, both ways; `mbit` tells the rate down by day and number, and up is always 47 Mbit/s.
    fn three_days(mbit: impl Fn(i8, i8) -> f64) -> Vec<Measurement> {
        let each = (1..=3).flat_map(|day| (0..10).map(move |n| (day, n)));
        let two = |(day, n): (i8, i8)| {
            let at = date(2026, 11, day).at(8 + n, 0, 0, 0);
            let one = |direction, mbit: f64| Measurement { at, direction, low: mbit - 1.0, high: mbit + 1.0 };
            [one(Direction::Down, mbit(day, n)), one(Direction::Up, 47.0)]
        };
        each.flat_map(two).collect()
    }

    fn down(measurements: &[Measurement]) -> Vec<(Ruling, String)> {
        rule(&statement(), measurements)
            .into_iter()
            .filter(|finding| finding.direction == Direction::Down)
            .map(|finding| (finding.ruling, finding.because))
            .collect()
    }

    #[test]
    fn a_line_that_keeps_its_word_is_found_to_and_each_speed_says_why() {
        let found = rule(&statement(), &three_days(|_, _| 230.0));
        assert!(found.iter().all(|finding| finding.ruling == Ruling::Delivered), "{found:?}");
        let all = three_days(|_, _| 230.0);
        let counts = progress(&statement().campaign, Direction::Down, &all);
        assert_eq!((counts.counted, counts.measurements, counts.days_counted, counts.days), (30, 30, 3, 3));
        assert_eq!(found[1].because, "30 of 30 measurements reach 200 Mbit/s; 27 must");
        assert_eq!((found[5].direction, found[5].stated), (Direction::Up, Stated::Maximum));
    }

    /// 3 of 30 below leaves 27, which is nine tenths; 4 leave 26, which is not.
    #[test]
    fn the_normal_speed_may_be_missed_by_a_tenth_and_no_more() {
        let misses = |many: i8| three_days(move |day, n| if day == 1 && n < many { 180.0 } else { 230.0 });
        assert_eq!(down(&misses(3))[1].0, Ruling::Delivered);
        let four = down(&misses(4));
        assert_eq!(four[1], (Ruling::NotDelivered, "26 of 30 measurements reach 200 Mbit/s; 27 must".to_owned()));
        assert_eq!((four[0].0, four[2].0), (Ruling::Delivered, Ruling::Delivered), "neither minimum nor maximum is touched");
    }

    #[test]
    fn the_minimum_is_missed_from_the_second_day_on() {
        let below_on = |days: i8| three_days(move |day, n| if day <= days && n == 0 { 100.0 } else { 230.0 });
        assert_eq!(down(&below_on(1))[0].0, Ruling::Delivered);
        let two = down(&below_on(2));
        assert_eq!(two[0], (Ruling::NotDelivered, "below 150 Mbit/s on 2 of 3 days; 2 or more count as missed".to_owned()));
    }

    #[test]
    fn the_maximum_must_be_seen_on_two_days() {
        let up_on = |days: i8| three_days(move |day, n| if day <= days && n == 9 { 220.0 } else { 210.0 });
        assert_eq!(down(&up_on(2))[2].0, Ruling::Delivered, "nine tenths of 240 are 216");
        assert_eq!(down(&up_on(1))[2].0, Ruling::NotDelivered);
    }

    #[test]
    fn an_interval_across_a_speed_decides_nothing() {
        let found = down(&three_days(|day, n| if day == 1 && n < 4 { 200.0 } else { 230.0 }));
        assert_eq!(found[1].0, Ruling::NotEnough);
        assert_eq!(found[1].1, "26 of 30 measurements reach 200 Mbit/s; 27 must, and 4 lie across it");
    }

    #[test]
    fn too_few_too_close_or_at_other_hours_are_not_enough_and_say_what_lacks() {
        let all = three_days(|_, _| 100.0);
        let two_days: Vec<_> = all.iter().copied().filter(|one| one.at.day() < 3).collect();
        let lacks = "so far there are 20 of 30 measurements, and 2 of 3 days with 5 or more";
        assert_eq!(down(&two_days), vec![(Ruling::NotEnough, lacks.to_owned()); 3]);
        // Thirty within three minutes count as one; those of the night not at all.
        let close: Vec<_> = (0..30).map(|s| Measurement { at: date(2026, 11, 1).at(8, s / 10, s, 0), ..all[0] }).collect();
        assert!(down(&close)[0].1.contains("1 of 30 measurements"), "{:?}", down(&close));
        let night: Vec<_> = all.iter().map(|one| Measurement { at: one.at.date().at(3, 0, 0, 0), ..*one }).collect();
        assert!(down(&night)[0].1.contains("0 of 30 measurements"));
        assert!(down(&[])[0].1.contains("0 of 3 days"));
    }
}
