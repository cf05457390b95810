//! The arithmetic of the TCP throughput framework, RFC 6349: what a path can carry, and what a transfer made of it.
//!
//! Megabits and kilobytes are decimal, as in the RFC's tables. It must not know how a transfer is run.

/// Octets of an IPv4 and a TCP header without options (RFC 6349 section 4.1.1).
pub const IPV4_TCP_HEADERS: u32 = 40;
/// Octets on an Ethernet line beside the IP packet: header 14, FCS 4, gap 12, preamble 7, start 1 (section 4.1.1).
pub const ETHERNET_OVERHEAD: u32 = 38;
/// Octets on a T3 line beside the IP packet: PPP 4, flags 2, CRC 2 (section 4.1.1).
pub const T3_OVERHEAD: u32 = 8;

/// Bandwidth-delay product in bits: bottleneck rate in bit/s times round trip in seconds (section 3.3.1).
pub fn bandwidth_delay_product(bits_per_second: f64, round_trip_s: f64) -> f64 {
    bits_per_second * round_trip_s
}

/// Smallest receive window in octets that fills the path (section 3.3.1).
pub fn least_window(bits_per_second: f64, round_trip_s: f64) -> f64 {
    bandwidth_delay_product(bits_per_second, round_trip_s) / 8.0
}

/// Connections needed to fill the path when each has a window of so many octets (section 5.1). Zero windows need none to try.
pub fn connections(bits_per_second: f64, round_trip_s: f64, window: f64) -> u64 {
    if window > 0.0 { (least_window(bits_per_second, round_trip_s) / window).ceil() as u64 } else { 0 }
}

/// Whole frames per second that a line carries, each an IP packet of `mtu` octets and `overhead` (section 4.1.1).
pub fn frames_per_second(line_bits_per_second: f64, mtu: u32, overhead: u32) -> f64 {
    (line_bits_per_second / (f64::from(mtu + overhead) * 8.0)).floor()
}

/// Largest TCP payload rate in bit/s over IPv4 without options (section 4.1.1).
pub fn most_payload(line_bits_per_second: f64, mtu: u32, overhead: u32) -> f64 {
    f64::from(mtu.saturating_sub(IPV4_TCP_HEADERS)) * 8.0 * frames_per_second(line_bits_per_second, mtu, overhead)
}

/// Rate in bit/s that a window of so many octets allows, no more than `most` (section 3.3.1).
pub fn window_limited(window: f64, round_trip_s: f64, most: f64) -> f64 {
    (window * 8.0 / round_trip_s).min(most)
}

/// Actual by ideal transfer time (section 4.1); `None` when the ideal is not above zero.
pub fn transfer_time_ratio(actual_s: f64, ideal_s: f64) -> Option<f64> {
    (ideal_s > 0.0).then(|| actual_s / ideal_s)
}

/// Share of the octets sent that were not sent again (section 4.2); `sent` includes those sent again.
pub fn efficiency(sent: u64, sent_again: u64) -> Option<f64> {
    (sent > 0).then(|| sent.saturating_sub(sent_again) as f64 / sent as f64)
}

/// How much the round trip grew under the transfer, as a share of the baseline (section 4.3).
pub fn buffer_delay(average_round_trip: f64, baseline_round_trip: f64) -> Option<f64> {
    (baseline_round_trip > 0.0).then(|| (average_round_trip - baseline_round_trip) / baseline_round_trip)
}

/// What is known of a single stream beside several at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SingleStream {
    /// Its rate, and that of all of the several streams together, bit/s.
    pub rate: f64,
    /// Rate of the several streams together.
    pub several_rate: f64,
    /// How many there were.
    pub several: u16,
    /// Jain's index of their rates.
    pub fairness: f64,
    /// Share of the busy time in which the receiver's window held it back.
    pub window_limited: f64,
    /// Share of the busy time in which its own send buffer held it back.
    pub buffer_limited: f64,
    /// Octets sent again per octet sent.
    pub sent_again: f64,
    /// Least round trip in seconds.
    pub round_trip_s: f64,
}

/// What holds a single stream back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeldBack {
    /// The receiver's window: it can't be larger in a round trip.
    ReceiveWindow,
    /// The sender's buffer.
    SendBuffer,
    /// Something on the way gives each stream the same and no more.
    PerFlowShaper,
    /// Loss, after which a loss-based sender halves or nearly so.
    Loss,
    /// None of these: the stream had not grown to the path's product of rate and delay yet.
    Growth,
}

/// A single stream that reaches this share of what several reach is not held back *(ours)*.
const AS_GOOD: f64 = 0.9;
/// A limit that holds for more than this share of the time is what holds it back *(ours)*.
const MOSTLY: f64 = 0.5;
/// Streams that all get the same: Jain's index above this, and each within this share of the single one's rate *(ours)*.
const EQUAL: (f64, f64) = (0.98, 0.1);

/// Why a single stream stays behind several; `None` when it does not.
///
/// The kernel counts the time in which either window was the limit. Loss bounds a loss-based stream by its share and the round trip (M.
/// Mathis and others, 1997: `1460 x 8 / RTT x 1.22 / sqrt(p)`): it is named where the rate is that bound, within a factor of two. A shaper for
/// each flow shows in streams that are equal among themselves and to the single one while the bound is elsewhere: a shaper that queues loses next
/// to nothing, and one that drops does so in heaps, which a stream survives at many times the bound.
pub fn held_back(of: &SingleStream) -> Option<HeldBack> {
    if of.rate >= AS_GOOD * of.several_rate {
        return None;
    }
    let each = of.several_rate / f64::from(of.several.max(1));
    let is_even = of.several > 1 && of.fairness >= EQUAL.0 && (each / of.rate.max(1.0) - 1.0).abs() <= EQUAL.1;
    let bound = if of.sent_again > 0.0 && of.round_trip_s > 0.0 {
        1460.0 * 8.0 / of.round_trip_s * 1.22 / of.sent_again.sqrt()
    } else {
        f64::INFINITY
    };
    Some(if of.window_limited > MOSTLY {
        HeldBack::ReceiveWindow
    } else if of.buffer_limited > MOSTLY {
        HeldBack::SendBuffer
    } else if (0.5 * of.rate..=2.0 * of.rate).contains(&bound) {
        HeldBack::Loss
    } else if is_even {
        HeldBack::PerFlowShaper
    } else if bound < 0.5 * of.rate {
        HeldBack::Loss
    } else {
        HeldBack::Growth
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bandwidth_delay_products_of_rfc_6349_table_3_3_1() {
        // Mbit/s, ms, bits, kilobytes as printed (55.2625, 82.89375 and 138.15625 are cut to two digits).
        for (mbit, ms, bits, kilobytes) in [
            (1.536, 20.0, 30_720.0, 3.84),
            (1.536, 50.0, 76_800.0, 9.60),
            (1.536, 100.0, 153_600.0, 19.20),
            (44.210, 10.0, 442_100.0, 55.26),
            (44.210, 15.0, 663_150.0, 82.89),
            (44.210, 25.0, 1_105_250.0, 138.16),
            (100.0, 1.0, 100_000.0, 12.50),
            (100.0, 2.0, 200_000.0, 25.00),
            (100.0, 5.0, 500_000.0, 62.50),
            (1_000.0, 0.1, 100_000.0, 12.50),
            (1_000.0, 0.5, 500_000.0, 62.50),
            (1_000.0, 1.0, 1_000_000.0, 125.00),
            (10_000.0, 0.05, 500_000.0, 62.50),
            (10_000.0, 0.3, 3_000_000.0, 375.00),
            // Section 3.3.1, the asymmetric access: 5 Mbit/s down, 640 kbit/s up, 90 ms.
            (5.0, 90.0, 450_000.0, 56.25),
            (0.640, 90.0, 57_600.0, 7.20),
        ] {
            let (rate, trip) = (mbit * 1e6, ms / 1e3);
            assert!((bandwidth_delay_product(rate, trip) - bits).abs() < 1e-3, "{mbit} Mbit/s, {ms} ms");
            assert!((least_window(rate, trip) / 1e3 - kilobytes).abs() < 0.005, "{mbit} Mbit/s, {ms} ms");
        }
    }

    #[test]
    fn window_limits_of_rfc_6349_figures_3_3_1() {
        let t3 = most_payload(44.21e6, 1500, T3_OVERHEAD);
        let fast = most_payload(100e6, 1500, ETHERNET_OVERHEAD);
        // Round trip ms, window KB, Mbit/s as printed.
        for (ms, kilobytes, most, mbit) in [
            (5.0, 16.0, fast, 25.6),
            (10.0, 16.0, t3, 12.8),
            (10.0, 64.0, t3, 42.8),
            (15.0, 16.0, t3, 8.5),
            (15.0, 64.0, t3, 34.1),
            (25.0, 16.0, t3, 5.1),
            (25.0, 32.0, t3, 10.2),
            (25.0, 64.0, t3, 20.5),
            (25.0, 128.0, t3, 40.9),
        ] {
            let got = window_limited(kilobytes * 1e3, ms / 1e3, most) / 1e6;
            assert!((got - mbit).abs() < 0.1, "{ms} ms, {kilobytes} KB: {got}");
        }
    }

    #[test]
    fn frame_rates_and_payload_rates_of_rfc_6349_section_4_1_1() {
        assert_eq!(frames_per_second(44.21e6, 1500, T3_OVERHEAD), 3664.0);
        assert_eq!(most_payload(44.21e6, 1500, T3_OVERHEAD), 42_795_520.0);
        for (line, frames) in [(1e8, 8_127.0), (1e9, 81_274.0), (1e10, 812_743.0)] {
            assert_eq!(frames_per_second(line, 1500, ETHERNET_OVERHEAD), frames);
        }
        // Printed as 94.9 and 949.2 Mbit/s.
        assert_eq!(most_payload(1e8, 1500, ETHERNET_OVERHEAD), 94_923_360.0);
        assert!((most_payload(1e9, 1500, ETHERNET_OVERHEAD) / 1e6 - 949.2).abs() < 0.1);
    }

    #[test]
    fn connections_of_rfc_6349_table_5_1() {
        // 500 Mbit/s, 5 ms: 312.5 KB. And 2 MB of product with windows of 64 KB (32 of them).
        for (kilobytes, want) in [(16.0, 20), (32.0, 10), (64.0, 5), (128.0, 3)] {
            assert_eq!(connections(500e6, 0.005, kilobytes * 1e3), want, "{kilobytes} KB");
        }
        assert_eq!(connections(16e6, 1.0, 62_500.0), 32);
        assert_eq!(connections(1e9, 0.1, 0.0), 0);
    }

    #[test]
    fn the_three_metrics_of_rfc_6349_section_4() {
        // Section 4.1: 5 transfers of 100 MB on 500 Mbit/s ideally take 8 s, took 12.
        let ideal = 5.0 * 800e6 / 500e6;
        assert_eq!((ideal, transfer_time_ratio(12.0, ideal)), (8.0, Some(1.5)));
        // Section 4.2: 102 000 sent, 2 000 of them again: 98.03 % (cut).
        let efficiency = efficiency(102_000, 2_000).expect("sent");
        assert_eq!((efficiency * 1e4).floor() / 100.0, 98.03);
        // Section 4.3: 25 ms baseline, 32 ms average: 28 %.
        assert!((buffer_delay(32.0, 25.0).expect("baseline") - 0.28).abs() < 1e-12);
        assert_eq!((transfer_time_ratio(1.0, 0.0), super::efficiency(0, 0), buffer_delay(1.0, 0.0)), (None, None, None));
    }

    #[test]
    fn ideal_transfer_times_of_rfc_6349_table_4_1_2() {
        // 100 MB. The table rounds freely: 8.43 is printed 9.0, 18.7 is printed 18.0; within one second of each.
        for (mbit, overhead, printed) in [
            (44.21, T3_OVERHEAD, 18.0),
            (100.0, ETHERNET_OVERHEAD, 9.0),
            (1_000.0, ETHERNET_OVERHEAD, 1.0),
            (10_000.0, ETHERNET_OVERHEAD, 0.1),
        ] {
            let ideal: f64 = 800e6 / most_payload(mbit * 1e6, 1500, overhead);
            assert!((ideal - printed).abs() < 1.0, "{mbit} Mbit/s: {ideal}");
        }
    }

    #[test]
    fn what_holds_a_single_stream_back_is_told_by_what_the_kernel_counted_and_the_others_got() {
        let free = SingleStream {
            rate: 20e6,
            several_rate: 80e6,
            several: 4,
            fairness: 0.9,
            window_limited: 0.0,
            buffer_limited: 0.0,
            sent_again: 0.0,
            round_trip_s: 0.05,
        };
        let why = |change: fn(&mut SingleStream)| {
            let mut of = free;
            change(&mut of);
            held_back(&of)
        };
        assert_eq!(why(|of| of.rate = 75e6), None);
        assert_eq!(why(|of| of.window_limited = 0.9), Some(HeldBack::ReceiveWindow));
        assert_eq!(why(|of| of.buffer_limited = 0.9), Some(HeldBack::SendBuffer));
        assert_eq!(why(|of| of.fairness = 0.999), Some(HeldBack::PerFlowShaper));
        // Equal among themselves, but a single one gets more than each of them.
        assert_eq!(why(|of| (of.fairness, of.rate) = (0.999, 40e6)), Some(HeldBack::Growth));
        // 1460 x 8 / 0.05 x 1.22 / sqrt(0.0001) = 28.5 Mbit/s, so 20 Mbit/s are what such loss allows; a tenth of that loss would allow 90.
        assert_eq!(why(|of| (of.sent_again, of.fairness) = (1e-4, 0.999)), Some(HeldBack::Loss));
        assert_eq!(why(|of| (of.sent_again, of.fairness) = (0.01, 0.999)), Some(HeldBack::PerFlowShaper));
        assert_eq!(why(|of| of.sent_again = 1e-5), Some(HeldBack::Growth));
        assert_eq!(why(|_| {}), Some(HeldBack::Growth));
    }
}
