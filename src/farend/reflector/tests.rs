use std::net::Ipv4Addr;

use super::*;
use crate::wire::stamp::{ErrorEstimate, Reflected, Sender, Timestamp, tlv};

const LIMIT: Duration = Duration::from_secs(10);

fn packet(sequence: u32) -> Vec<u8> {
    let mut bytes = vec![0; 44];
    let error_estimate = ErrorEstimate::of_seconds(1e-3, false);
    Sender { sequence, timestamp: Timestamp::ntp_from_unix_ns(1), error_estimate, ssid: 0 }.emit(None, &mut bytes);
    bytes
}

async fn answer(client: &tokio::net::UdpSocket) -> Vec<u8> {
    let mut buffer = vec![0; 2048];
    let len = tokio::time::timeout(LIMIT, client.recv(&mut buffer)).await.expect("an answer within 10 s").expect("received");
    buffer.truncate(len);
    buffer
}

#[tokio::test]
async fn admitted_senders_are_answered_and_garbage_does_no_harm() {
    let table = SessionTable::default();
    let id = table.admit(Ipv4Addr::LOCALHOST.into(), Key::new(b"k")).expect("room");
    let service =
        ReflectorService::bind((Ipv4Addr::LOCALHOST, 0).into(), Some("lo"), table.clone(), Config::default()).expect("bound");
    let (to, handle, cancel) = (service.local_addr().expect("address"), service.handle(), CancellationToken::new());
    let running = tokio::spawn(service.run(cancel.clone()));

    let client = tokio::net::UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).await.expect("client");
    client.connect(to).await.expect("connected");
    let before = wall_clock().unix_ns;
    for len in [0, 1, 13] {
        client.send(&vec![0xff; len]).await.expect("sent");
    }
    for sequence in 0..3 {
        client.send(&packet(sequence)).await.expect("sent");
        let reply = answer(&client).await;
        let repr = Reflected::parse(&reply, None).expect("a reflection").repr;
        assert_eq!((repr.sequence, repr.sender_sequence, repr.sender_ttl), (sequence, sequence, 64));
        let near = wall_clock().unix_ns;
        let t2 = repr.receive_timestamp.unix_ns(repr.error_estimate.format, near);
        let t3 = repr.timestamp.unix_ns(repr.error_estimate.format, near);
        assert!(before <= t2 && t2 <= t3 && t3 <= near, "{before} {t2} {t3} {near}");
    }
    // Reports follow each packet, so after an answer they hold all before it.
    table.end(id);
    client.send(&packet(9)).await.expect("sent");
    while handle.report().counters.not_admitted == 0 {
        tokio::task::yield_now().await;
    }
    let report = handle.report();
    assert_eq!((report.counters.answered, report.counters.short, report.senders), (3, 3, 1));
    assert_eq!((report.receive_drops, report.send_failures, report.socket_errors), (0, 0, 0));
    cancel.cancel();
    assert_eq!(running.await.expect("ended"), report);
}

#[tokio::test]
async fn who_asks_is_told_with_the_next_answer_when_the_kernel_sent_the_one_before() {
    let table = SessionTable::default();
    table.admit(Ipv4Addr::LOCALHOST.into(), Key::new(b"k")).expect("room");
    let service = ReflectorService::bind((Ipv4Addr::LOCALHOST, 0).into(), Some("lo"), table, Config::default()).expect("bound");
    let (to, cancel) = (service.local_addr().expect("address"), CancellationToken::new());
    let running = tokio::spawn(service.run(cancel.clone()));
    let client = tokio::net::UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).await.expect("client");
    client.connect(to).await.expect("connected");
    let (mut t3_before, mut told) = (None, 0);
    for sequence in 0..5_u32 {
        let mut asking = packet(sequence);
        tlv::push(&mut asking, tlv::FOLLOW_UP_TELEMETRY, &[0; 16]);
        client.send(&asking).await.expect("sent");
        let reply = answer(&client).await;
        let (repr, near) = (Reflected::parse(&reply, None).expect("a reflection").repr, wall_clock().unix_ns);
        let of = |timestamp: Timestamp| timestamp.unix_ns(repr.error_estimate.format, near);
        if let Some(left) = tlv::told(&reply, 44, None).follow_up {
            assert_eq!((left.sequence, left.method), (sequence - 1, tlv::TimestampInformation::SOFTWARE));
            assert!(t3_before.is_some_and(|t3| t3 <= of(left.timestamp)) && of(left.timestamp) <= near);
            told += 1;
        }
        t3_before = Some(of(repr.timestamp));
    }
    // The kernel stamps while it sends on loopback, so all but the first are told of the one before.
    assert_eq!(told, 4);
    cancel.cancel();
    running.await.expect("ended");
}

#[test]
fn the_session_table_gives_each_session_its_own_identifier() {
    let table = SessionTable::default();
    let here = IpAddr::from(Ipv4Addr::new(198, 51, 100, 2));
    let one = table.admit(here, Key::new(b"1")).expect("room");
    let two = table.admit(here, Key::new(b"2")).expect("room");
    assert_ne!(one, two);
    table.end(one);
    assert!(table.key(one).is_none() && table.key(two).is_some());
    assert!(table.allows((here, 4000).into()), "the second session still stands");
    let mapped: SocketAddr = "[::ffff:198.51.100.2]:4000".parse().expect("address");
    assert!(table.allows(mapped));
    table.end(two);
    assert!(!table.allows((here, 4000).into()));
}
