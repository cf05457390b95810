//! The link check on real ports.

use doorstep::check::link::LinkCheck;
use doorstep::reading::Status;
use doorstep::unit::Depth;

use crate::support::{Line, codes, reading, readings};

#[test]
fn a_plugged_in_port_has_carrier_speed_and_driver_and_its_counters_are_taken_at_the_end() {
    let mut line = Line::new();
    line.laptop.address(line.laptop_index, "192.0.2.9".parse().expect("address"), 24).expect("address");
    let finished = line.check(&LinkCheck, Depth::Quick);
    let outcome = finished.outcome.clone();
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{:?}", outcome.reason);
    assert_eq!(reading(&outcome, "link.carrier").value, 1.0);
    // What the kernel's veth says of itself.
    assert_eq!(reading(&outcome, "link.speed").value, 10_000.0);
    assert_eq!(reading(&outcome, "link.full_duplex").value, 1.0);
    assert_eq!(reading(&outcome, "link.mtu").value, 1500.0);
    assert_eq!((&outcome.facts["adapter"]["driver"], &outcome.facts["virtual_kind"]), (&"veth".into(), &"veth".into()));
    let sent = line.laptop.namespace().run(|| {
        let socket = std::net::UdpSocket::bind("192.0.2.9:0").expect("bind");
        (0..20).filter(|_| socket.send_to(&[0; 100], "192.0.2.1:9").is_ok()).count()
    });
    let (closing, finished) = line.close(finished);
    let [closing] = &closing[..] else { panic!("{closing:?}") };
    for name in ["link.receive_errors", "link.transmit_errors", "link.receive_drops"] {
        assert_eq!(reading(closing, name).value, 0.0, "{name}");
    }
    let counted = closing.facts["counters_during_visit"]["sent_frames"].as_u64().expect("counted");
    assert!(sent == 20 && counted >= 20, "{counted}");
    line.release(finished);
}

#[test]
fn no_cable_is_a_failed_check_and_a_cable_that_comes_late_is_waited_for() {
    let line = Line::with_server_end_down();
    let finished = line.check(&LinkCheck, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Failed);
    let reason = finished.outcome.reason.as_deref().expect("a reason");
    assert!(reason.starts_with("no carrier on lan0"), "{reason}");
    assert_eq!(reading(&finished.outcome, "link.carrier").value, 0.0);
    assert!(readings(&finished.outcome, "link.speed").is_empty());
    let mut line = line;
    let finished = {
        let waiting = line.context(Depth::Handoff);
        let (begun, has_begun) = std::sync::mpsc::channel();
        let index = line.server_index;
        let server = line.server.namespace().clone();
        let plug = std::thread::spawn(move || {
            has_begun.recv().expect("the check has begun");
            let mut site = doorstep::net::build::Site::open(&server).expect("netlink");
            site.raise("lan", index).expect("up");
        });
        let finished = line.block_on(async move {
            begun.send(()).expect("the plug waits");
            doorstep::check::Check::run(&LinkCheck, waiting).await
        });
        plug.join().expect("no panic");
        finished
    };
    assert_eq!((finished.outcome.status, reading(&finished.outcome, "link.carrier").value), (Status::Done, 1.0));
    line = line.plug_in();
    line.release(finished);
}

#[test]
fn a_cable_that_is_pulled_during_the_visit_is_told_at_its_end() {
    let line = Line::new();
    let finished = line.check(&LinkCheck, Depth::Quick);
    let server = line.server.namespace().clone();
    // Taking the far end away is what pulling the plug looks like from here.
    let status = server.command("ip").args(["link", "set", "lan", "down"]).status().expect("iproute2 is installed");
    assert!(status.success());
    let (closing, finished) = line.close(finished);
    assert_eq!(codes(&closing[0]), ["link-carrier-lost"]);
    line.release(finished);
}

#[test]
fn a_port_that_is_switched_off_or_gone_can_not_be_tested_and_says_what_to_type() {
    let line = Line::new();
    let status = line.laptop.namespace().command("ip").args(["link", "set", "lan0", "down"]).status();
    assert!(status.expect("iproute2 is installed").success());
    let outcome = line.check(&LinkCheck, Depth::Quick).outcome;
    assert_eq!(outcome.status, Status::NotTested);
    assert!(outcome.reason.expect("a reason").contains("sudo ip link set dev lan0 up"));
    let status = line.laptop.namespace().command("ip").args(["link", "del", "lan0"]).status();
    assert!(status.expect("iproute2 is installed").success());
    let outcome = line.check(&LinkCheck, Depth::Quick).outcome;
    assert_eq!(outcome.status, Status::NotTested);
    assert!(outcome.reason.expect("a reason").contains("lan0 is gone"));
}
