//! Every place is reached, over both families, through the address translation, and lines don't mix.

use std::io::Write;
use std::net::{IpAddr, SocketAddr, TcpListener, TcpStream};
use std::time::Duration;

use doorstep::practice::topology::{
    CORE_V4, CORE_V6, EDGE_V4, EDGE_V6, FAR_END_V4, FAR_END_V6, GATEWAY_LAN_V4, GATEWAY_LAN_V6, GATEWAY_WAN_V4, LAPTOP_V6,
    RESOLVERS_V4, RESOLVERS_V6,
};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine, Shape, Shaper};

use crate::support::{bare, build, ping};

fn everybody() -> Vec<IpAddr> {
    let v4 = [GATEWAY_LAN_V4, EDGE_V4, CORE_V4, FAR_END_V4, RESOLVERS_V4[0], RESOLVERS_V4[1]].map(IpAddr::V4);
    let v6 = [GATEWAY_LAN_V6, EDGE_V6, CORE_V6, FAR_END_V6, RESOLVERS_V6[0], RESOLVERS_V6[1]].map(IpAddr::V6);
    v4.into_iter().chain(v6).collect()
}

fn assert_all_answer(line: &PracticeLine) {
    for (n, to) in everybody().into_iter().enumerate() {
        ping(line, Node::Laptop, to, n as u16).unwrap_or_else(|e| panic!("{to}: {e}"));
    }
}

#[test]
fn an_unimpaired_line_answers_pings_from_end_to_end() {
    assert_all_answer(&build(bare()));
}

#[test]
fn a_line_with_every_stretch_impaired_and_shaped_answers_and_takes_its_time() {
    let delay = Impairments::both(Impairment::delayed(Duration::from_millis(3)));
    let shape = Shape::ethernet_mbit(50.0);
    for shaper in [Shaper::Kernel, Shaper::DelayLine] {
        let config =
            LineConfig { home: delay, access: delay, network: delay, far_end: delay, down: shape, up: shape, shaper, ..bare() };
        let line = build(config);
        assert_eq!(line.is_shaped_by_kernel(), shaper == Shaper::Kernel);
        assert_all_answer(&line);
        // Four stretches of 3 ms, both ways: physics, so no tolerance below.
        let round_trip = ping(&line, Node::Laptop, FAR_END_V4.into(), 99).expect("an answer");
        assert!(round_trip >= Duration::from_millis(24), "{round_trip:?}");
        assert_eq!(line.own_drops(), 0);
    }
}

/// Who the far end sees when the laptop connects to one of its addresses.
fn seen_by_far_end(line: &PracticeLine, to: IpAddr) -> IpAddr {
    let listener = line.namespace(Node::FarEnd).run(move || TcpListener::bind((to, 4242))).expect("bind");
    line.namespace(Node::Laptop).run(move || {
        let mut stream = TcpStream::connect_timeout(&SocketAddr::new(to, 4242), Duration::from_secs(5)).expect("connect");
        stream.write_all(b"x").expect("send");
    });
    listener.accept().expect("a connection").1.ip()
}

#[test]
fn ipv4_is_translated_at_the_gateway_and_ipv6_is_not() {
    let line = build(bare());
    assert_eq!(seen_by_far_end(&line, FAR_END_V4.into()), IpAddr::V4(GATEWAY_WAN_V4));
    assert_eq!(seen_by_far_end(&line, FAR_END_V6.into()), IpAddr::V6(LAPTOP_V6));
}

#[test]
fn two_lines_stand_side_by_side_with_the_same_addresses_and_do_not_mix() {
    let (first, second) = (build(bare()), build(bare()));
    let _listener = first.namespace(Node::FarEnd).run(|| TcpListener::bind((FAR_END_V4, 4242))).expect("bind");
    let connect = || TcpStream::connect_timeout(&SocketAddr::new(FAR_END_V4.into(), 4242), Duration::from_secs(5)).map(drop);
    first.namespace(Node::Laptop).run(connect).expect("the first line's far end listens");
    let refusal = second.namespace(Node::Laptop).run(connect).expect_err("the second line's does not");
    assert_eq!(refusal.kind(), std::io::ErrorKind::ConnectionRefused);
    drop(first);
    assert_all_answer(&second);
}

#[test]
fn a_blackhole_lets_nothing_pass_behind_it_and_all_before() {
    let hole = Impairments::both(Impairment { blackhole: true, ..Impairment::default() });
    let line = build(LineConfig { network: hole, ..bare() });
    ping(&line, Node::Laptop, EDGE_V4.into(), 1).expect("before the hole");
    ping(&line, Node::Laptop, FAR_END_V4.into(), 2).expect_err("behind the hole");
    let counters = line.counters();
    assert!(counters.len() == 1 && counters[0].up.lost > 0 && counters[0].up.sent == 0, "{counters:?}");
}
