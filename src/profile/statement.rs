//! What a contract states of a line's speed, and how many measurements tell whether that is given. Types only.

/// Speeds stated each way, and the rules by which measurements are held against them.
#[derive(Debug, Clone, PartialEq)]
pub struct Statement {
    /// Downstream.
    pub down: Speeds,
    /// Upstream.
    pub up: Speeds,
    /// What counts.
    pub campaign: Campaign,
    /// Where speeds and rules come from.
    pub basis: String,
}

/// Speeds of one direction, Mbit/s of TCP payload; none is larger than the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speeds {
    /// Always given.
    pub minimum: f64,
    /// Normally available.
    pub normal: f64,
    /// Given at least at times.
    pub maximum: f64,
}

/// How many measurements decide, and what they must show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Campaign {
    /// Measurements each way, at least.
    pub measurements: u32,
    /// Days with enough of them, at least.
    pub days: u32,
    /// Measurements that make a day count; default 1.
    pub per_day: u32,
    /// A measurement sooner after the one before does not count; default 0.
    pub minutes_apart: u32,
    /// First hour of the day that counts, local time; default 0.
    pub from_hour: u32,
    /// Hour of the day from which on none counts; default 24.
    pub to_hour: u32,
    /// Share of measurements that must reach the normally available speed.
    pub normal_share: f64,
    /// Share of the stated maximum that counts as reaching it; default 1.
    pub maximum_share: f64,
    /// Days on which it must be reached once; default 1.
    pub maximum_on_days: u32,
    /// Days with a measurement below the minimum from which on it is not given; default 1.
    pub below_minimum_on_days: u32,
}
