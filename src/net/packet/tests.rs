use std::time::Duration;

use super::*;
use crate::net::build::{End, Site};
use crate::net::netns::Namespace;
use crate::unit::StampSource;

const MAC_A: [u8; 6] = [2, 0, 0, 0, 0, 0xa];
const MAC_B: [u8; 6] = [2, 0, 0, 0, 0, 0xb];
const LIMIT: Duration = Duration::from_secs(10);

/// A cable with both ends up, without IPv6 so that nobody else speaks on it.
struct Line {
    here: Site,
    there: Site,
    near: u32,
    far: u32,
}

fn cable() -> Line {
    let (a, b) = (Namespace::new("a").expect("root"), Namespace::new("b").expect("root"));
    let (mut here, mut there) = (Site::open(&a).expect("site"), Site::open(&b).expect("site"));
    for site in [&here, &there] {
        site.sysctls(&[("net/ipv6/conf/default/disable_ipv6", "1")]).expect("sysctl");
    }
    here.cable(&End { site: &a, name: "x0", mac: MAC_A }, &End { site: &b, name: "y0", mac: MAC_B }).expect("veth");
    let (near, far) = (here.index("x0").expect("made"), there.index("y0").expect("made"));
    here.raise("x0", near).expect("up");
    there.raise("y0", far).expect("up");
    for (site, index) in [(&here, near), (&there, far)] {
        wait_for_queue(site, index);
    }
    Line { here, there, near, far }
}

/// Until the kernel has hung the port's queue in, which it does some time after carrier came (RFC 2863's "up" follows):
/// what is sent before goes nowhere.
fn wait_for_queue(site: &Site, index: u32) {
    site.namespace().run(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        let is_up = async || crate::net::facts::link(index).await.expect("netlink").expect("exists").operational == "up";
        runtime.block_on(async {
            let up = async { while !is_up().await {} };
            tokio::time::timeout(LIMIT, up).await.expect("up within 10 s");
        });
    });
}

impl Line {
    /// A socket on the near end.
    fn sender(&self) -> PacketSocket {
        open(self.here.namespace(), self.near, Filter::All)
    }

    /// A socket on the far end.
    fn receiver(&self, filter: Filter) -> PacketSocket {
        open(self.there.namespace(), self.far, filter)
    }
}

/// Opens a socket in a namespace, from a test's own thread: a socket stays where it was made.
fn open(namespace: &Namespace, index: u32, filter: Filter) -> PacketSocket {
    namespace.enter().expect("root");
    PacketSocket::open(index, filter, false).expect("open")
}

/// Runs on a thread with a runtime of its own, which may wander between namespaces.
fn run<F: Future<Output = ()>>(work: impl FnOnce() -> F + Send + 'static) {
    let thread = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        runtime.block_on(async { tokio::time::timeout(LIMIT, work()).await.expect("done within 10 s") });
    });
    thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
}

/// The next frame, however long it takes; transmit stamps are passed over.
async fn next(socket: &PacketSocket) -> (Vec<u8>, PacketEvent) {
    let mut buffer = [0; 2048];
    loop {
        let event = socket.next_event(&mut buffer).await.expect("receive");
        if let PacketEvent::Received { len, .. } = event {
            return (buffer[..len].to_vec(), event);
        }
    }
}

/// An Ethernet frame with 46 octets of payload, the least that there is (IEEE 802.3 clause 3.2.7).
fn frame(to: [u8; 6], ethertype: u16, start: &[u8]) -> Vec<u8> {
    let mut bytes = [to, MAC_A].concat();
    bytes.extend(ethertype.to_be_bytes());
    bytes.extend(start);
    bytes.resize(bytes.len().max(60), 0x5a);
    bytes
}

/// The start of an IPv4 packet with UDP ports; enough for the filter.
fn udp_start(header_words: u8, fragment: u16, protocol: u8, to_port: u16) -> Vec<u8> {
    let mut bytes = vec![0x40 | header_words, 0, 0, 46, 0, 0];
    bytes.extend(fragment.to_be_bytes());
    bytes.extend([64, protocol, 0, 0, 192, 0, 2, 1, 192, 0, 2, 2]);
    bytes.resize(usize::from(header_words) * 4, 1);
    bytes.extend([0, 67]);
    bytes.extend(to_port.to_be_bytes());
    bytes
}

#[test]
fn frames_arrive_whole_and_both_ends_have_kernel_stamps_in_order() {
    let line = cable();
    run(move || async move {
        let (sender, receiver) = (line.sender(), line.receiver(Filter::All));
        // The kernel begins to stamp arrivals a moment after the first socket asked for it.
        loop {
            sender.try_send(&frame(MAC_B, 0x88b5, &[])).expect("send");
            let PacketEvent::Received { stamp, .. } = next(&receiver).await.1 else { unreachable!() };
            sender.next_event(&mut [0; 2048]).await.expect("transmit stamp");
            if stamp.source == StampSource::Kernel {
                break;
            }
        }
        for number in 0..50_u16 {
            let bytes = frame(MAC_B, 0x88b5, &number.to_be_bytes());
            let key = sender.try_send(&bytes).expect("send");
            // The first event: the sender doesn't hear itself.
            let event = sender.next_event(&mut [0; 2048]).await.expect("event");
            let PacketEvent::Sent { key: told, stamp: sent, at: sent_at } = event else {
                panic!("a transmit stamp was expected for frame {number}")
            };
            let (got, event) = next(&receiver).await;
            let PacketEvent::Received { len, whole_len, stamp, at, tag, has_checksum } = event else { unreachable!() };
            assert_eq!((&got, len, whole_len, tag, has_checksum), (&bytes, 60, 60, None, true), "frame {number}");
            assert_eq!(told, key);
            assert_eq!((sent.source, stamp.source), (StampSource::Kernel, StampSource::Kernel));
            assert!(stamp.nanos_since(sent) >= 0 && sent.nanos_since(key.user_stamp()) >= 0, "frame {number}");
            assert!(at + LIMIT > sent_at && at <= Instant::now());
        }
        assert_eq!((sender.drops(), receiver.drops()), (0, 0));
    });
}

#[test]
fn the_filter_passes_udp_to_the_port_and_arp_and_nothing_else() {
    let cases: [(&str, bool, Vec<u8>); 9] = [
        ("UDP to 68", true, frame(MAC_B, 0x0800, &udp_start(5, 0, 17, 68))),
        ("UDP to 68, don't fragment", true, frame(MAC_B, 0x0800, &udp_start(5, 0x4000, 17, 68))),
        ("UDP to 68, first fragment", true, frame(MAC_B, 0x0800, &udp_start(5, 0x2000, 17, 68))),
        ("UDP to 68 behind IP options", true, frame([0xff; 6], 0x0800, &udp_start(15, 0, 17, 68))),
        ("ARP", true, frame([0xff; 6], 0x0806, &[0, 1, 8, 0])),
        ("UDP to 67", false, frame(MAC_B, 0x0800, &udp_start(5, 0, 17, 67))),
        ("a later fragment", false, frame(MAC_B, 0x0800, &udp_start(5, 0x2001, 17, 68))),
        ("TCP to 68", false, frame(MAC_B, 0x0800, &udp_start(5, 0, 6, 68))),
        ("another protocol", false, frame(MAC_B, 0x86dd, &udp_start(5, 0, 17, 68))),
    ];
    for with_arp in [true, false] {
        let (line, cases) = (cable(), cases.clone());
        run(move || async move {
            let (sender, receiver) = (line.sender(), line.receiver(Filter::Udp { port: 68, with_arp }));
            let last = frame(MAC_B, 0x0800, &[udp_start(5, 0, 17, 68), b"last".to_vec()].concat());
            for (_, _, bytes) in &cases {
                sender.try_send(bytes).expect("send");
            }
            sender.try_send(&last).expect("send");
            let mut came = Vec::new();
            while came.last() != Some(&last) {
                came.push(next(&receiver).await.0);
            }
            let passing = |(name, passes, _): &&(&str, bool, Vec<u8>)| *passes && (with_arp || *name != "ARP");
            let mut want: Vec<Vec<u8>> = cases.iter().filter(passing).map(|(_, _, bytes)| bytes.clone()).collect();
            want.push(last);
            assert_eq!(came, want, "with ARP: {with_arp}");
        });
    }
}

#[test]
fn the_outer_tag_is_told_and_the_inner_one_stays_in_the_frame() {
    let line = cable();
    run(move || async move {
        let (sender, receiver) = (line.sender(), line.receiver(Filter::All));
        // Priority 5, VLAN 35; behind it another tag, VLAN 7. Then a provider's tag.
        sender.try_send(&frame(MAC_B, 0x8100, &[0xa0, 35, 0x81, 0, 0, 7, 0x88, 0xb5])).expect("send");
        sender.try_send(&frame(MAC_B, 0x88a8, &[0x00, 35, 0x88, 0xb5])).expect("send");
        for want in [(0x8100, 0xa023, 35), (0x88a8, 35, 35)] {
            let (got, event) = next(&receiver).await;
            let PacketEvent::Received { tag: Some(tag), .. } = event else { panic!("{event:?}") };
            assert_eq!((tag.kind, tag.control, tag.vlan()), want);
            assert!(want.0 != 0x8100 || got[12..18] == [0x81, 0, 0, 7, 0x88, 0xb5], "{got:02x?}");
        }
    });
}

#[test]
fn a_datagram_of_the_other_end_s_kernel_says_that_its_checksum_is_not_filled_in() {
    let mut line = cable();
    line.here.address(line.near, "192.0.2.1".parse().unwrap(), 24).expect("address");
    line.there.address(line.far, "192.0.2.2".parse().unwrap(), 24).expect("address");
    run(move || async move {
        let receiver = line.receiver(Filter::Udp { port: 68, with_arp: false });
        line.here
            .namespace()
            .run(|| std::net::UdpSocket::bind("192.0.2.1:67")?.send_to(&[7; 300], "192.0.2.2:68"))
            .expect("send");
        let (_, event) = next(&receiver).await;
        assert!(matches!(event, PacketEvent::Received { has_checksum: false, len: 342, .. }), "{event:?}");
    });
}

#[test]
fn a_frame_beyond_the_buffer_is_cut_and_its_length_told() {
    let line = cable();
    run(move || async move {
        let (sender, receiver) = (line.sender(), line.receiver(Filter::All));
        sender.try_send(&frame(MAC_B, 0x88b5, &[1; 400])).expect("send");
        let event = receiver.next_event(&mut [0; 100]).await.expect("receive");
        assert!(matches!(event, PacketEvent::Received { len: 100, whole_len: 414, .. }), "{event:?}");
    });
}

#[test]
fn what_a_full_buffer_dropped_is_counted_once() {
    let line = cable();
    run(move || async move {
        let (sender, receiver) = (line.sender(), line.receiver(Filter::All));
        // Until some are dropped: the buffer holds some thousand.
        let mut sent = 0_u64;
        let mut dropped = 0;
        while dropped == 0 {
            sender.try_send(&frame(MAC_B, 0x88b5, &[])).expect("send");
            sent += 1;
            dropped = receiver.drops();
            sender.next_event(&mut [0; 64]).await.expect("transmit stamp");
        }
        let mut taken = 0;
        while receiver.try_event(&mut [0; 64]).expect("receive").is_some() {
            taken += 1;
        }
        assert_eq!(receiver.drops(), dropped, "a second look counts nothing twice");
        assert!(taken > 0 && taken + dropped <= sent, "{taken} taken and {dropped} dropped of {sent}");
    });
}

#[test]
fn a_promiscuous_socket_makes_the_port_promiscuous_while_it_is_open() {
    let line = cable();
    run(move || async move {
        line.there.namespace().enter().expect("root");
        for is_promiscuous in [false, true] {
            let socket = PacketSocket::open(line.far, Filter::All, is_promiscuous).expect("open");
            assert_eq!(promiscuity(line.far).await, u32::from(is_promiscuous));
            drop(socket);
        }
        assert_eq!(promiscuity(line.far).await, 0);
    });
}

#[test]
fn a_missing_port_is_an_error() {
    let line = cable();
    run(move || async move {
        line.here.namespace().enter().expect("root");
        let error = PacketSocket::open(9999, Filter::All, false).expect_err("no such port");
        assert_eq!(error.raw_os_error(), Some(libc::ENODEV));
    });
}

/// How many sockets want the port promiscuous, in the kernel's own count (IFLA_PROMISCUITY).
async fn promiscuity(index: u32) -> u32 {
    use futures_util::TryStreamExt;
    use netlink_packet_route::link::LinkAttribute;
    let ask =
        |handle: rtnetlink::Handle| async move { Box::pin(handle.link().get().match_index(index).execute()).try_next().await };
    let message = crate::net::route_socket::with_handle("asking".to_owned(), ask).await.expect("netlink").expect("exists");
    let count = message.attributes.iter().find_map(|a| if let LinkAttribute::Promiscuity(n) = a { Some(*n) } else { None });
    count.expect("the kernel tells")
}

/// What comes through a filter of these frames, sent in order; told by the last octet.
fn passed(filter: Filter, frames: Vec<Vec<u8>>) -> Vec<u8> {
    let line = cable();
    let (tell, told) = std::sync::mpsc::channel();
    run(move || async move {
        let (sender, receiver) = (line.sender(), line.receiver(filter));
        // The last one passes any of the filters.
        let end = frame([0xff; 6], 0x0806, &[0; 46]);
        for frame in frames.iter().chain([&end]) {
            sender.try_send(frame).expect("send");
        }
        loop {
            let (bytes, _) = next(&receiver).await;
            match bytes.last() {
                Some(0) | None => break,
                Some(number) => tell.send(*number).expect("heard"),
            }
        }
    });
    told.try_iter().collect()
}

/// A frame of some length that ends in its number, also where it is cut after 64 octets and nothing else stands there.
fn numbered(number: u8, to: [u8; 6], ethertype: u16, start: &[u8]) -> Vec<u8> {
    let mut bytes = frame(to, ethertype, start);
    bytes.resize(100, 0x5a);
    bytes[99] = number;
    if start.len() < 40 {
        bytes[63] = number;
    }
    bytes
}

#[test]
fn the_control_filter_lets_control_pass_and_keeps_a_load_out() {
    let six = |next: u8, to_port: u16| {
        let mut bytes = [&[0x60, 0, 0, 0, 0, 40, next, 64][..], &[9; 34]].concat();
        bytes.extend(to_port.to_be_bytes());
        bytes
    };
    let ppp = |protocol: u16, inner: &[u8]| [&[0x11, 0, 0, 9, 0, 60][..], &protocol.to_be_bytes(), inner].concat();
    let wanted = [
        (0x0806, vec![0, 1]),
        (0x8863, vec![0x11, 9]),
        (0x0800, udp_start(5, 0, 1, 0)),
        (0x0800, udp_start(5, 0, 2, 0)),
        (0x0800, udp_start(6, 0, 17, 68)),
        (0x86dd, six(58, 0)),
        (0x86dd, six(0, 0)),
        (0x86dd, six(17, 547)),
        (0x8864, ppp(0xc021, &[1])),
        (0x8864, ppp(0xc023, &[1])),
        (0x8864, ppp(0x8021, &[1])),
        (0x8864, ppp(0x0021, &udp_start(5, 0, 1, 0))),
        (0x8864, ppp(0x0057, &six(58, 0))),
        (0x8864, ppp(0x0057, &six(17, 546))),
    ];
    let kept_out = [
        (0x0800, udp_start(5, 0, 6, 67)),
        (0x0800, udp_start(5, 0, 17, 443)),
        (0x86dd, six(6, 546)),
        (0x86dd, six(17, 53)),
        (0x8864, ppp(0x0021, &udp_start(5, 0, 17, 443))),
        (0x8864, ppp(0x0021, &udp_start(5, 0, 6, 67))),
        (0x8864, ppp(0x0057, &six(6, 0))),
        (0x8864, ppp(0x0057, &six(17, 4500))),
        (0x8864, ppp(0x0281, &[1])),
        (0x88cc, vec![1]),
    ];
    let frames = wanted.iter().chain(&kept_out).zip(1..).map(|((kind, start), n)| numbered(n, MAC_B, *kind, start)).collect();
    let all: Vec<u8> = (1..=wanted.len() as u8).collect();
    assert_eq!(passed(Filter::Control, frames), all);
}

#[test]
fn the_group_filter_takes_broadcast_and_multicast_only() {
    let to = [[0xff; 6], [1, 0, 0x5e, 0, 0, 1], [0x33, 0x33, 0, 0, 0, 1], MAC_B];
    let frames = to.into_iter().zip(1..).map(|(to, n)| numbered(n, to, 0x0800, &[0x45])).collect();
    // IPv6's group, 33-33, has the group bit as well (RFC 2464 section 7).
    assert_eq!(passed(Filter::Group, frames), [1, 2, 3]);
}

#[test]
fn a_socket_both_ways_hears_what_this_machine_sends() {
    let line = cable();
    run(move || async move {
        let (sender, listener) = (line.sender(), {
            line.here.namespace().enter().expect("root");
            PacketSocket::open_both_ways(line.near, Filter::Control).expect("open")
        });
        let sent = frame([0xff; 6], 0x0806, &[0, 1]);
        // Stamped on the way out as well, from a moment after the first socket asked for it.
        loop {
            sender.try_send(&sent).expect("send");
            let (heard, event) = next(&listener).await;
            assert_eq!(heard, sent);
            let PacketEvent::Received { stamp, .. } = event else { unreachable!("a frame") };
            if stamp.source == StampSource::Kernel {
                break;
            }
        }
    });
}
