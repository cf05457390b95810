//! What one side of test calls saw of their packets: our own format, between far end and agent.
//!
//! ```text
//! report    | legs 2 | leg *
//! leg       | base 8 | dropped 4 | user 4 | opened 1 | sent 2 | arrived 2 | ( at 4 ) * sent | ( place 2 | class 1 | at 4 ) * arrived
//! ```
//!
//! Big-endian. `base` is nanoseconds since 1970 by the reporter's clock, `at` counts from it in units of 100 ns; `class` is the type of service or
//! traffic class that a packet arrived with, `user` how many of the times the program took itself. It must not know when what is sent, or what the packets are.

/// Unit of times, nanoseconds.
const UNIT_NS: i64 = 100;
/// Stands for a packet that the system did not send.
const NOT_SENT: u32 = u32::MAX;
/// No clock shows a later time (the year 2116); differences of any two such times can be formed.
const LAST_NS: i64 = 1 << 62;
/// Octets of an arrival, and of what stands before the lists of a leg.
const ARRIVAL: usize = 7;
const HEAD: usize = 21;

/// One packet that arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// Its place in the stream, from 0.
    pub place: u16,
    /// Type of service or traffic class that it came with.
    pub class: u8,
    /// Nanoseconds since 1970 by the receiver's clock.
    pub at_ns: i64,
}

/// One side of one call.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Leg {
    /// Whether the other side was there at all.
    pub opened: bool,
    /// Datagrams that the own receive queue dropped.
    pub dropped: u32,
    /// Times below that the program took itself, since the kernel gave none.
    pub user_stamped: u32,
    /// When each packet left, nanoseconds since 1970 by the sender's clock; `None` where the system did not send it.
    pub sent: Vec<Option<i64>>,
    /// What came, in the order in which it came, without copies.
    pub arrived: Vec<Arrival>,
}

/// Writes the legs of a report. Of each list the first 65,535 entries are kept, and times to 100 ns, 429 s behind the first.
pub fn emit(legs: &[Leg]) -> Vec<u8> {
    let most = usize::from(u16::MAX);
    let legs = &legs[..legs.len().min(most)];
    let mut octets = (legs.len() as u16).to_be_bytes().to_vec();
    for leg in legs {
        let (sent, arrived) = (&leg.sent[..leg.sent.len().min(most)], &leg.arrived[..leg.arrived.len().min(most)]);
        let times = sent.iter().flatten().copied().chain(arrived.iter().map(|one| one.at_ns));
        let base = times.min().unwrap_or(0).clamp(0, LAST_NS);
        let since = |ns: i64| u32::try_from(ns.saturating_sub(base) / UNIT_NS).unwrap_or(u32::MAX);
        octets.extend(base.to_be_bytes());
        octets.extend(leg.dropped.to_be_bytes());
        octets.extend(leg.user_stamped.to_be_bytes());
        octets.push(u8::from(leg.opened));
        octets.extend((sent.len() as u16).to_be_bytes());
        octets.extend((arrived.len() as u16).to_be_bytes());
        sent.iter().for_each(|at| octets.extend(at.map_or(NOT_SENT, |ns| since(ns).min(NOT_SENT - 1)).to_be_bytes()));
        for one in arrived {
            octets.extend(one.place.to_be_bytes());
            octets.push(one.class);
            octets.extend(since(one.at_ns).to_be_bytes());
        }
    }
    octets
}

/// Reads a report; `None` when it is cut, goes on behind its end or has a time that no clock shows.
pub fn parse(octets: &[u8]) -> Option<Vec<Leg>> {
    let (count, mut rest) = octets.split_first_chunk::<2>()?;
    let mut legs = Vec::new();
    for _ in 0..u16::from_be_bytes(*count) {
        let (head, behind) = rest.split_first_chunk::<HEAD>()?;
        let [b0, b1, b2, b3, b4, b5, b6, b7, d0, d1, d2, d3, u0, u1, u2, u3, opened, s0, s1, a0, a1] = *head;
        let base = i64::from_be_bytes([b0, b1, b2, b3, b4, b5, b6, b7]);
        if !(0..=LAST_NS).contains(&base) {
            return None;
        }
        let since = |octets: [u8; 4]| base + i64::from(u32::from_be_bytes(octets)) * UNIT_NS;
        let (sent, behind) = behind.split_at_checked(usize::from(u16::from_be_bytes([s0, s1])) * 4)?;
        let (arrived, behind) = behind.split_at_checked(usize::from(u16::from_be_bytes([a0, a1])) * ARRIVAL)?;
        let sent = sent.as_chunks::<4>().0.iter().map(|at| (*at != NOT_SENT.to_be_bytes()).then(|| since(*at)));
        let arrived = arrived.as_chunks::<ARRIVAL>().0.iter().map(|[p0, p1, class, at @ ..]| Arrival {
            place: u16::from_be_bytes([*p0, *p1]),
            class: *class,
            at_ns: since(*at),
        });
        legs.push(Leg {
            opened: opened != 0,
            dropped: u32::from_be_bytes([d0, d1, d2, d3]),
            user_stamped: u32::from_be_bytes([u0, u1, u2, u3]),
            sent: sent.collect(),
            arrived: arrived.collect(),
        });
        rest = behind;
    }
    rest.is_empty().then_some(legs)
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: i64 = 1_700_000_000_000_000_000;

    fn legs() -> Vec<Leg> {
        let arrived = |place, at_ns| Arrival { place, class: 0xb8, at_ns };
        let whole = Leg {
            opened: true,
            dropped: 3,
            user_stamped: 1,
            sent: vec![Some(NOW), None, Some(NOW + 40_000_100)],
            arrived: vec![arrived(1, NOW + 500), arrived(0, NOW + 20_000_000)],
        };
        vec![whole, Leg::default()]
    }

    #[test]
    fn reports_go_and_come_back_to_100_ns() {
        assert_eq!(parse(&emit(&legs())), Some(legs()));
        assert_eq!(parse(&emit(&[])), Some(Vec::new()));
        let mut finer = legs();
        finer[0].arrived[0].at_ns += 99;
        assert_eq!(parse(&emit(&finer)), Some(legs()));
    }

    #[test]
    fn cut_reports_and_those_that_go_on_are_refused() {
        let octets = emit(&legs());
        for length in 0..octets.len() {
            assert_eq!(parse(&octets[..length]), None, "{length}");
        }
        assert_eq!(parse(&[octets, vec![0]].concat()), None);
    }

    #[test]
    fn a_time_out_of_range_is_the_last_that_fits_and_never_the_mark_of_what_was_not_sent() {
        let leg = Leg { sent: vec![Some(0), Some(i64::MAX)], ..Leg::default() };
        let back = parse(&emit(&[leg])).expect("whole");
        assert_eq!(back[0].sent, [Some(0), Some(i64::from(u32::MAX - 1) * 100)]);
    }
}
