//! A far end that dies, senders that are not let in, packets that are none.

use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::time::{Duration, Instant};

use doorstep::check::twoway::{Ended, Form, measure, run_stream};
use doorstep::practice::Node;
use doorstep::reading::{Limit, Status};
use tokio_util::sync::CancellationToken;

use crate::support::{FAR_END_V4, FarEnd, PORT, bare, build, on_laptop, run, stream, warm_up};

#[test]
fn a_far_end_that_dies_during_the_stream_ends_it_with_what_there_is() {
    let line = build(bare());
    let mut far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    let config = stream(&far_end, FAR_END_V4.into(), Form::Offered, 3000, Duration::from_millis(5));
    let (tell, told) = std::sync::mpsc::channel();
    let laptop = line.namespace(Node::Laptop).spawn("stream", move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        let progress = move |now: doorstep::check::twoway::StreamProgress| {
            let _ = tell.send(now.answers);
        };
        runtime.block_on(run_stream(config, CancellationToken::new(), progress)).expect("a socket")
    });
    while told.recv().expect("the stream runs") < 100 {}
    let began = Instant::now();
    far_end.stop();
    let result = laptop.join().expect("no panic");
    // Five refusals at one packet in 5 ms (the kernel limits ICMP errors to about one a second after a burst of six),
    // then the wait of 2 s; the rest of the 15 s isn't sat out.
    assert_eq!(result.ended, Ended::Refused);
    assert!(began.elapsed() < Duration::from_secs(10), "{:?}", began.elapsed());
    let ways = result.account.ways.as_ref().expect("100 answers came");
    assert_eq!((ways.forward.lost, ways.backward.lost), (0, 0), "what was bracketed by answers was not lost");
    assert!(ways.undetermined > 0 && ways.forward.sent >= 100);
}

#[test]
fn a_port_without_a_reflector_is_the_far_end_s_failure_and_not_the_line_s() {
    let line = build(bare());
    let mut far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    far_end.stop();
    let config = stream(&far_end, FAR_END_V4.into(), Form::Offered, 1000, Duration::from_millis(10));
    let outcome = on_laptop(&line, move || measure(config, CancellationToken::new(), Arc::new(|_| {}), 0.95));
    assert_eq!(outcome.status, Status::Failed);
    assert_eq!(outcome.reason.as_deref(), Some("the far end says that nothing listens at its reflector's port"));
    let loss = outcome.readings.iter().find(|r| r.name == "twoway.loss_ratio").expect("loss");
    assert_eq!((loss.value, loss.limited_by[0].side), (1.0, Limit::FarEnd));
}

#[test]
fn cancelling_ends_a_stream_soon_and_keeps_its_account() {
    let line = build(bare());
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    let config = stream(&far_end, FAR_END_V4.into(), Form::Offered, 100_000, Duration::from_millis(5));
    let result = on_laptop(&line, move || async move {
        let cancel = CancellationToken::new();
        let stop = cancel.clone();
        let progress = move |now: doorstep::check::twoway::StreamProgress| {
            if now.answers >= 50 {
                stop.cancel();
            }
        };
        run_stream(config, cancel, progress).await.expect("a socket")
    });
    assert_eq!((result.ended, result.account.lost), (Ended::Cancelled, 0));
    assert!(result.account.sent >= 50 && result.account.sent < 5_000);
}

#[test]
fn malformed_and_foreign_packets_do_no_harm_and_get_no_answer() {
    let line = build(bare());
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    let before = far_end.handle.report();
    let to = SocketAddr::from((FAR_END_V4, PORT));
    // From an address that no session has named: the provider's core router. Valid or not, it gets nothing.
    let sent = line.namespace(Node::Core).run(move || {
        let socket = UdpSocket::bind("0.0.0.0:0").expect("bound");
        socket.set_read_timeout(Some(Duration::from_millis(300))).expect("set");
        let mut state = 3u64;
        let mut sent = 0;
        for len in (0..400).chain([1000, 1400]) {
            let packet: Vec<u8> = (0..len)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    (state >> 33) as u8
                })
                .collect();
            // As it is, and looking like an authenticated packet of the session.
            for zero in [false, true] {
                let mut packet = packet.clone();
                if zero && len >= 28 {
                    packet[4..16].fill(0);
                    packet[26..28].copy_from_slice(&[0, 1]);
                }
                socket.send_to(&packet, to).expect("sent");
                sent += 1;
            }
        }
        let mut buffer = [0; 2048];
        assert!(socket.recv(&mut buffer).is_err(), "a stranger was answered");
        sent
    });
    let report = far_end.handle.report();
    let refused =
        |r: &doorstep::farend::reflector::ReflectorReport| r.counters.short + r.counters.forged + r.counters.not_admitted;
    assert_eq!(refused(&report) - refused(&before), sent, "{report:?}");
    assert_eq!(report.counters.answered, before.counters.answered);
    // And it still works.
    let result = run(&line, stream(&far_end, FAR_END_V4.into(), Form::Unauthenticated, 50, Duration::from_millis(2)));
    assert_eq!(result.account.lost, 0);
}

#[test]
fn an_idle_reflector_does_not_run() {
    let line = build(bare());
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    let path = format!("/proc/self/task/{}/status", far_end.thread);
    let switches = || {
        let status = std::fs::read_to_string(&path).expect("the reflector's thread");
        let line = status.lines().find(|l| l.starts_with("voluntary_ctxt_switches")).expect("counter").to_owned();
        line.split_whitespace().nth(1).expect("number").parse::<u64>().expect("number")
    };
    // Transmit stamps of the last replies may still wake it: from the first quiet 100 ms on it must sleep. The far end
    // is silent meanwhile, so the pause is what is examined, not a wait for something to settle.
    let mut last = switches();
    let quiet = (0..20).any(|_| {
        std::thread::sleep(Duration::from_millis(100));
        let now = switches();
        std::mem::replace(&mut last, now) == now
    });
    assert!(quiet, "never quiet for 100 ms in 2 s");
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(switches(), last, "it woke though nothing came");
}
