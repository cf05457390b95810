//! Time stamps and error estimates of RFC 4656 section 4.1.2 and RFC 8762 section 4.2.1.

/// Seconds from the NTP epoch (1900) to the Unix epoch (1970), RFC 5905 figure 4.
const NTP_TO_UNIX: i64 = 2_208_988_800;
const NANOS: i64 = 1_000_000_000;

/// The 64 bits of a time stamp; the error estimate beside it says in which format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Timestamp(pub u64);

/// What the 64 bits mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum TimestampFormat {
    /// Seconds since 1900 and 2^-32 s (RFC 5905).
    #[default]
    Ntp,
    /// Seconds since 1970 and nanoseconds, 32 bits each (IEEE 1588, truncated). The scale is that of the peer's clock,
    /// which may be TAI: only differences of two such stamps mean something.
    Ptp,
}

impl Timestamp {
    /// From nanoseconds since the Unix epoch, in NTP format, rounded to the nearest 2^-32 s. Wraps every 2^32 s (first in 2036).
    pub fn ntp_from_unix_ns(unix_ns: i64) -> Self {
        let seconds = unix_ns.div_euclid(NANOS) + NTP_TO_UNIX;
        let nanos = unix_ns.rem_euclid(NANOS) as u64;
        let fraction = ((nanos << 32) + NANOS as u64 / 2) / NANOS as u64;
        // Rounding may carry into the seconds.
        Self(((seconds as u64) << 32).wrapping_add(fraction))
    }

    /// Nanoseconds since the Unix epoch, rounded to the nearest. Seconds wrap every 2^32: the era nearest to `near_unix_ns` is taken.
    pub fn unix_ns(self, format: TimestampFormat, near_unix_ns: i64) -> i64 {
        let seconds = (self.0 >> 32) as u32;
        let low = self.0 & 0xffff_ffff;
        let (offset, nanos) = match format {
            TimestampFormat::Ntp => (NTP_TO_UNIX, ((low * NANOS as u64 + (1 << 31)) >> 32) as i64),
            TimestampFormat::Ptp => (0, low as i64),
        };
        let near = near_unix_ns.div_euclid(NANOS) + offset;
        // The difference to `near` as a signed 32-bit number picks the era.
        let difference = seconds.wrapping_sub(near as u32) as i32;
        (near + i64::from(difference) - offset).saturating_mul(NANOS).saturating_add(nanos)
    }
}

/// The 16 bits `S Z scale(6) multiplier(8)`: error is `multiplier * 2^(scale - 32)` s.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct ErrorEstimate {
    /// The clock is synchronised to UTC by an external source (S bit).
    pub synchronised: bool,
    /// Format of the time stamps beside it (Z bit, RFC 8186 and RFC 8762 section 4.2.1).
    pub format: TimestampFormat,
    /// Power of two, 0 to 63.
    pub scale: u8,
    /// Multiplier; zero is invalid.
    pub multiplier: u8,
}

impl ErrorEstimate {
    /// Splits the 16 bits.
    pub fn from_bits(bits: u16) -> Self {
        Self {
            synchronised: bits & 0x8000 != 0,
            format: if bits & 0x4000 != 0 { TimestampFormat::Ptp } else { TimestampFormat::Ntp },
            scale: (bits >> 8) as u8 & 0x3f,
            multiplier: bits as u8,
        }
    }

    /// Joins the 16 bits.
    pub fn to_bits(self) -> u16 {
        u16::from(self.synchronised) << 15
            | u16::from(self.format == TimestampFormat::Ptp) << 14
            | u16::from(self.scale & 0x3f) << 8
            | u16::from(self.multiplier)
    }

    /// An NTP-format estimate of at least `seconds`, in the finest scale that holds it.
    pub fn of_seconds(seconds: f64, synchronised: bool) -> Self {
        let mut scale = 0;
        let mut units = seconds.max(0.0) * 2f64.powi(32);
        while units > 255.0 && scale < 63 {
            units /= 2.0;
            scale += 1;
        }
        // RFC 4656 section 4.1.2: the multiplier must not be zero.
        let multiplier = units.ceil().clamp(1.0, 255.0) as u8;
        Self { synchronised, format: TimestampFormat::Ntp, scale, multiplier }
    }

    /// The error in seconds.
    pub fn seconds(self) -> f64 {
        f64::from(self.multiplier) * 2f64.powi(i32::from(self.scale) - 32)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn half_a_second_past_a_known_moment_is_half_the_fraction() {
        // 1 700 000 000 + 2 208 988 800 = 0xE8FE6F80 (RFC 5905 figure 4).
        let stamp = Timestamp::ntp_from_unix_ns(1_700_000_000_500_000_000);
        assert_eq!(stamp.0, 0xe8fe_6f80_8000_0000);
        assert_eq!(stamp.unix_ns(TimestampFormat::Ntp, 1_700_000_000 * NANOS), 1_700_000_000_500_000_000);
    }

    #[test]
    fn the_unix_epoch_is_2208988800_in_ntp() {
        assert_eq!(Timestamp::ntp_from_unix_ns(0).0, 2_208_988_800 << 32);
    }

    #[test]
    fn the_era_of_2036_is_told_by_the_clock_beside() {
        // 2036-02-07 06:28:16 UTC is 2^32 s after 1900: 4 294 967 296 - 2 208 988 800 in Unix time.
        let roll = 2_085_978_496 * NANOS;
        let stamp = Timestamp::ntp_from_unix_ns(roll + 1);
        assert!(stamp.0 >> 32 == 0);
        assert_eq!(stamp.unix_ns(TimestampFormat::Ntp, roll - 5 * NANOS), roll + 1);
        let before = Timestamp::ntp_from_unix_ns(roll - 1);
        assert_eq!(before.unix_ns(TimestampFormat::Ntp, roll + 5 * NANOS), roll - 1);
    }

    #[test]
    fn error_estimate_of_rfc_4656_is_a_scaled_multiplier() {
        let estimate = ErrorEstimate::from_bits(0x8c64);
        assert_eq!(estimate, ErrorEstimate { synchronised: true, format: TimestampFormat::Ntp, scale: 12, multiplier: 100 });
        // 100 * 2^-20 s.
        assert!((estimate.seconds() - 95.367e-6).abs() < 1e-9);
        assert_eq!(ErrorEstimate::from_bits(0x4001).format, TimestampFormat::Ptp);
    }

    #[test]
    fn an_estimate_is_never_smaller_than_what_it_is_made_from() {
        for seconds in [0.0, 1e-9, 1e-6, 95.367e-6, 0.01, 1.0, 3600.0] {
            let estimate = ErrorEstimate::of_seconds(seconds, false);
            assert!(estimate.multiplier > 0 && estimate.seconds() >= seconds, "{seconds}");
            assert!(seconds < 1e-7 || estimate.seconds() < seconds * 1.01, "{seconds}");
        }
    }

    proptest! {
        #[test]
        fn nanoseconds_survive_the_round_trip(ns in 0i64..4_000_000_000_000_000_000, off in -1_000_000i64..1_000_000) {
            let stamp = Timestamp::ntp_from_unix_ns(ns);
            prop_assert_eq!(stamp.unix_ns(TimestampFormat::Ntp, ns.saturating_add(off * 1_000_000)), ns);
        }

        #[test]
        fn every_error_estimate_survives(bits: u16) {
            prop_assert_eq!(ErrorEstimate::from_bits(bits).to_bits(), bits);
        }
    }
}
