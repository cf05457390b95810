//! The table of rates (RFC 9097 section 8.1, table 1) and how each is sent.

use crate::wire::capacity::SendingRate;

/// Rows that there are (the RFC's appendix A allows 2000): up to 10 Gbit/s, then in steps of 1 Gbit/s to 100.
pub const ROWS: usize = 1181;
/// From this row on, a step is 100 Mbit/s and nothing is fast any more: 1 Gbit/s.
pub const GIGABIT: usize = 1000;

/// Microseconds between bursts at least: below, timers and system calls would cost more than smoothness gains.
const TICK: f64 = 100.0;
/// A second transmitter that would send less often than this adds nothing that can be seen.
const SELDOM: f64 = 1e6;

/// The second transmitter's least interval, so that rounding it to microseconds costs at most 0.1 %.
const ROUNDED: f64 = 500.0;

/// Rate of a row in Mbit/s at the IP layer.
pub fn mbit(row: usize) -> f64 {
    match row {
        0 => 0.5,
        1..=GIGABIT => row as f64,
        1001..=1090 => 1000.0 + (row - GIGABIT) as f64 * 100.0,
        _ => 10_000.0 + (row.min(ROWS - 1) - 1090) as f64 * 1000.0,
    }
}

/// The highest row of at most this rate.
pub fn row_of(rate_mbit: f64) -> usize {
    (0..ROWS).rev().find(|row| mbit(*row) <= rate_mbit).unwrap_or(0)
}

/// Sizes of a load packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sizes {
    /// Octets of the IP packet up to 1 Gbit/s.
    pub packet: u32,
    /// Octets of the IP packet above.
    pub fast_packet: u32,
    /// Octets of IP and UDP header: 28 or 48.
    pub headers: u32,
}

/// How a row is sent: bursts as small as the tick allows, and a second transmitter for what does not divide.
pub fn sending_rate(row: usize, sizes: Sizes) -> SendingRate {
    let octets = if row > GIGABIT { sizes.fast_packet } else { sizes.packet };
    // Bits per microsecond are Mbit/s.
    let (rate, bits) = (mbit(row), f64::from(octets) * 8.0);
    let spacing = bits / rate;
    let (interval, burst) = if spacing >= TICK { (spacing.ceil(), 1.0) } else { (TICK, (TICK / spacing).floor()) };
    let rest = rate - burst * bits / interval;
    let second = bits / rest.max(f64::MIN_POSITIVE);
    let payload = octets.saturating_sub(sizes.headers);
    let has_second = rest > 0.0 && second < SELDOM;
    // Whole microseconds: several at once where a spacing would lose too much by rounding.
    let at_once = (ROUNDED / second).ceil().max(1.0);
    SendingRate {
        interval_1: interval as u32,
        payload_1: payload,
        burst_1: burst as u32,
        interval_2: if has_second { (second * at_once).round() as u32 } else { 0 },
        payload_2: if has_second { payload } else { 0 },
        burst_2: if has_second { at_once as u32 } else { 0 },
        addon_2: 0,
    }
}

/// Rate at the IP layer that a sending rate asks for, Mbit/s.
pub fn mbit_of(rate: &SendingRate, headers: u32) -> f64 {
    let bits = |payload: u32| (f64::from(payload) + f64::from(headers)) * 8.0;
    let first =
        if rate.interval_1 > 0 { f64::from(rate.burst_1) * bits(rate.payload_1) / f64::from(rate.interval_1) } else { 0.0 };
    let addon = if rate.addon_2 > 0 { bits(rate.addon_2) } else { 0.0 };
    let second = if rate.interval_2 > 0 {
        (f64::from(rate.burst_2) * bits(rate.payload_2) + addon) / f64::from(rate.interval_2)
    } else {
        0.0
    };
    first + second
}
