//! How the service ends, and what it costs while nobody comes.

use std::io::Read;
use std::time::{Duration, Instant};

use doorstep::farend::client::ClientError;
use doorstep::unit::Direction;
use nix::sys::signal::Signal;

use crate::support::{Host, open, request, stream};

#[tokio::test]
async fn an_interrupt_in_the_midst_of_a_load_ends_it_in_order_and_the_next_request_is_told() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let service = host.serve();
    let session = open(&invited).await.expect("invited");
    let long = doorstep::farend::api::LoadRequest { time_ms: 60_000, max_octets: u64::MAX, ..request(Direction::Down, 1) };
    let grant = session.admit_load(&long).await.expect("free");
    let mut stream = stream(host.data(), &grant.secrets[0]);
    assert!(stream.read(&mut [0; 1024]).expect("it sends") > 0);
    let draining = std::thread::spawn(move || {
        let mut buffer = vec![0; 1 << 20];
        while stream.read(&mut buffer).is_ok_and(|n| n > 0) {}
    });
    let begun = Instant::now();
    service.signal(Signal::SIGINT);
    let ended = service.end();
    assert_eq!(ended.status, Some(0), "{ended:?}");
    // The help promises 5 s; twice that is a hang, not a busy machine.
    assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", begun.elapsed());
    draining.join().expect("the stream ended");
    let error = session.finish_load(&grant).await.expect_err("nobody is there");
    assert!(matches!(error, ClientError::Gone | ClientError::Broken(_)), "{error:?}");
}

#[tokio::test]
async fn what_is_not_there_and_what_refuses_are_told_apart_from_what_is_silent() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let error = open(&invited).await.expect_err("nothing listens");
    assert!(matches!(error, ClientError::Refused(_)), "{error:?}");
    assert!(error.to_string().contains("service is not running"), "{error}");
}

#[test]
fn a_port_that_another_has_is_told_with_what_to_do() {
    let host = Host::new();
    let _taken = std::net::TcpListener::bind(host.control()).expect("loopback");
    let ended = host.act(&[]);
    assert_eq!(ended.status, Some(4), "{ended:?}");
    assert!(ended.stderr.contains("another program has that port"), "{ended:?}");
    assert!(ended.stderr.contains(&host.control().to_string()), "{ended:?}");
}

#[test]
fn a_service_that_nobody_uses_takes_no_processor_time() {
    let host = Host::new();
    let service = host.serve();
    let settled = service.ticks();
    std::thread::sleep(Duration::from_secs(3));
    // It has nothing to wake up for, so not one tick of 10 ms is spent, however busy the machine is with others.
    assert_eq!(service.ticks(), settled, "ticks of 10 ms in 3 s");
}
