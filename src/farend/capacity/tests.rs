use std::net::Ipv4Addr;

use super::*;
use crate::proto::capacity::Terms;
use crate::wire::capacity::SendingRate;

/// A peer may ask for more than any machine sends: a train of 64 small datagrams each microsecond and more. The test still hears that it is to
/// stop, and ends by itself where nobody answers.
#[test]
fn a_rate_that_no_machine_can_send_keeps_it_from_nothing() {
    let beyond = SendingRate { interval_1: 1, payload_1: 1200, burst_1: 1 << 16, ..SendingRate::default() };
    let silent = std::net::UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    let begin = |terms: Terms| {
        let socket = open((Ipv4Addr::LOCALHOST, 0).into(), Some("lo"), 0).expect("a socket");
        socket.connect(silent.local_addr().expect("bound")).expect("connected");
        (socket, Flow::new(Instant::now(), Side::Client, terms, true, beyond, None))
    };

    let (socket, flow) = begin(Terms::default());
    let stop = AtomicBool::new(false);
    let found = run(&socket, flow, &stop, |_| stop.store(true, Ordering::Relaxed), |_| None).expect("no error of the socket");
    assert_eq!(found.end, End::Stopped);
    assert!(found.sent.is_some_and(|sent| sent.datagrams > 0), "{found:?}");

    let (socket, flow) = begin(Terms::default());
    let found = run(&socket, flow, &AtomicBool::new(false), |_| {}, |_| None).expect("no error of the socket");
    assert_eq!(found.end, End::Silent, "nobody answered for three seconds (RFC 9946)");
}
