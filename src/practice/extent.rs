//! How large a fault is made: three extents for those that have a size, one for the others.
//!
//! The slight one of each misses a limit of the tier that the demo sells (`vdsl-100-40`) by its own arithmetic, beside each
//! figure; without that a healthy verdict would be right. Sizes are ours (invented); what they are held against is the tier's.

use std::time::Duration;

use crate::unit::Ratio;

use super::fault::Fault;

/// How much of a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Extent {
    /// Just beyond what the tier allows.
    Slight,
    /// What a technician would call a fault without a figure.
    Clear,
    /// The most, and what is meant where none is named.
    #[default]
    Heavy,
}

impl Extent {
    /// All, from the least on.
    pub const ALL: [Self; 3] = [Self::Slight, Self::Clear, Self::Heavy];

    /// The word on the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Slight => "slight",
            Self::Clear => "clear",
            Self::Heavy => "heavy",
        }
    }

    fn of<T>(self, [slight, clear, heavy]: [T; 3]) -> T {
        match self {
            Self::Slight => slight,
            Self::Clear => clear,
            Self::Heavy => heavy,
        }
    }

    /// Share of frames lost each way. The tier allows 0.5 % at handoff depth and 2 % at quick depth.
    pub(super) fn loss(self) -> Ratio {
        Ratio::new(self.of([0.015, 0.03, 0.06])).unwrap_or_default()
    }

    /// Delay that the access line adds each way. The tier allows a round trip of 50 ms.
    pub(super) fn delay(self) -> Duration {
        Duration::from_millis(self.of([30, 40, 60]))
    }

    /// Share of the sold rate that is left. The tier wants 90 %.
    pub(super) fn rate_left(self) -> f64 {
        self.of([0.8, 0.7, 0.5])
    }

    /// What the access line's buffers hold. The tier allows a delay of 150 ms under load.
    pub(super) fn queue(self) -> Duration {
        Duration::from_millis(self.of([220, 300, 500]))
    }

    /// How long the access line stops, about twice a second. The tier allows 95 of 100 round trips 50 ms: with stops of 120 ms every
    /// 520 ms, each way, more than a tenth of them take longer (10 and 11 % of speech came too late in two visits).
    pub(super) fn stall(self) -> Duration {
        Duration::from_millis(self.of([120, 160, 200]))
    }

    /// Largest packet of the access line, octets of IP. The tier sells 1492.
    pub(super) fn packet(self) -> u16 {
        self.of([1480, 1440, 1400])
    }

    /// Share of the line that another device uses. The tier wants 90 % of the rate.
    pub(super) fn others(self) -> Ratio {
        Ratio::new(self.of([0.15, 0.2, 0.3])).unwrap_or_default()
    }
}

impl std::fmt::Display for Extent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.word())
    }
}

/// A fault that was typed in and can't be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UnknownFault {
    /// No such name.
    #[error("no fault is called `{0}`; there are {known}", known = names())]
    Name(String),
    /// No such extent.
    #[error("`{0}` is no extent of a fault; there are slight, clear and heavy")]
    Extent(String),
    /// It has no size.
    #[error("the fault {0} is there or not: it has no extents")]
    Sizeless(Fault),
}

fn names() -> String {
    Fault::ALL.iter().map(|fault| fault.name()).collect::<Vec<_>>().join(", ")
}

impl Fault {
    /// The extents that it can have: three, or the one of a fault that is there or not.
    pub fn extents(self) -> &'static [Extent] {
        match self {
            Self::HomeLoss
            | Self::AccessLoss
            | Self::NetworkLoss
            | Self::LongDelay
            | Self::SlowLine
            | Self::DeepBuffer
            | Self::VoiceJitter
            | Self::SmallMtu
            | Self::MtuBlackhole
            | Self::CrossTraffic => &Extent::ALL,
            _ => &[Extent::Heavy],
        }
    }

    /// Reads `NAME` or `NAME:EXTENT`.
    ///
    /// # Errors
    /// When there is no such fault or it has no such extent.
    pub fn read(text: &str) -> Result<(Self, Extent), UnknownFault> {
        let (name, extent) = text.split_once(':').map_or((text, None), |(name, extent)| (name, Some(extent)));
        let fault = Self::by_name(name).ok_or_else(|| UnknownFault::Name(name.to_owned()))?;
        let Some(word) = extent else { return Ok((fault, Extent::default())) };
        let known = Extent::ALL.into_iter().find(|extent| extent.word() == word);
        let extent = known.ok_or_else(|| UnknownFault::Extent(word.to_owned()))?;
        if fault.extents().len() == 1 { Err(UnknownFault::Sizeless(fault)) } else { Ok((fault, extent)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::LineConfig;

    #[test]
    fn every_extent_makes_another_line() {
        for fault in Fault::ALL {
            let made = |extent: &Extent| {
                let mut line = LineConfig::shaped(100.0, 20.0).expect("rates");
                fault.apply_at(*extent, &mut line);
                line
            };
            let lines: Vec<_> = fault.extents().iter().map(made).collect();
            assert!(lines.windows(2).all(|pair| pair[0] != pair[1]), "{fault}");
            let (slight, heavy) = (made(&Extent::Slight), made(&Extent::Heavy));
            assert_eq!(slight == heavy, lines.len() == 1, "{fault} has a size and does not say so, or says so and has none");
        }
    }

    #[test]
    fn a_fault_is_typed_with_or_without_its_extent() {
        assert_eq!(Fault::read("access-loss"), Ok((Fault::AccessLoss, Extent::Heavy)));
        assert_eq!(Fault::read("access-loss:slight"), Ok((Fault::AccessLoss, Extent::Slight)));
        assert_eq!(Fault::read("access-loss:2%"), Err(UnknownFault::Extent("2%".to_owned())));
        assert_eq!(Fault::read("dns-dead:slight"), Err(UnknownFault::Sizeless(Fault::DnsDead)));
        assert!(Fault::read("dns-deaf").is_err_and(|e| e.to_string().contains("dns-dead")));
    }
}
