use std::collections::HashMap;
use std::net::Ipv4Addr;
use std::time::Duration;

use super::ledger::OUTSTANDING_STAMPS;
use super::*;

const LIMIT: Duration = Duration::from_secs(10);

fn loopback(family: Family) -> SocketAddr {
    match family {
        Family::Ipv4 => (Ipv4Addr::LOCALHOST, 0).into(),
        Family::Ipv6 => (Ipv6Addr::LOCALHOST, 0).into(),
    }
}

async fn next(socket: &StampedSocket, buffer: &mut [u8]) -> StampedEvent {
    tokio::time::timeout(LIMIT, socket.next_event(buffer)).await.expect("an event within 10 s").unwrap()
}

/// Returns once the kernel stamps arrivals: it begins a moment after the first socket asked for it.
async fn until_stamped() {
    let socket = StampedSocket::udp(loopback(Family::Ipv4), None).unwrap();
    let to = socket.local_addr().unwrap();
    loop {
        socket.try_send_to(&[0], to, SendWith::default()).unwrap();
        let is_stamped = |event| matches!(event, StampedEvent::Received { stamp, .. } if stamp.source == StampSource::Kernel);
        if is_stamped(next(&socket, &mut [0; 64]).await) || is_stamped(next(&socket, &mut [0; 64]).await) {
            return;
        }
    }
}

#[tokio::test]
async fn every_udp_probe_gets_both_kernel_stamps_in_order() {
    // Held as long as the test, so that stamping stays on.
    let _asks = StampedSocket::udp(loopback(Family::Ipv4), None).unwrap();
    until_stamped().await;
    for family in [Family::Ipv4, Family::Ipv6] {
        let sender = StampedSocket::udp(loopback(family), Some("lo")).unwrap();
        let receiver = StampedSocket::udp(loopback(family), None).unwrap();
        let to = receiver.local_addr().unwrap();
        let mut buffer = [0; 64];
        for number in 0..200_u32 {
            let with = SendWith { ttl: Some(3), dscp: Some(46), ecn: 0 };
            let before = Instant::now();
            let key = sender.try_send_to(&number.to_be_bytes(), to, with).unwrap();
            let StampedEvent::Sent { key: told, stamp: sent, at: sent_at } = next(&sender, &mut buffer).await else {
                panic!("{family:?}: a transmit stamp was expected for probe {number}")
            };
            assert_eq!(told, key);
            let StampedEvent::Received { len, from, stamp, at, ttl, traffic_class, receive_drops } =
                next(&receiver, &mut buffer).await
            else {
                panic!("{family:?}: probe {number} was expected")
            };
            assert_eq!(&buffer[..len], number.to_be_bytes());
            assert_eq!(from, sender.local_addr().unwrap());
            assert_eq!((sent.source, stamp.source), (StampSource::Kernel, StampSource::Kernel));
            assert!(stamp.nanos_since(sent) >= 0, "received before it was sent");
            assert!(sent.nanos_since(key.user_stamp()) >= 0, "sent before the send call");
            // Wide enough for any machine: what is shown is that the monotonic moments are near the send, not long past.
            assert!(at + LIMIT >= sent_at && at + LIMIT >= before && at <= Instant::now());
            assert_eq!((ttl, traffic_class, receive_drops), (Some(3), Some(46 << 2), 0));
        }
    }
}

/// An echo request; the kernel answers on loopback. For v6 it also fills the checksum.
fn echo_request(family: Family, sequence: u16) -> Vec<u8> {
    let kind = if family == Family::Ipv4 { 8 } else { 128 };
    let mut bytes = vec![kind, 0, 0, 0, 0x77, 0x66];
    bytes.extend(sequence.to_be_bytes());
    if family == Family::Ipv4 {
        let sum: u32 = bytes.chunks(2).map(|w| u32::from(w[0]) << 8 | u32::from(w[1])).sum();
        let folded = (sum & 0xffff) + (sum >> 16);
        bytes[2..4].copy_from_slice(&(!(folded as u16)).to_be_bytes());
    }
    bytes
}

#[tokio::test]
async fn every_raw_echo_gets_both_kernel_stamps_and_own_requests_stay_out() {
    for (family, reply_kind) in [(Family::Ipv4, 0), (Family::Ipv6, 129)] {
        let socket = StampedSocket::icmp(family, Some("lo")).expect("raw sockets need CAP_NET_RAW: run as root");
        until_stamped().await;
        let mut buffer = [0; 128];
        let mut sent = HashMap::new();
        let mut keys = HashMap::new();
        let mut received = HashMap::new();
        for sequence in 0..200_u16 {
            let key = socket.try_send_to(&echo_request(family, sequence), loopback(family), SendWith::default()).unwrap();
            keys.insert(key, sequence);
            while !(sent.contains_key(&sequence) && received.contains_key(&sequence)) {
                match next(&socket, &mut buffer).await {
                    StampedEvent::Sent { key, stamp, .. } => {
                        sent.insert(keys[&key], stamp);
                    }
                    StampedEvent::Received { len, stamp, .. } => {
                        let message = &buffer[..len];
                        // Tests that run beside this one may echo on loopback too.
                        if message[4..6] == [0x77, 0x66] {
                            assert_eq!(message[0], reply_kind);
                            received.insert(u16::from_be_bytes([message[6], message[7]]), stamp);
                        }
                    }
                    StampedEvent::IcmpError { .. } => panic!("raw sockets have no such events"),
                }
            }
            let (sent, received) = (sent[&sequence], received[&sequence]);
            assert_eq!((sent.source, received.source), (StampSource::Kernel, StampSource::Kernel));
            assert!(received.nanos_since(sent) >= 0);
        }
    }
}

#[tokio::test]
async fn a_closed_port_is_an_event_with_the_offender_and_never_fails_a_later_send() {
    for (family, port_unreachable) in [(Family::Ipv4, (3, 3)), (Family::Ipv6, (1, 4))] {
        let socket = StampedSocket::udp(loopback(family), None).unwrap();
        // A port that was just free, and that nobody listens on.
        let closed = std::net::UdpSocket::bind(loopback(family)).unwrap().local_addr().unwrap();
        for number in 0..20_u8 {
            socket.try_send_to(&[number], closed, SendWith::default()).unwrap();
        }
        let mut buffer = [0; 64];
        let (mut stamps, mut errors) = (0, 0);
        // The kernel limits how many unreachables it sends (icmp_ratelimit), on v6 even within a burst.
        while errors < 1 || stamps < 20 {
            match next(&socket, &mut buffer).await {
                StampedEvent::Sent { .. } => stamps += 1,
                StampedEvent::IcmpError { kind, code, offender, destination, len, .. } => {
                    assert_eq!((kind, code), port_unreachable);
                    assert_eq!(offender, Some(closed.ip()));
                    assert_eq!(destination, Some(closed));
                    assert_eq!(len, 1);
                    errors += 1;
                }
                StampedEvent::Received { .. } => panic!("nobody answers"),
            }
        }
    }
}

#[tokio::test]
async fn stamps_stay_matched_after_failed_sends() {
    let sender = StampedSocket::udp(loopback(Family::Ipv4), None).unwrap();
    let receiver = StampedSocket::udp(loopback(Family::Ipv4), None).unwrap();
    let to = receiver.local_addr().unwrap();
    let mut buffer = [0; 64];
    let oversized = vec![0; 70_000];
    for round in 0..10_u8 {
        sender.try_send_to(&oversized, to, SendWith::default()).expect_err("longer than a datagram can be");
        for _ in 0..3 {
            let key = sender.try_send_to(&[round], to, SendWith::default()).unwrap();
            match next(&sender, &mut buffer).await {
                StampedEvent::Sent { key: told, .. } => assert_eq!(told, key, "round {round}"),
                other => panic!("{other:?}"),
            }
        }
    }
}

#[tokio::test]
async fn an_overrun_buffer_is_counted_as_our_own_drops() {
    let receiver = StampedSocket::udp(loopback(Family::Ipv4), None).unwrap();
    options::set_int(receiver.socket.get_ref().as_fd(), libc::SOL_SOCKET, libc::SO_RCVBUF, 4096).unwrap();
    let to = receiver.local_addr().unwrap();
    let sender = std::net::UdpSocket::bind(loopback(Family::Ipv4)).unwrap();
    for _ in 0..200 {
        sender.send_to(&[0; 100], to).unwrap();
    }
    let mut buffer = [0; 128];
    let mut queued = 0;
    while receiver.try_event(&mut buffer).unwrap().is_some() {
        queued += 1;
    }
    // The count travels with the next packet that gets through.
    sender.send_to(&[0; 100], to).unwrap();
    match next(&receiver, &mut buffer).await {
        StampedEvent::Received { receive_drops, .. } => assert_eq!(receive_drops, 200 - queued),
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_ledger_forgets_the_oldest_and_never_mixes_up_numbers() {
    let mut ledger = Ledger::default();
    let first = ledger.sent(1);
    let second = ledger.sent(2);
    assert_eq!(ledger.stamped(1), Some(second));
    assert_eq!(ledger.stamped(1), None, "a stamp is told once");
    assert_eq!(ledger.stamped(0), Some(first));
    ledger.sent(3);
    ledger.restarted();
    let after = ledger.sent(4);
    assert_eq!(ledger.stamped(2), None);
    assert_eq!(ledger.stamped(0), Some(after));
    for number in 0..=OUTSTANDING_STAMPS {
        ledger.sent(number as i64);
    }
    assert_eq!(ledger.len(), OUTSTANDING_STAMPS);
    assert_eq!(ledger.stamped(1), None, "forgotten");
}

#[tokio::test]
async fn an_adapter_that_leaves_packets_out_costs_no_stamp_and_no_order() {
    let _asks = StampedSocket::udp(loopback(Family::Ipv4), None).unwrap();
    until_stamped().await;
    for family in [Family::Ipv4, Family::Ipv6] {
        // Loopback has no adapter; asking for its stamps all the same is what a busy adapter looks like.
        let mut sender = StampedSocket::udp(loopback(family), Some("lo")).unwrap();
        assert_eq!(sender.stampers, Stampers::Kernel, "nothing is asked for that the port does not have");
        sender.stampers = Stampers::KernelAndAdapter;
        options::set_timestamping(sender.socket.get_ref().as_fd(), sender.stampers).unwrap();
        let other = StampedSocket::udp(loopback(family), None).unwrap();
        let mut buffer = [0; 64];
        for number in 0..50_u8 {
            let key = sender.try_send_to(&[number], other.local_addr().unwrap(), SendWith::default()).unwrap();
            other.try_send_to(&[number], sender.local_addr().unwrap(), SendWith::default()).unwrap();
            let StampedEvent::Sent { key: told, stamp: sent, .. } = next(&sender, &mut buffer).await else {
                panic!("{family:?}: the transmit stamp of {number} comes first")
            };
            assert_eq!((told, sent.source, sent.adapter_ns), (key, StampSource::Kernel, None));
            let StampedEvent::Received { len: 1, stamp, .. } = next(&sender, &mut buffer).await else {
                panic!("{family:?}: {number} was expected")
            };
            assert_eq!((buffer[0], stamp.source, stamp.adapter_ns), (number, StampSource::Kernel, None));
        }
        assert_eq!(sender.try_event(&mut buffer).unwrap(), None);
    }
}
