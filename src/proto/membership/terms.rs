//! What a test of TV channels is to do: the channels and how hard to test them. The profile reads it, the check obeys it.

use std::net::IpAddr;
use std::time::Duration;

use crate::unit::Family;
use crate::wire::membership::Version;
use crate::wire::vlan::TagStack;

/// How a channel's transport stream is carried.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Carriage {
    /// RTP in UDP (RFC 3550, RFC 2250).
    #[default]
    Rtp,
    /// Bare in UDP.
    Udp,
}

/// A TV channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Its name for people.
    pub name: String,
    /// The group that it is sent to.
    pub group: IpAddr,
    /// The one source that is listened to; `None` is any.
    pub source: Option<IpAddr>,
    /// UDP port.
    pub port: u16,
    /// How it is carried.
    pub carriage: Carriage,
    /// Rate of its IP packets, Mbit/s.
    pub rate_mbit: f64,
    /// The tags that it comes with on the port under test; `None`: where the visit's IP goes.
    pub vlan: Option<TagStack>,
}

impl Channel {
    /// IP version of its group.
    pub fn family(&self) -> Family {
        Family::of(self.group)
    }
}

/// What a test is to do.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Terms {
    /// The channels, in order; without any there is no test.
    pub channels: Vec<Channel>,
    /// So many are listened to at once.
    pub at_once: usize,
    /// So many changes of channel at most.
    pub changes: u32,
    /// The membership protocol that the service is sold with; `None` takes the newest. An older querier still has its way (RFC 3376
    /// section 7.2.1).
    pub version: Option<Version>,
    /// This machine's kernel joins in the check's place.
    pub by_kernel: bool,
    /// How long channels are held at the deepest test; `None` is longer than a membership lasts without being told again.
    pub hold: Option<Duration>,
}

impl Terms {
    /// Longer than a membership lasts without being told again: 2 x 125 + 10 s with all defaults (RFC 3376 section 8.4, RFC 3810 section 9.4), from the
    /// second report on, which may come 1 s later (section 8.11). Many gateways and switches run Linux, whose timers may end late by an
    /// eighth (its timer wheel; from memory): 293.5 s. The rest is to see that a stream ends *(ours)*.
    pub const HOLD: Duration = Duration::from_secs(300);

    /// How long channels are held.
    pub fn hold(&self) -> Duration {
        self.hold.unwrap_or(Self::HOLD)
    }

    /// Mbit/s of IP that the largest `at_once` channels take together.
    pub fn mbit_at_once(&self) -> f64 {
        let mut rates: Vec<f64> = self.channels.iter().map(|channel| channel.rate_mbit).collect();
        rates.sort_by(|a, b| b.total_cmp(a));
        rates.iter().take(self.at_once.max(1)).sum()
    }
}
