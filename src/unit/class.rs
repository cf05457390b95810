//! Classes of service whose streams run beside the main one of a two-way measurement: what a profile asks for, or the usual three.

use std::time::Duration;

use super::Ratio;

/// Gap between two packets of the main stream where it is closest of those depths at which classes run (handoff).
pub const MAIN_STREAM_INTERVAL: Duration = Duration::from_millis(9);
/// Beside a share of the main stream's pace, so that the streams don't march in step.
const OUT_OF_STEP: Duration = Duration::from_millis(1);

/// One stream of a class of service.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceClass {
    /// What rides in it, in the provider's words.
    pub name: Option<String>,
    /// Its code point, 0 to 63 (RFC 2474).
    pub dscp: u8,
    /// Octets of each IP packet, its header included.
    pub octets: u16,
    /// How often it sends.
    pub pace: ClassPace,
}

/// How often the stream of a class sends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ClassPace {
    /// So many packets to one of the main stream.
    Share(Ratio),
    /// With this gap.
    Every(Duration),
}

impl ClassPace {
    /// One to ten of the main stream *(ours)*: thin, so that it disturbs neither that nor the line.
    pub fn usual() -> Self {
        Self::Share(Ratio::new(0.1).expect("a share"))
    }
}

impl ServiceClass {
    /// Streams that may run beside the main one.
    pub const MOST: usize = 8;
    /// What the packet of any form has room in, over both IP versions: 40 + 8 octets of headers, 112 of an authenticated STAMP packet
    /// (RFC 8762 section 4.2.2), 8 + 20 of class and HMAC, 4 of empty padding (RFC 8972 section 4).
    pub const LEAST_OCTETS: u16 = 192;

    /// Voice (EF, RFC 3246), video conferences (AF41, RFC 4594 section 4.3) and bulk of low priority (CS1, RFC 4594 section 4.10). A
    /// voice packet of 20 ms at 64 kbit/s has 200 octets over IPv4; the other sizes are ours.
    pub fn usual() -> Vec<Self> {
        [(46, 200), (34, 628), (8, 328)]
            .map(|(dscp, octets)| Self { name: None, dscp, octets, pace: ClassPace::usual() })
            .to_vec()
    }

    /// Gap between two of its packets beside a main stream with this one.
    pub fn interval(&self, main: Duration) -> Duration {
        match self.pace {
            ClassPace::Share(share) => main.div_f64(share.value().max(0.001)) + OUT_OF_STEP,
            ClassPace::Every(gap) => gap,
        }
    }

    /// Packets that it sends while the main stream sends `packets` with the gap `main`; one at least.
    pub fn packets(&self, packets: u64, main: Duration) -> u64 {
        let time = main.as_secs_f64() * packets as f64;
        ((time / self.interval(main).as_secs_f64()) as u64).max(1)
    }

    /// Mbit/s of IP that it takes each way, beside a main stream with this gap.
    pub fn mbit(&self, main: Duration) -> f64 {
        f64::from(self.octets) * 8.0 / self.interval(main).as_secs_f64() / 1e6
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_classes_are_thin_and_yet_carry_a_95th_percentile() {
        // Below 3 % of the slowest line that has them, 5 Mbit/s.
        assert!(ServiceClass::usual().iter().map(|class| class.mbit(MAIN_STREAM_INTERVAL)).sum::<f64>() < 0.03 * 5.0);
        for class in ServiceClass::usual() {
            // It has an upper bound from 72 samples on (order statistics, 95 %).
            assert!(class.packets(1000, MAIN_STREAM_INTERVAL) >= 72);
            assert!(class.octets >= ServiceClass::LEAST_OCTETS);
        }
    }

    #[test]
    fn a_pace_of_its_own_does_not_follow_the_main_stream() {
        let class = ServiceClass { pace: ClassPace::Every(Duration::from_millis(20)), ..ServiceClass::usual().remove(0) };
        assert_eq!((class.packets(1000, MAIN_STREAM_INTERVAL), class.packets(15_000, Duration::from_millis(20))), (450, 15_000));
        // 200 octets each 20 ms: the 80 kbit/s of a call with 64 kbit/s speech, IP headers included.
        assert!((class.mbit(MAIN_STREAM_INTERVAL) - 0.08).abs() < 1e-9);
    }
}
