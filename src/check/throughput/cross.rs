//! Whether others used the line during a phase: the gateway's counters against what the agent moved.
//!
//! Two looks frame the phase, more come between so that 32-bit counters can't turn unseen. What a gateway says here only ever
//! takes weight from a verdict: it marks figures as bounded by other traffic, it never makes one fail.

use std::time::Duration;

use tokio_util::sync::CancellationToken;

use crate::check::Context;
use crate::check::gateway::{Counters, Tally};
use crate::reading::{Limit, Reading};
use crate::unit::Direction;

/// Share of others from which figures of the phase are marked. Counters of two devices that are read a few milliseconds apart,
/// headers that only one of them counts (a PPP interface leaves 22 octets of 1514 out): below 3 % together.
pub(super) const TOLERANCE: f64 = 0.05;
/// Share of the sold rate from which others on the direction that was not filled are marked: acknowledgements wait behind them.
const OTHER_WAY: f64 = 0.5;
/// A gateway that counts less than this share of what the agent moved leaves something out, often what hardware forwards.
const LEAST_COUNTED: f64 = 0.8;
/// A counter that stands longer while the agent moves octets is too coarse for a phase of some seconds.
const LONGEST_STANDSTILL: Duration = Duration::from_secs(3);
/// Between two looks: at 10 Gbit/s a 32-bit counter turns in 3.4 s.
const LOOK: Duration = Duration::from_secs(1);
/// Ethernet octets per octet of TCP payload in full frames with time stamps (RFC 6349 section 4.1.1, RFC 7323 section 3.2). A
/// port's counter may know fewer where the kernel hands over several segments with one header.
const FRAME_PER_PAYLOAD: f64 = 1514.0 / 1448.0;

/// Watches the gateway's counters during a phase.
pub(super) struct Meter<'a> {
    counters: Option<&'a Counters>,
    port: u32,
    tally: Result<Tally, String>,
}

impl<'a> Meter<'a> {
    /// The first look.
    pub(super) async fn start(context: &'a Context) -> Self {
        let counters = context.known.gateway_counters.as_deref();
        let mut meter = Self { counters, port: context.interface.index, tally: Ok(Tally::default()) };
        meter.look().await;
        meter
    }

    /// Looks until the load is over.
    pub(super) async fn watch(&mut self, over: &CancellationToken) {
        while self.counters.is_some() && self.tally.is_ok() && tokio::time::timeout(LOOK, over.cancelled()).await.is_err() {
            self.look().await;
        }
    }

    /// The last look; `None` where the gateway tells nothing.
    pub(super) async fn end(mut self) -> Option<Result<Tally, String>> {
        self.look().await;
        self.counters.map(|_| self.tally)
    }

    async fn look(&mut self) {
        if let (Some(counters), Ok(tally)) = (self.counters, &mut self.tally) {
            match counters.look(self.port).await {
                Ok(look) => tally.add(look),
                Err(why) => self.tally = Err(format!("the gateway's counters could not be read: {why}")),
            }
        }
    }
}

/// What TCP moved in the direction that was filled.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Moved {
    /// Payload that the receivers got.
    pub(super) received: u64,
    /// Payload that the senders sent, sent again included, where their kernels say.
    pub(super) sent: Option<u64>,
    /// Of these, sent again.
    pub(super) sent_again: u64,
}

/// How much of the line was not the agent's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cross {
    /// Share of the octets in the direction that was filled, 0 to 1.
    pub(super) share: f64,
    /// The same as Mbit/s at the gateway's layer.
    pub(super) mbit: f64,
    /// Mbit/s of others in the other direction.
    pub(super) other_way_mbit: f64,
    looks: usize,
}

/// Weighs the looks of a phase.
///
/// # Errors
/// Why the counters tell nothing.
pub(super) fn weigh(tally: &Tally, direction: Direction, moved: &Moved) -> Result<Cross, String> {
    let nothing = || "the gateway's counters began anew".to_owned();
    let gained = |direction| tally.gained(direction).ok_or_else(nothing);
    let (filled, other) = (gained(direction)?, gained(direction.reversed())?);
    // What was lost between gateway and agent crossed the line as well: TCP sent it again, so the sender's count holds it.
    let octets = |payload: u64| (payload as f64 * FRAME_PER_PAYLOAD) as u64;
    let own = match direction {
        Direction::Down => (filled.port + octets(moved.sent_again)).max(octets(moved.sent.unwrap_or(moved.received))),
        Direction::Up => filled.port.max(octets(moved.sent.unwrap_or(moved.received))),
    };
    if (filled.line as f64) < LEAST_COUNTED * own.min(filled.port) as f64 {
        let (counted, port) = (filled.line, filled.port);
        return Err(format!(
            "the gateway counted {counted} octets where the agent alone moved {port}: its counters leave some out"
        ));
    }
    let stood = tally.longest_standstill(direction);
    if stood > LONGEST_STANDSTILL {
        return Err(format!(
            "the gateway's counters stood still for {:.0} s under load: they are too coarse",
            stood.as_secs_f64()
        ));
    }
    let span = tally.span().as_secs_f64().max(1e-3);
    let mbit = |octets: u64| octets as f64 * 8.0 / 1e6 / span;
    let of_others = filled.line.saturating_sub(own);
    Ok(Cross {
        share: if filled.line == 0 { 0.0 } else { of_others as f64 / filled.line as f64 },
        mbit: mbit(of_others),
        other_way_mbit: mbit(other.line.saturating_sub(other.port)),
        looks: tally.looks(),
    })
}

impl Cross {
    /// The reading.
    pub(super) fn reading(&self) -> Reading {
        Reading { samples: self.looks as u64, ..Reading::exact("throughput.cross_traffic_ratio", self.share) }
    }

    /// Marks a figure of the phase where others mattered. `sold_other_way` is the sold rate of the direction that was not
    /// filled.
    pub(super) fn mark(&self, reading: Reading, direction: Direction, sold_other_way: Option<f64>) -> Reading {
        let Self { share, mbit, other_way_mbit, .. } = *self;
        if share > TOLERANCE {
            let percent = share * 100.0;
            let what = format!(
                "by the gateway's counters {percent:.0} % of the octets {direction} were not the agent's: others moved {mbit:.1} Mbit/s"
            );
            return reading.limited_by(Limit::CrossTraffic, what);
        }
        match sold_other_way.filter(|sold| other_way_mbit > OTHER_WAY * sold) {
            Some(sold) => {
                let what = format!("by the gateway's counters others moved {other_way_mbit:.1} of {sold} Mbit/s the other way");
                reading.limited_by(Limit::CrossTraffic, what)
            }
            None => reading,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::gateway::Look;
    use std::time::Instant;

    /// A phase of four seconds: what line and port gained, up and down, spread evenly.
    fn phase(line: (u64, u64), port: (u64, u64)) -> Tally {
        let start = Instant::now();
        let mut tally = Tally::default();
        for step in 0..=4 {
            let part = |all: u64| all * step / 4;
            tally.add(Look {
                at: start + Duration::from_secs(step),
                line_down: part(line.0),
                line_up: part(line.1),
                port_down: part(port.0),
                port_up: part(port.1),
            });
        }
        tally
    }

    fn down(received: u64) -> Moved {
        Moved { received, sent: Some(received), sent_again: 0 }
    }

    #[test]
    fn a_quiet_home_shows_no_share_and_headers_are_no_traffic_of_others() {
        // 40 MB of payload are 41.8 MB in frames; the port's counter saw segments joined, 40.1 MB.
        let cross = weigh(&phase((41_823_000, 1_000_000), (40_100_000, 1_000_000)), Direction::Down, &down(40_000_000));
        assert!(cross.as_ref().is_ok_and(|cross| cross.share < 0.001), "{cross:?}");
    }

    #[test]
    fn others_are_their_share_of_what_the_line_carried() {
        let tally = phase((60_000_000, 1_000_000), (42_000_000, 1_000_000));
        let cross = weigh(&tally, Direction::Down, &down(40_000_000)).expect("told");
        // (60 - 42) / 60; 18 MB in 4 s.
        assert!((cross.share - 0.3).abs() < 1e-9 && (cross.mbit - 36.0).abs() < 1e-9, "{cross:?}");
        let rate = cross.mark(Reading::exact("throughput.start_up_time", 1.0), Direction::Down, None);
        assert_eq!(rate.limited_by[0].side, Limit::CrossTraffic);
        assert!(rate.limited_by[0].what.contains("30 %") && rate.limited_by[0].what.contains("36.0 Mbit/s"), "{rate:?}");
    }

    #[test]
    fn what_got_lost_at_home_crossed_the_line_and_is_the_agents() {
        // 6 % were lost between gateway and agent and sent again: the line carried 44.6 MB, the port 41.9 MB.
        let moved = Moved { received: 40_000_000, sent: Some(42_600_000), sent_again: 2_600_000 };
        let cross = weigh(&phase((44_600_000, 0), (41_900_000, 0)), Direction::Down, &moved).expect("told");
        assert!(cross.share < 0.01, "{cross:?}");
    }

    #[test]
    fn counters_that_leave_out_or_stand_still_tell_nothing() {
        let why = weigh(&phase((2_000_000, 0), (42_000_000, 0)), Direction::Down, &down(40_000_000)).unwrap_err();
        assert!(why.contains("leave some out"), "{why}");
        let start = Instant::now();
        let mut coarse = Tally::default();
        for second in 0..=6_u64 {
            let line_down = if second < 5 { 0 } else { 100_000_000 };
            let at = start + Duration::from_secs(second);
            coarse.add(Look { at, line_down, line_up: 0, port_down: second * 10_000_000, port_up: 0 });
        }
        let why = weigh(&coarse, Direction::Down, &down(50_000_000)).unwrap_err();
        assert!(why.contains("stood still"), "{why}");
        assert!(weigh(&Tally::default(), Direction::Up, &Moved::default()).is_err());
    }

    #[test]
    fn others_who_fill_the_other_way_are_marked_by_what_was_sold() {
        let cross =
            weigh(&phase((42_000_000, 17_000_000), (42_000_000, 1_000_000)), Direction::Down, &down(40_000_000)).expect("told");
        assert!((cross.other_way_mbit - 32.0).abs() < 1e-9);
        let mark = |sold| cross.mark(Reading::exact("throughput.start_up_time", 1.0), Direction::Down, sold).limited_by.len();
        assert_eq!((mark(Some(40.0)), mark(Some(100.0)), mark(None)), (1, 0, 0));
    }
}
