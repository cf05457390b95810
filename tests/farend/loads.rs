//! What a load moves, and whether both sides count the same.

use std::io::Read;

use doorstep::farend::client::ClientError;
use doorstep::farend::stream::{receive_bulk, send_bulk};
use doorstep::unit::Direction;

use crate::support::{Host, on_each, open, request, stream};

#[tokio::test]
async fn both_sides_count_the_same_octets_down() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let session = open(&invited).await.expect("invited");
    let request = request(Direction::Down, 3);
    let grant = session.admit_load(&request).await.expect("free");
    assert_eq!(grant.secrets.len(), 3);
    let (at, copy, asked) = (host.data(), grant.clone(), request.clone());
    let received = tokio::task::spawn_blocking(move || on_each(at, &copy, &asked, receive_bulk)).await.expect("streams");
    let report = session.finish_load(&grant).await.expect("a report");
    assert_eq!((report.sent.len(), report.received.len()), (3, 0));
    let (sent, got): (u64, u64) = (report.sent.iter().map(|s| s.octets).sum(), received.iter().map(|r| r.octets).sum());
    assert!(got > 1_000_000, "{got} octets over loopback");
    assert_eq!(sent, got, "{report:?}");
    assert!(got <= request.max_octets + 3 * (1 << 20), "more than was asked for: {got}");
    for one in &received {
        assert_eq!(one.buckets.iter().sum::<u64>(), one.octets, "the series adds up");
        assert_eq!((&one.broken_off, one.unclosed), (&None, false));
    }
    assert!(report.sent.iter().all(|s| matches!(s.congestion_control.as_str(), "cubic" | "reno")), "{report:?}");
}

#[tokio::test]
async fn both_sides_count_the_same_octets_up() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let session = open(&invited).await.expect("invited");
    let request = request(Direction::Up, 2);
    let grant = session.admit_load(&request).await.expect("free");
    let (at, copy, asked) = (host.data(), grant.clone(), request.clone());
    let sent = tokio::task::spawn_blocking(move || on_each(at, &copy, &asked, |s, _, until| send_bulk(s, until)))
        .await
        .expect("streams");
    let report = session.finish_load(&grant).await.expect("a report");
    assert_eq!((report.sent.len(), report.received.len()), (0, 2));
    let (gave, got): (u64, u64) = (sent.iter().map(|s| s.octets).sum(), report.received.iter().map(|r| r.octets).sum());
    assert!(got > 1_000_000, "{got} octets over loopback");
    assert_eq!(gave, got, "{report:?}");
}

#[tokio::test]
async fn a_secret_opens_one_stream_once_and_none_when_the_load_is_over() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let session = open(&invited).await.expect("invited");
    let grant = session.admit_load(&request(Direction::Down, 2)).await.expect("free");
    let gives = |secret| {
        let mut stream = stream(host.data(), secret);
        stream.set_read_timeout(Some(std::time::Duration::from_secs(5))).expect("a socket");
        matches!(stream.read(&mut [0; 1024]), Ok(n) if n > 0)
    };
    assert!(gives(&grant.secrets[0]), "the first time");
    assert!(!gives(&grant.secrets[0]), "the second time");
    session.finish_load(&grant).await.expect("a report");
    assert!(!gives(&grant.secrets[1]), "when the load is over");
}

#[tokio::test]
async fn a_load_beyond_the_limits_is_refused_with_the_limits() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let session = open(&invited).await.expect("invited");
    let asked = request(Direction::Down, 1);
    for wrong in [
        doorstep::farend::api::LoadRequest { streams: 0, ..asked.clone() },
        doorstep::farend::api::LoadRequest { streams: 65, ..asked.clone() },
        doorstep::farend::api::LoadRequest { time_ms: 3_600_000, ..asked.clone() },
    ] {
        let error = session.admit_load(&wrong).await.expect_err("beyond the limits");
        assert!(matches!(error, ClientError::Broken(_)), "{error:?}");
        assert!(error.to_string().contains("1 to 64 streams") && error.to_string().contains("120 s"), "{error}");
    }
    // What is refused takes nothing of the capacity.
    session.admit_load(&asked).await.expect("free");
}

#[tokio::test]
async fn a_session_that_ends_in_the_midst_of_its_load_ends_the_streams_and_frees_the_capacity() {
    let host = Host::new();
    let (one, two) = (host.invite("van-7"), host.invite("van-8"));
    let _service = host.serve();
    let session = open(&one).await.expect("invited");
    let endless = doorstep::farend::api::LoadRequest { time_ms: 60_000, max_octets: u64::MAX, ..request(Direction::Down, 1) };
    let grant = session.admit_load(&endless).await.expect("free");
    let mut stream = stream(host.data(), &grant.secrets[0]);
    assert!(stream.read(&mut [0; 1024]).expect("it sends") > 0);
    session.close().await.expect("closed");
    let mut left = 0_u64;
    let mut buffer = vec![0; 1 << 20];
    // What was in the queues comes, and then the end; without it this would go on for a minute.
    let begun = std::time::Instant::now();
    while let Ok(n @ 1..) = stream.read(&mut buffer) {
        left += n as u64;
        assert!(begun.elapsed().as_secs() < 20, "the stream goes on: {left} octets");
    }
    open(&two).await.expect("invited").admit_load(&endless).await.expect("the capacity is free");
}
