//! The media delivery index of a constant-rate stream, RFC 4445: delay factor and media loss.
//!
//! Rates are of the media payload. It must not know packets' contents: loss comes in as a count of media packets.

/// One arrival: seconds since the interval's start, and media bits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// Seconds since the start of the interval.
    pub at_s: f64,
    /// Media bits in it.
    pub bits: f64,
}

/// Delay factor in seconds: how much buffer, as time at the media rate, the arrivals of one interval need
/// (section 3.1). `None` when the rate is not above zero.
///
/// The virtual buffer starts at zero with each interval, and is read just before and just after every arrival.
pub fn delay_factor(arrivals: &[Arrival], media_bits_per_second: f64) -> Option<f64> {
    if media_bits_per_second <= 0.0 {
        return None;
    }
    let (mut low, mut high, mut received) = (0.0_f64, 0.0_f64, 0.0);
    for arrival in arrivals {
        let before = received - media_bits_per_second * arrival.at_s;
        received += arrival.bits;
        let after = before + arrival.bits;
        low = low.min(before);
        high = high.max(after);
    }
    Some((high - low) / media_bits_per_second)
}

/// Media loss rate (section 3.2): media packets lost or out of order in an interval, per second.
pub fn media_loss_rate(lost_or_out_of_order: u64, interval_s: f64) -> Option<f64> {
    (interval_s > 0.0).then(|| lost_or_out_of_order as f64 / interval_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seven transport-stream packets of 188 octets.
    const DATAGRAM: f64 = 7.0 * 188.0 * 8.0;
    const RATE: f64 = 3.75e6;

    fn paced(n: u32) -> Vec<Arrival> {
        (1..=n).map(|i| Arrival { at_s: f64::from(i) * DATAGRAM / RATE, bits: DATAGRAM }).collect()
    }

    #[test]
    fn a_perfectly_paced_stream_needs_one_datagram_of_buffer() {
        // RFC 4445 section 3.1 by arithmetic: 10 528 bits at 3.75 Mbit/s are 2.807 ms.
        let factor = delay_factor(&paced(356), RATE).expect("a rate");
        assert!((factor * 1e3 - 2.807).abs() < 0.001, "{factor}");
    }

    #[test]
    fn a_datagram_that_comes_late_needs_its_lateness_more() {
        let mut arrivals = paced(100);
        for arrival in &mut arrivals[50..] {
            arrival.at_s += 0.010;
        }
        let factor = delay_factor(&arrivals, RATE).expect("a rate");
        assert!((factor * 1e3 - 12.807).abs() < 0.001, "{factor}");
        assert_eq!(delay_factor(&arrivals, 0.0), None);
    }

    #[test]
    fn a_lost_datagram_loses_seven_media_packets() {
        assert_eq!(media_loss_rate(7, 1.0), Some(7.0));
        assert_eq!(media_loss_rate(7, 0.0), None);
    }
}
