//! `multicast`: whether TV channels come when they are joined and end when they are left, how fast they change, how many come at once and
//! whether they stay; who asks for memberships on the line, and what comes that nobody joined.
//!
//! The check speaks IGMP and MLD itself ([`crate::proto::membership`]), so that each report and leave has its transmit stamp; on wish this
//! machine's kernel does. [`tuner`] has the port, [`run`] the order of the test, [`figures`] says what was found. It must not judge.

mod beside;
mod figures;
mod run;
mod tuner;

use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::{Check, Context, Finished};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::membership::Terms;
use crate::reading::Outcome;
use crate::unit::Depth;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct MulticastCheck;

impl Check for MulticastCheck {
    fn spec(&self) -> Spec {
        Spec { name: "multicast", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move {
            if context.tv.channels.is_empty() {
                return Outcome::not_tested("the profile names no TV channels (table [tv])").into();
            }
            run::examine(&context).await.into()
        }
        .boxed()
    }
}

/// How long each part takes at a depth.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pace {
    /// Before anything is joined, for queriers and for what comes unasked.
    listen: Duration,
    /// The first channel, alone.
    watch: Duration,
    /// Changes of channel.
    changes: u32,
    /// Channels at once.
    at_once: usize,
    /// How long those are held.
    hold: Duration,
}

/// What a leave takes at most, with all defaults: two queries a second apart and the answers to them (RFC 3376 section 8.8: 2 s), and a
/// second on top *(ours)*.
const LEAVE_WAIT: Duration = Duration::from_secs(3);
/// A channel that does not come within this does not come: twice the guideline for a change of channel *(ours)*.
const JOIN_WAIT: Duration = Duration::from_secs(4);
/// A stream that pauses for so long has ended; the slowest channels of TV send a packet every 20 ms *(ours)*.
const QUIET: Duration = Duration::from_millis(500);
/// Behind a change pictures are waited for so long: the guideline for the whole change (TR-126, 2 s; secondary source).
const PICTURE_WAIT: Duration = Duration::from_secs(2);
/// A channel is watched so long between two changes *(ours)*.
const DWELL: Duration = Duration::from_millis(300);

impl Pace {
    fn of(depth: Depth, channels: usize, changes: u32, at_once: usize, hold: Duration) -> Self {
        let ms = Duration::from_millis;
        let changes = if channels < 2 { 0 } else { changes };
        let at_once = at_once.clamp(1, channels.max(1));
        match depth {
            Depth::Quick => Self { listen: ms(1000), watch: ms(3000), changes: 0, at_once: 1, hold: Duration::ZERO },
            Depth::Handoff => {
                Self { listen: ms(2000), watch: ms(4000), changes: changes.min(8), at_once, hold: hold.min(ms(10_000)) }
            }
            Depth::Soak => Self { listen: ms(5000), watch: ms(5000), changes, at_once, hold },
        }
    }

    fn of_terms(depth: Depth, terms: &Terms) -> Self {
        Self::of(depth, terms.channels.len(), terms.changes, terms.at_once, terms.hold())
    }

    /// On a healthy line: the channel before has ended when the next change but one needs it.
    fn time(&self) -> Duration {
        self.listen + self.watch + LEAVE_WAIT + (LEAVE_WAIT + DWELL) * self.changes + self.hold
    }
}

fn cost(volume: &Volume) -> Cost {
    let Some(tv) = volume.tv else { return Cost::default() };
    let pace = Pace::of(volume.depth, tv.channels, tv.changes, usize::MAX, tv.hold);
    let seconds = (pace.time() - pace.listen).as_secs_f64();
    let beside = beside::octets(pace.time());
    Cost { time: pace.time(), octets: (tv.mbit * 1e6 / 8.0 * seconds) as u64 + beside }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::TvVolume;

    #[test]
    fn the_plan_states_time_and_data_by_depth_and_none_without_channels() {
        let tv = TvVolume { channels: 3, mbit: 16.0, changes: 40, hold: Terms::HOLD };
        let volume = |depth, tv| Volume {
            depth,
            load_time: Duration::from_secs(4),
            sold_down_mbit: 100.0,
            sold_up_mbit: 40.0,
            classes_mbit: None,
            tv,
            sizes: crate::plan::Sizes::NONE,
        };
        let of = |depth| cost(&volume(depth, Some(tv)));
        // 1 + 3 + 3 s; 2 MB a second, and beside it 140 echoes of 126 octets to four targets, there and back.
        assert_eq!((of(Depth::Quick).time, of(Depth::Quick).octets), (Duration::from_secs(7), 12_000_000 + 140 * 4 * 2 * 126));
        assert_eq!(of(Depth::Handoff).time, Duration::from_millis(2000 + 4000 + 3000 + 8 * 3300 + 10_000));
        // A membership that is not renewed ends after 260 s: longer than that.
        assert!(of(Depth::Soak).time > Duration::from_secs(260 + 40));
        assert_eq!(cost(&volume(Depth::Soak, None)), Cost::default());
        // With one channel there is none to change to.
        assert_eq!(Pace::of(Depth::Soak, 1, 40, 4, Terms::HOLD).changes, 0);
    }
}
