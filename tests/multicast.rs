//! `multicast` against counterparts of the kernel and others: a snooping bridge that asks, multicast routers, a capture beside.
//!
//! Needs root and the packages iproute2, tcpdump, tshark and smcroute; fails loudly without. All traffic stays in namespaces.

#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;

#[path = "multicast/scene.rs"]
mod scene;

use std::net::IpAddr;
use std::time::Duration;

use doorstep::proto::membership::Terms;
use doorstep::reading::{Outcome, Status, Target};
use doorstep::unit::{Depth, Family, StampSource};
use doorstep::wire::membership::Version;

use capture::Capture;
use outcome::{codes, reading, readings};
use scene::{Scene, channel};

const ONE: &str = "233.252.0.1";
const TWO: &str = "233.252.0.2";

fn terms(groups: &[&str]) -> Terms {
    Terms { channels: groups.iter().map(|group| channel(group)).collect(), at_once: 1, ..Terms::default() }
}

/// A bridge that snoops and asks: its timers in hundredths of a second (ip-link(8)). It floods until its own first query was answered
/// (`br_multicast_querier_exists`), so that it is waited for.
fn snooping(version: u8, more: &str) -> Scene {
    let mld = if version == 3 { 2 } else { 1 };
    let scene = Scene::bridge(&format!(
        "mcast_snooping 1 mcast_querier 1 mcast_igmp_version {version} mcast_mld_version {mld} mcast_query_interval 200 \
         mcast_query_response_interval 50 mcast_startup_query_interval 50 mcast_last_member_interval 50{more}"
    ));
    std::thread::sleep(Duration::from_millis(2500));
    scene
}

fn sound(outcome: &Outcome) {
    assert_eq!((outcome.status, codes(outcome)), (Status::Done, vec![]), "{outcome:#?}");
}

/// Each figure of the first channel.
fn first(outcome: &Outcome, name: &str) -> f64 {
    reading(outcome, &format!("multicast.{name}")).value
}

/// Reports and leaves as tshark reads them, and the times against the stamps of a capture at the laptop's port.
#[test]
fn a_channel_comes_when_joined_and_ends_when_left_and_the_capture_agrees() {
    let mut scene = snooping(3, "");
    scene.send(ONE);
    let capture = Capture::start(scene.laptop.namespace(), "lan0", "igmp or udp port 5000");
    let outcome = scene.check(terms(&[ONE]), Depth::Quick);
    let rows = capture.end([
        "frame.time_epoch",
        "igmp.type",
        "igmp.record_type",
        "igmp.maddr",
        "igmp.checksum.status",
        "ip.ttl",
        "ip.opt.ra",
        "ip.dst",
        "ip.src",
    ]);
    sound(&outcome);
    for (name, want) in [("arrives", 1.0), ("stays", 1.0), ("stops_on_leave", 1.0), ("querier_present", 1.0), ("unasked_rate", 0.0)] {
        assert_eq!(first(&outcome, name), want, "{name}: {outcome:#?}");
    }
    // The bridge's own times, as it was told them.
    assert_eq!(first(&outcome, "query_interval"), 2.0);
    assert_eq!(outcome.facts["queriers"][0]["version"], "IGMPv3");
    let ours: Vec<&[String; 9]> = rows.iter().filter(|row| row[8] == "192.0.2.50" && row[3].contains(ONE)).collect();
    assert!(ours.iter().all(|row| row[1] == "0x22" && row[4] == "1" && row[5] == "1" && row[7] == "224.0.0.22"), "{ours:?}");
    assert!(ours.iter().all(|row| row[6] == "0"), "router alert: {ours:?}");
    let at = |row: &[String; 9]| row[0].parse::<f64>().expect("a time");
    let joined = ours.iter().find(|row| row[2] == "4").expect("changed to exclude {}");
    let left = ours.iter().find(|row| row[2] == "3").expect("changed to include {}");
    let packets: Vec<f64> = rows.iter().filter(|row| row[1].is_empty()).map(|row| at(row)).collect();
    let come = packets.iter().find(|time| **time > at(joined)).expect("it came");
    let join_time = reading(&outcome, "multicast.join_time");
    assert_eq!((join_time.stamped_by, join_time.target.clone()), (Some(StampSource::Kernel), Some(Target::Channel(1))));
    // The capture and the check have stamps of the same kernel, taken on the same way of a packet: within 1 ms.
    assert!((join_time.value - (come - at(joined)) * 1e3).abs() < 1.0, "{join_time:?}: {}", (come - at(joined)) * 1e3);
    let last = packets.last().expect("packets").max(at(left));
    let leave_time = first(&outcome, "leave_time");
    assert!((leave_time - (last - at(left)) * 1e3).abs() < 1.0, "{leave_time}: {}", (last - at(left)) * 1e3);
    // One query follows a leave and has half a second for its answer; the bridge forgets after that twice.
    assert!((0.0..2000.0).contains(&leave_time), "{leave_time}");
}
