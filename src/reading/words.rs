//! Figures in words: one way to write a number with its unit, for verdicts, isolation and reports.
//!
//! Three significant digits, since no figure of a visit deserves more in a sentence; the record keeps all of them.

use super::{Limit, LimitedBy, Reading, Target, Unit};
use crate::unit::{Family, Load};

/// A value with its unit: `34.1 ms`, `941.5 Mbit/s`, `0.3 %` (shares of names ending in `_ratio`), `1,500 octets`, `3`.
pub fn figure(name: &str, unit: Unit, value: f64) -> String {
    match unit {
        Unit::Millisecond => format!("{} ms", significant(value)),
        Unit::MegabitPerSecond => format!("{} Mbit/s", rate(value)),
        Unit::One if name.ends_with("_ratio") || name.ends_with("_under_load") || name.ends_with("_cpu") => {
            format!("{} %", significant(value * 100.0))
        }
        Unit::One => significant(value),
        Unit::Octet => format!("{} octets", significant(value)),
        Unit::Second => format!("{} s", significant(value)),
        Unit::PerSecond => format!("{} per second", significant(value)),
        Unit::PerMinute => format!("{value:.0} a minute"),
        Unit::Decibel | Unit::DecibelMilliwatt => format!("{} {}", significant(value), unit.symbol()),
    }
}

/// The value of a reading with its unit; `more than 2,000 ms` when the figure lies among what never came back.
pub fn of(reading: &Reading) -> String {
    let figure = figure(&reading.name, reading.unit, reading.value);
    if reading.exceeds { format!("more than {figure}") } else { figure }
}

/// A rate's number: one decimal from 10 Mbit/s on, since sold rates are compared at that grain.
fn rate(value: f64) -> String {
    if value.abs() >= 10.0 { trimmed(&format!("{value:.1}")) } else { significant(value) }
}

/// Three significant digits without trailing zeros; whole numbers from 100 on in full, with separators.
pub fn significant(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return if value == 0.0 { "0".to_owned() } else { "unbounded".to_owned() };
    }
    if value.abs() >= 99.95 {
        return grouped(value);
    }
    let digits_before = value.abs().log10().floor() as i32 + 1;
    let decimals = usize::try_from((3 - digits_before).max(0)).unwrap_or(0).min(9);
    trimmed(&format!("{value:.decimals$}"))
}

fn trimmed(number: &str) -> String {
    let short = if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.') } else { number };
    if short == "-0" { "0".to_owned() } else { short.to_owned() }
}

/// A whole number with a comma between thousands.
pub fn grouped(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    if value < 0.0 { format!("-{out}") } else { out }
}

/// A text with its first letter large.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// What a figure was taken on, over and under: `gateway, IPv6, while filled down`. Empty when nothing is set.
pub fn selector(reading: &Reading) -> String {
    selector_of(reading.target.as_ref(), reading.direction.map(|d| d.to_string()), reading.family, reading.load)
}

/// As [`selector`], from its parts.
pub fn selector_of(target: Option<&Target>, direction: Option<String>, family: Option<Family>, load: Option<Load>) -> String {
    let load = match load {
        None | Some(Load::Idle) => None,
        Some(Load::Down) => Some("while filled down"),
        Some(Load::Up) => Some("while filled up"),
        Some(Load::Both) => Some("while filled both ways"),
    };
    let family = family.map(|f| match f {
        Family::Ipv4 => "IPv4".to_owned(),
        Family::Ipv6 => "IPv6".to_owned(),
    });
    let parts = [target.map(target_words), direction, family, load.map(str::to_owned)];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// A reading's name with what it was taken on: `twoway.loss_ratio, down`.
pub fn named(name: &str, of: &str) -> String {
    if of.is_empty() { name.to_owned() } else { format!("{name}, {of}") }
}

/// A target in words.
pub fn target_words(target: &Target) -> String {
    match target {
        Target::Gateway => "gateway".to_owned(),
        Target::ProviderHop => "provider's first hop".to_owned(),
        Target::FarEnd => "far end".to_owned(),
        Target::Resolver(n) => format!("resolver {n}"),
        Target::Hop(n) => format!("hop {n}"),
        Target::Server(n) => format!("server {n}"),
        Target::Vlan(0, _) => "no tag".to_owned(),
        Target::Vlan(n, 0) => format!("VLAN {n}"),
        Target::Class(46) => "DSCP 46, EF".to_owned(),
        Target::Class(34) => "DSCP 34, AF41".to_owned(),
        Target::Class(8) => "DSCP 8, CS1".to_owned(),
        Target::Class(n) => format!("DSCP {n}"),
        Target::Page(n) => format!("public page {n}"),
        Target::Channel(n) => format!("TV channel {n}"),
        Target::Vlan(outer, inner) => format!("VLAN {outer}.{inner}"),
    }
}

/// Whose limit it was, in words.
pub fn limited(limit: &LimitedBy) -> String {
    let side = match limit.side {
        Limit::TestSet => "the test set",
        Limit::FarEnd => "the far end",
        Limit::CrossTraffic => "other traffic on the line",
    };
    format!("{side} ({})", limit.what)
}

/// The quantile that a reading name states in its last part: `_p50`, `_p95`, `_p99`, `_p999`.
pub fn quantile(name: &str) -> Option<f64> {
    let digits = name.rsplit_once("_p")?.1;
    let valid = !digits.is_empty() && digits.len() <= 6 && digits.bytes().all(|b| b.is_ascii_digit());
    valid.then(|| digits.parse::<f64>().ok()).flatten().map(|n| n / 10_f64.powi(digits.len() as i32))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_three_significant_digits() {
        for (value, want) in [
            (0.0, "0"),
            (0.001_234, "0.00123"),
            (0.5, "0.5"),
            (9.999, "10"),
            (34.12, "34.1"),
            (99.96, "100"),
            (941.482, "941"),
            (1500.0, "1,500"),
            (1_234_567.0, "1,234,567"),
            (-2.5, "-2.5"),
        ] {
            assert_eq!(significant(value), want, "{value}");
        }
    }

    #[test]
    fn a_figure_carries_its_unit_and_shares_are_per_cent() {
        assert_eq!(figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, 941.48), "941.5 Mbit/s");
        assert_eq!(figure("twoway.loss_ratio", Unit::One, 0.0042), "0.42 %");
        assert_eq!(figure("dhcp4.servers", Unit::One, 2.0), "2");
        assert_eq!(figure("link.mtu", Unit::Octet, 1500.0), "1,500 octets");
    }

    #[test]
    fn quantiles_are_read_from_names() {
        assert_eq!(quantile("twoway.round_trip_p95"), Some(0.95));
        assert_eq!(quantile("twoway.delay_variation_p999"), Some(0.999));
        assert_eq!(quantile("echo.round_trip_min"), None);
        assert_eq!(quantile("throughput.tcp_payload_rate"), None);
    }
}
