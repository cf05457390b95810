use super::*;
use crate::net::build::{End, Site};
use crate::net::netns::Namespace;
use crate::unit::Family;

const MAC_A: [u8; 6] = [2, 0, 0, 0, 0, 1];
const MAC_B: [u8; 6] = [2, 0, 0, 0, 0, 2];

/// A cable between two places; the near end is up, the far end is not.
fn half_open() -> (Site, Site) {
    let (near, far) = (Namespace::new("near").expect("root"), Namespace::new("far").expect("root"));
    let (mut here, there) = (Site::open(&near).expect("site"), Site::open(&far).expect("site"));
    here.cable(&End { site: &near, name: "x0", mac: MAC_A }, &End { site: &far, name: "y0", mac: MAC_B }).expect("veth");
    let index = here.index("x0").expect("made");
    here.raise("x0", index).expect("up");
    (here, there)
}

fn inside<T: Send + 'static>(site: &Site, work: impl Future<Output = T> + Send + 'static) -> T {
    let runtime = site.namespace().runtime(1).expect("runtime");
    let task = runtime.spawn(work);
    runtime.block_on(task).expect("no panic")
}

#[test]
fn a_port_without_carrier_differs_from_one_that_is_switched_off() {
    let (here, mut there) = half_open();
    let (near, far) = (here.index("x0").expect("made"), there.index("y0").expect("made"));
    let x0 = inside(&here, link(near)).expect("netlink").expect("exists");
    assert_eq!((x0.name.as_str(), x0.mac, x0.is_ethernet, x0.mtu), ("x0", Some(MAC_A), true, 1500));
    assert_eq!((x0.carrier(), x0.operational, x0.virtual_kind.as_deref()), (Some(false), "down", Some("veth")));
    let y0 = inside(&there, link(far)).expect("netlink").expect("exists");
    assert_eq!((y0.carrier(), y0.is_up), (None, false));
    there.raise("y0", far).expect("up");
    let x0 = inside(&here, link(near)).expect("netlink").expect("exists");
    assert_eq!(x0.carrier(), Some(true));
    assert!(inside(&here, link(9999)).expect("netlink").is_none());
    let all = inside(&here, links()).expect("netlink");
    assert_eq!(all.iter().map(|l| (l.name.as_str(), l.is_ethernet)).collect::<Vec<_>>(), [("lo", false), ("x0", true)]);
}

#[test]
fn counters_count_what_the_port_carries() {
    let (mut here, mut there) = half_open();
    let (near, far) = (here.index("x0").expect("made"), there.index("y0").expect("made"));
    there.raise("y0", far).expect("up");
    here.address(near, "192.0.2.1".parse().unwrap(), 24).expect("address");
    there.address(far, "192.0.2.2".parse().unwrap(), 24).expect("address");
    let count = |site: &Site| inside(site, link(near)).expect("netlink").expect("exists").counters;
    let before = count(&here);
    here.namespace().run(|| {
        let socket = std::net::UdpSocket::bind("192.0.2.1:0").expect("bind");
        for _ in 0..10 {
            socket.send_to(&[0; 958], "192.0.2.2:9").expect("send");
        }
    });
    // Ten frames of 14 + 20 + 8 + 958 octets; resolving the address and IPv6 chatter come on top.
    let grown = count(&here).since(&before);
    assert!(grown.sent_frames >= 10 && grown.sent_octets >= 10_000 && grown.sent_octets < 12_000, "{grown:?}");
    assert_eq!((grown.receive_errors, grown.transmit_errors), (0, 0));
}

#[test]
fn a_counter_that_was_reset_counts_from_zero() {
    let earlier = Counters { receive_errors: 7, sent_frames: 100, ..Counters::default() };
    let now = Counters { receive_errors: 2, sent_frames: 130, ..Counters::default() };
    assert_eq!(now.since(&earlier), Counters { receive_errors: 2, sent_frames: 30, ..Counters::default() });
}

#[test]
fn addresses_routes_and_neighbours_of_both_families_are_those_of_the_port() {
    let (mut here, mut there) = half_open();
    let (near, far) = (here.index("x0").expect("made"), there.index("y0").expect("made"));
    there.raise("y0", far).expect("up");
    for (site, index, last) in [(&mut here, near, 1), (&mut there, far, 2)] {
        site.address(index, format!("192.0.2.{last}").parse().unwrap(), 24).expect("v4");
        site.address(index, format!("2001:db8::{last}").parse().unwrap(), 64).expect("v6");
    }
    here.default_route("192.0.2.2".parse().unwrap(), near).expect("v4 route");
    here.default_route("2001:db8::2".parse().unwrap(), near).expect("v6 route");
    for (from, to) in [("192.0.2.1:0", "192.0.2.2:0"), ("[2001:db8::1]:0", "[2001:db8::2]:0")] {
        // Once a datagram has arrived, its neighbour was resolved.
        let receiver = there.namespace().run(move || std::net::UdpSocket::bind(to)).expect("bind");
        let to = receiver.local_addr().expect("bound");
        here.namespace().run(move || std::net::UdpSocket::bind(from)?.send_to(b"x", to)).expect("send");
        receiver.recv_from(&mut [0; 8]).expect("receive");
    }
    let (addresses, v4, v6, neighbours) = inside(&here, async move {
        (
            addresses(near).await.expect("addresses"),
            default_routes(near, Family::Ipv4).await.expect("routes"),
            default_routes(near, Family::Ipv6).await.expect("routes"),
            neighbours(near).await.expect("neighbours"),
        )
    });
    let global: Vec<String> =
        addresses.iter().filter(|a| a.is_global && a.is_usable).map(|a| format!("{}/{}", a.address, a.prefix)).collect();
    assert_eq!(global, ["192.0.2.1/24", "2001:db8::1/64"]);
    assert!(addresses.iter().all(|a| a.valid_for.is_none() && a.is_preferred));
    assert_eq!(v4.iter().map(|r| r.next_hop).collect::<Vec<_>>(), [Some("192.0.2.2".parse().unwrap())]);
    assert_eq!(v6.iter().map(|r| r.next_hop).collect::<Vec<_>>(), [Some("2001:db8::2".parse().unwrap())]);
    let known = |address: &str| neighbours.iter().find(|n| n.address.to_string() == address).and_then(|n| n.mac);
    assert_eq!((known("192.0.2.2"), known("2001:db8::2")), (Some(MAC_B), Some(MAC_B)));
    // Another port has none of this.
    let lo = inside(&here, default_routes(1, Family::Ipv4)).expect("routes");
    assert!(lo.is_empty());
}
