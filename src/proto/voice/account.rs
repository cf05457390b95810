//! From both sides of a call to what the line did each way.
//!
//! Transit times are differences of two clocks' stamps, so only their differences tell: they are given above the least. The far end's
//! stamps and ours of packets that cross give the round trip, in which the clocks' difference cancels, and show a clock that was stepped or drifts
//! ([`metric::clock`](crate::metric::clock)). It must not know what a listener makes of it.

use std::collections::BTreeMap;

use crate::metric::clock::{self, Drift, Exchange};
use crate::wire::call::Leg;

/// One direction of a call.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Way {
    /// Transit of each packet above the least, nanoseconds, in sending order; `None` never came. One that was not sent is taken to have gone
    /// as the one before: it is no fault of the line's.
    pub transits: Vec<Option<i64>>,
    /// The same of those that came, in the order in which they came.
    pub in_order: Vec<i64>,
    /// Packets that left.
    pub sent: u64,
    /// Packets that the sending system did not send.
    pub not_sent: u64,
    /// Packets that the receiving system's queue dropped: ours or the far end's, not the line's.
    pub dropped: u64,
    /// Times of either end that no kernel took.
    pub user_stamped: u64,
    /// How often packets came with each code point.
    pub dscps: BTreeMap<u8, u64>,
    /// How far behind its time each packet left, milliseconds, against the packet that was most in time.
    pub schedule_errors_ms: Vec<f64>,
}

impl Way {
    /// Packets that left and never came.
    pub fn lost(&self) -> u64 {
        self.transits.iter().filter(|transit| transit.is_none()).count() as u64
    }
}

/// Both directions.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Account {
    /// Toward the far end.
    pub up: Way,
    /// Toward the agent.
    pub down: Way,
    /// Round trips, nanoseconds, in order of time: a packet up and the first that the far end sent behind its arrival.
    pub round_trips: Vec<i64>,
    /// A clock was set while the call went on: what is told of transits is worth nothing.
    pub is_stepped: bool,
    /// The clocks' drift that was taken off, if it was certain.
    pub drift: Option<Drift>,
}

impl Account {
    /// Of the agent's side and the far end's.
    pub fn of(near: &Leg, far: &Leg) -> Self {
        let exchanges = exchanges(near, far);
        let is_stepped = clock::steps(&exchanges).len() > 1;
        let drift = clock::drift(&exchanges).filter(|drift| drift.is_certain() && !is_stepped);
        let origin = exchanges.first().map_or(0, |exchange| exchange.sent);
        let gained = |at_ns: i64| drift.map_or(0.0, |drift| drift.rate * (at_ns - origin) as f64) as i64;
        Self {
            up: way(near, far, |sent, arrived| arrived - gained(sent) - sent),
            down: way(far, near, |sent, arrived| arrived + gained(arrived) - sent),
            round_trips: exchanges.iter().map(round_trip).collect(),
            is_stepped,
            drift,
        }
    }

    /// The least round trip, nanoseconds.
    pub fn least_round_trip(&self) -> Option<i64> {
        self.round_trips.iter().copied().min()
    }
}

fn round_trip(exchange: &Exchange) -> i64 {
    (exchange.far_received - exchange.sent) + (exchange.received - exchange.far_sent)
}

/// Pairs of a packet up and the next one down.
fn exchanges(near: &Leg, far: &Leg) -> Vec<Exchange> {
    let mut down: Vec<(i64, i64)> = passages(far, near).map(|(_, sent, arrived)| (sent, arrived)).collect();
    down.sort_unstable();
    let mut up: Vec<(i64, i64)> = passages(near, far).map(|(_, sent, arrived)| (sent, arrived)).collect();
    up.sort_unstable();
    up.into_iter()
        .filter_map(|(sent, far_received)| {
            let next = down.partition_point(|(far_sent, _)| *far_sent < far_received);
            let &(far_sent, received) = down.get(next)?;
            Some(Exchange { sent, far_received, far_sent, received })
        })
        .collect()
}

/// Place, departure and arrival of each packet that came.
fn passages<'a>(sender: &'a Leg, receiver: &'a Leg) -> impl Iterator<Item = (usize, i64, i64)> + 'a {
    receiver.arrived.iter().filter_map(|one| {
        let place = usize::from(one.place);
        Some((place, (*sender.sent.get(place)?)?, one.at_ns))
    })
}

fn way(sender: &Leg, receiver: &Leg, transit: impl Fn(i64, i64) -> i64) -> Way {
    let mut transits = vec![None; sender.sent.len()];
    let mut in_order = Vec::new();
    for (place, sent, arrived) in passages(sender, receiver) {
        let transit = transit(sent, arrived);
        transits[place] = Some(transit);
        in_order.push(transit);
    }
    let least = in_order.iter().copied().min().unwrap_or(0);
    in_order.iter_mut().for_each(|transit| *transit -= least);
    transits.iter_mut().flatten().for_each(|transit| *transit -= least);
    let mut before = 0;
    for (slot, sent) in transits.iter_mut().zip(&sender.sent) {
        if sent.is_none() {
            *slot = Some(before);
        }
        before = slot.unwrap_or(before);
    }
    let mut dscps = BTreeMap::new();
    receiver.arrived.iter().for_each(|one| *dscps.entry(one.class >> 2).or_default() += 1);
    let not_sent = sender.sent.iter().filter(|at| at.is_none()).count() as u64;
    Way {
        sent: sender.sent.len() as u64 - not_sent,
        not_sent,
        dropped: receiver.dropped.into(),
        user_stamped: u64::from(sender.user_stamped) + u64::from(receiver.user_stamped),
        dscps,
        schedule_errors_ms: schedule_errors(&sender.sent),
        transits,
        in_order,
    }
}

fn schedule_errors(sent: &[Option<i64>]) -> Vec<f64> {
    let behind: Vec<i64> = sent.iter().zip(0..).filter_map(|(at, place)| Some((*at)? - place * super::spacing_ns())).collect();
    let least = behind.iter().copied().min().unwrap_or(0);
    behind.into_iter().map(|ns| (ns - least) as f64 / 1e6).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::call::Arrival;

    const MS: i64 = 1_000_000;
    const START: i64 = 1_700_000_000_000_000_000;

    /// A call of `n` packets over 5 ms up and 7 ms down, with a clock at the far end that is `offset` ahead at a time; what a way adds to a packet is
    /// told by its place, a negative one loses it.
    fn call(n: u16, offset: impl Fn(i64) -> i64, adds: impl Fn(bool, u16) -> i64) -> (Leg, Leg) {
        let side = |opened_by_near: bool| {
            let clock = |at: i64, is_near: bool| if is_near { at } else { at + offset(at - START) };
            let begins = |is_near: bool| START + if is_near { 0 } else { 9 * MS };
            let sent = (0..n).map(|i| begins(opened_by_near) + i64::from(i) * 20 * MS);
            let mut arrived: Vec<Arrival> = (0..n)
                .filter(|i| adds(!opened_by_near, *i) >= 0)
                .map(|i| {
                    let path = if opened_by_near { 7 * MS } else { 5 * MS };
                    let at = begins(!opened_by_near) + i64::from(i) * 20 * MS + path + adds(!opened_by_near, i);
                    Arrival { place: i, class: 46 << 2, at_ns: clock(at, opened_by_near) }
                })
                .collect();
            arrived.sort_by_key(|one| one.at_ns);
            let sent = sent.map(|at| Some(clock(at, opened_by_near))).collect();
            Leg { opened: true, sent, arrived, ..Leg::default() }
        };
        (side(true), side(false))
    }

    #[test]
    fn transits_are_told_above_the_least_and_the_round_trip_without_the_clocks_difference() {
        let (near, far) =
            call(100, |_| -123 * MS, |is_up, place| if is_up && place == 7 { -1 } else { i64::from(place % 2) * MS });
        let account = Account::of(&near, &far);
        assert_eq!(account.up.transits[5..9], [Some(MS), Some(0), None, Some(0)]);
        assert_eq!((account.up.lost(), account.up.sent, account.down.lost()), (1, 100, 0));
        assert_eq!(account.up.in_order.len(), 99);
        assert_eq!(account.least_round_trip(), Some(12 * MS));
        assert_eq!((account.up.dscps, account.is_stepped), (BTreeMap::from([(46, 99)]), false));
    }

    #[test]
    fn a_drift_is_taken_off_and_a_step_is_told() {
        // 50 ppm over 20 s: a millisecond.
        let (near, far) = call(1000, |since| since / 20_000, |_, place| i64::from(place % 3) * MS);
        let account = Account::of(&near, &far);
        assert!(account.drift.is_some_and(|drift| (drift.rate - 50e-6).abs() < 2e-6), "{:?}", account.drift);
        for way in [&account.up, &account.down] {
            let most = way.transits.iter().flatten().max().expect("they came");
            assert!((most - 2 * MS).abs() < MS / 20, "{most}");
        }
        let (near, far) = call(200, |since| if since > 2_000 * MS { 80 * MS } else { 0 }, |_, _| 0);
        assert!(Account::of(&near, &far).is_stepped);
    }

    #[test]
    fn what_we_did_not_send_is_not_lost_and_what_left_late_is_told() {
        let (mut near, mut far) = call(50, |_| 0, |_, _| 0);
        near.sent[3] = None;
        far.arrived.retain(|one| one.place != 3);
        near.sent[9] = near.sent[9].map(|at| at + 4 * MS);
        let place = far.arrived.iter().position(|one| one.place == 9).expect("it came");
        far.arrived[place].at_ns += 4 * MS;
        let Way { transits, sent, not_sent, schedule_errors_ms, .. } = Account::of(&near, &far).up;
        assert_eq!((sent, not_sent, transits.iter().all(|transit| *transit == Some(0))), (49, 1, true));
        assert_eq!(schedule_errors_ms[8], 4.0, "the ninth that left");
    }

    #[test]
    fn a_call_that_nobody_answers_has_nothing_to_tell() {
        let (near, _) = call(50, |_| 0, |_, _| -1);
        let account = Account::of(&near, &Leg::default());
        assert_eq!((account.up.lost(), account.down.transits.len(), account.least_round_trip()), (50, 0, None));
        // A list that says more than there is.
        let far = Leg { arrived: vec![Arrival { place: 9999, class: 0, at_ns: 0 }], ..Leg::default() };
        assert_eq!(Account::of(&near, &far).up.lost(), 50);
    }
}
