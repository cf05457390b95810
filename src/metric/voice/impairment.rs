//! What a codec does to speech, without and with lost packets: the provisional planning values of ITU-T G.113 appendix I (from memory).

use crate::unit::{CallTerms, Codec};

/// Equipment impairment of a codec (G.107 section 7.5).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Impairment {
    /// Ie: points of rating that it takes without any loss.
    pub factor: f64,
    /// Bpl: how robust it is against lost packets; more is better.
    pub robustness: f64,
}

impl Impairment {
    /// Of a codec, as the listener's end plays it.
    ///
    /// The value of G.729A is that with voice activity detection, the only one that appendix I has; packets here are sent
    /// through pauses as well, which makes the value a cautious one.
    pub fn of(terms: &CallTerms) -> Self {
        let (factor, robustness) = match (terms.codec, terms.conceals) {
            (Codec::G711MuLaw | Codec::G711ALaw, false) => (0.0, 4.3),
            (Codec::G711MuLaw | Codec::G711ALaw, true) => (0.0, 25.1),
            (Codec::G729A, _) => (11.0, 19.0),
        };
        Self { factor, robustness }
    }

    /// Ie,eff: points of rating with this share of packets lost, in bursts of this ratio (G.107 equation 7-29).
    ///
    /// The Recommendation's Ppl is in per cent. A burst ratio below 1 is taken as 1: the Recommendation knows none.
    pub fn effective(self, lost_share: f64, burst_ratio: f64) -> f64 {
        let percent = lost_share.clamp(0.0, 1.0) * 100.0;
        self.factor + (95.0 - self.factor) * percent / (percent / burst_ratio.max(1.0) + self.robustness)
    }
}

/// Delay of coding and of filling a packet, milliseconds: the packet's 20 ms, and 5 ms of look-ahead for G.729 (G.114 appendix I, from memory:
/// at least the frames of a packet and the look-ahead).
pub fn coding_delay_ms(codec: Codec) -> f64 {
    match codec {
        Codec::G711MuLaw | Codec::G711ALaw => 20.0,
        Codec::G729A => 25.0,
    }
}

/// BurstR: mean length of the runs of lost packets, by the mean under random loss of the same share, which is 1 / (1 - share)
/// (G.107 section 7.5). 1 without loss; `None` when all were lost.
pub fn burst_ratio(lost: impl IntoIterator<Item = bool>) -> Option<f64> {
    let (mut packets, mut bad, mut runs, mut before) = (0_u64, 0_u64, 0_u64, false);
    for is_lost in lost {
        packets += 1;
        bad += u64::from(is_lost);
        runs += u64::from(is_lost && !before);
        before = is_lost;
    }
    if runs == 0 {
        return Some(1.0);
    }
    (bad < packets).then(|| bad as f64 / runs as f64 * (1.0 - bad as f64 / packets as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(codec: Codec, conceals: bool) -> Impairment {
        Impairment::of(&CallTerms { codec, conceals, ..CallTerms::default() })
    }

    #[test]
    fn effective_impairment_follows_g_107_equation_7_29_over_the_codecs_of_g_113() {
        // Worked out from the formula by hand, random loss; values of G.113 appendix I from memory.
        let codecs = [(Codec::G711MuLaw, false), (Codec::G711ALaw, true), (Codec::G729A, true)];
        for (percent, want) in [
            (0.0, [0.00, 0.00, 11.00]),
            (0.5, [9.90, 1.86, 13.15]),
            (1.0, [17.92, 3.64, 15.20]),
            (2.0, [30.16, 7.01, 19.00]),
            (3.0, [39.04, 10.14, 22.45]),
            (5.0, [51.08, 15.78, 28.50]),
            (10.0, [66.43, 27.07, 39.97]),
            (20.0, [78.19, 42.13, 54.08]),
        ] {
            for ((codec, conceals), want) in codecs.into_iter().zip(want) {
                let found = of(codec, conceals).effective(percent / 100.0, 1.0);
                assert!((found - want).abs() < 0.006, "{codec:?} {percent} %: {found}, not {want}");
            }
        }
    }

    #[test]
    fn older_tables_of_g_729_under_random_loss_are_met_within_a_point() {
        // G.113 appendix I of 1999, Ie by per cent of loss, from memory.
        for (percent, want) in
            [(0.0, 11.0), (0.5, 13.0), (1.0, 15.0), (1.5, 17.0), (2.0, 19.0), (3.0, 23.0), (4.0, 26.0), (8.0, 36.0), (16.0, 49.0)]
        {
            let found = of(Codec::G729A, true).effective(percent / 100.0, 1.0);
            assert!((found - want).abs() < 1.0, "{percent} %: {found}, not {want}");
        }
    }

    #[test]
    fn bursts_make_the_same_loss_worse() {
        let without = of(Codec::G711MuLaw, false);
        for (ratio, want) in [(0.5, 30.16), (1.0, 30.16), (1.5, 33.73), (2.0, 35.85)] {
            let found = without.effective(0.02, ratio);
            assert!((found - want).abs() < 0.006, "{ratio}: {found}, not {want}");
        }
    }

    #[test]
    fn the_burst_ratio_is_one_for_random_loss_and_that_of_a_chain_of_two_states() {
        // A chain that enters loss with p and leaves it with q has BurstR 1 / (p + q) (G.107 section 7.5).
        let mut state = 1_u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        for (p, q) in [(0.05, 0.95), (0.02, 0.5), (0.01, 0.25)] {
            let mut lost = false;
            let stream: Vec<bool> = (0..200_000)
                .map(|_| {
                    lost = uniform() < if lost { 1.0 - q } else { p };
                    lost
                })
                .collect();
            let (found, want) = (burst_ratio(stream).expect("some came"), 1.0 / (p + q));
            // Runs are geometric: their number is about 200 000 p q / (p + q), the mean's relative deviation below 1 over its root; four of those.
            let runs: f64 = 200_000.0 * p * q / (p + q);
            assert!((found / want - 1.0).abs() < 4.0 / runs.sqrt(), "{p} {q}: {found}, not {want}");
        }
    }

    #[test]
    fn without_loss_the_burst_ratio_is_one_and_without_a_packet_there_is_none() {
        assert_eq!(burst_ratio([false; 5]), Some(1.0));
        assert_eq!(burst_ratio([]), Some(1.0));
        assert_eq!(burst_ratio([true; 5]), None);
        // Two runs of two in ten: 2 x (1 - 0.4).
        let two = [false, true, true, false, false, true, true, false, false, false];
        assert_eq!(burst_ratio(two), Some(1.2));
    }
}
