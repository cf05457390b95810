//! Test calls: their packets as a side takes them in, and the report of both sides with what is made of it.

use doorstep::proto::voice::account::Account;
use doorstep::proto::voice::{Plan, Stream, Talk};
use doorstep::unit::{Codec, Stamp, StampSource};
use doorstep::wire::call::{Arrival, Leg, emit, parse};

const AT: Stamp = Stamp { unix_ns: 5, source: StampSource::Kernel, adapter_ns: None };
const PLAN: Plan = Plan {
    codec: Codec::G711MuLaw,
    packets: 50,
    own: Stream { ssrc: 0x5a5a_5a5a, first_sequence: 65_530, first_timestamp: 7 },
    other: Stream { ssrc: 0xa5a5_a5a5, first_sequence: 9, first_timestamp: u32::MAX },
};

/// A side notes a packet once at most; reports read back as they were written, and nothing in them breaks what is worked out of them.
pub fn call(data: &[u8]) {
    let mut talk = Talk::new(0, PLAN);
    let is_of_stream = talk.on_packet(data, AT, 0xb8);
    assert_eq!(talk.on_packet(data, AT, 0xb8), is_of_stream);
    assert_eq!(talk.progress().1, usize::from(is_of_stream));
    let Some(legs) = parse(data) else { return };
    assert_eq!(parse(&emit(&legs)).as_ref(), Some(&legs));
    let near = leg();
    for far in &legs {
        for account in [Account::of(&near, far), Account::of(far, &near)] {
            for way in [&account.up, &account.down] {
                assert!(way.transits.len() as u64 == way.sent + way.not_sent && way.in_order.iter().all(|transit| *transit >= 0));
            }
        }
    }
}

fn leg() -> Leg {
    let now = 1_700_000_000_000_000_000;
    let arrived = (0..20).map(|place| Arrival { place, class: 0xb8, at_ns: now + i64::from(place) * 20_000_100 }).collect();
    Leg { opened: true, dropped: 1, user_stamped: 2, sent: vec![Some(now), None, Some(now + 40_000_000)], arrived }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let mut other = Talk::new(0, Plan { own: PLAN.other, other: PLAN.own, ..PLAN });
    let mut seeds = vec![emit(&[leg(), Leg::default()])];
    seeds.extend(other.transmit(0).map(|(_, packet)| packet));
    seeds
}

pub(super) fn worst() -> Vec<Vec<u8>> {
    let long =
        Leg { sent: vec![Some(1); 65_535], arrived: vec![Arrival { place: 7, class: 0, at_ns: 9 }; 65_535], ..Leg::default() };
    vec![emit(&[long]), vec![0xff; 100_000]]
}
