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

use std::time::Duration;

use doorstep::proto::membership::Terms;
use doorstep::reading::{Outcome, Status, Target};
use doorstep::unit::{Depth, StampSource};
use doorstep::wire::membership::Version;

use capture::Capture;
use outcome::{codes, reading, readings};
use scene::{Scene, channel};

const ONE: &str = "233.252.0.1";

fn terms(groups: &[&str]) -> Terms {
    Terms { channels: groups.iter().map(|group| channel(group)).collect(), at_once: 1, ..Terms::default() }
}

/// A bridge that snoops and asks: its timers in hundredths of a second (ip-link(8)). It floods until its first wait for answers is over
/// (`br_multicast_querier_exists`).
fn snooping(version: u8, more: &str) -> Scene {
    let mld = if version == 3 { 2 } else { 1 };
    let settings = format!(
        "mcast_snooping 1 mcast_igmp_version {version} mcast_mld_version {mld} mcast_query_interval 80 mcast_query_response_interval 50 \
         mcast_startup_query_interval 50 mcast_last_member_interval 50{more}"
    );
    let scene = Scene::bridge(&settings, true);
    std::thread::sleep(Duration::from_millis(1500));
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
    for (name, want) in
        [("arrives", 1.0), ("stays", 1.0), ("stops_on_leave", 1.0), ("querier_present", 1.0), ("unasked_rate", 0.0)]
    {
        assert_eq!(first(&outcome, name), want, "{name}: {outcome:#?}");
    }
    // The bridge says its 0.8 s as a whole second.
    assert_eq!(first(&outcome, "query_interval"), 1.0);
    assert_eq!(outcome.facts["queriers"][0]["version"], "IGMPv3");
    let ours: Vec<&[String; 9]> = rows.iter().filter(|row| row[8] == "192.0.2.50" && row[3].contains(ONE)).collect();
    assert!(ours.iter().all(|row| row[1] == "0x22" && row[4] == "1" && row[5] == "1" && row[7] == "224.0.0.22"), "{ours:?}");
    assert!(ours.iter().all(|row| row[6] == "0"), "router alert: {ours:?}");
    let at = |row: &[String; 9]| row[0].parse::<f64>().expect("a time");
    let joined = ours.iter().find(|row| row[2] == "4").expect("changed to exclude {}");
    let left = ours.iter().find(|row| row[2] == "3").expect("changed to include {}");
    let packets: Vec<f64> = rows.iter().filter(|row| row[1].is_empty()).map(at).collect();
    let come = packets.iter().find(|time| **time > at(joined)).expect("it came");
    let join_time = reading(&outcome, "multicast.join_time");
    assert_eq!((join_time.stamped_by, join_time.target.clone()), (Some(StampSource::Kernel), Some(Target::Channel(1))));
    // The capture and the check have stamps of the same kernel, taken on the same way of a packet: within 1 ms.
    assert!((join_time.value - (come - at(joined)) * 1e3).abs() < 1.0, "{join_time:?}: {}", (come - at(joined)) * 1e3);
    let last = packets.last().expect("packets").max(at(left));
    let leave_time = first(&outcome, "leave_time");
    assert!((leave_time - (last - at(left)) * 1e3).abs() < 1.0, "{leave_time}: {}", (last - at(left)) * 1e3);
    // A point of random access comes each 480 ms, and the tables each 100 ms; a busy machine is late.
    let picture = first(&outcome, "first_picture_time");
    assert!((join_time.value..2000.0).contains(&picture), "{picture}");
    assert_eq!(first(&outcome, "stream_continuity_errors"), 0.0);
    // One query follows a leave and has half a second for its answer; the bridge forgets after that twice.
    assert!((0.0..2000.0).contains(&leave_time), "{leave_time}");
}

/// An older querier has its version: reports and a leave of version 2.
#[test]
fn an_older_querier_is_answered_in_its_version() {
    let mut scene = snooping(2, "");
    scene.send(ONE);
    let capture = Capture::start(scene.laptop.namespace(), "lan0", "igmp");
    let outcome = scene.check(Terms { version: Some(Version::Igmp3), ..terms(&[ONE]) }, Depth::Quick);
    let rows = capture.end(["igmp.type", "igmp.maddr", "ip.dst", "ip.src"]);
    assert_eq!(codes(&outcome), ["multicast-older-version"], "{outcome:#?}");
    assert_eq!((first(&outcome, "arrives"), first(&outcome, "stops_on_leave")), (1.0, 1.0), "{outcome:#?}");
    let ours: Vec<&[String; 4]> = rows.iter().filter(|row| row[3] == "192.0.2.50" && row[1].contains(ONE)).collect();
    assert!(ours.iter().any(|row| row[0] == "0x16" && row[2] == ONE), "{ours:?}");
    assert!(ours.iter().any(|row| row[0] == "0x17" && row[2] == "224.0.0.2"), "{ours:?}");
    assert!(ours.iter().all(|row| row[0] != "0x22"), "{ours:?}");
}

/// The same over IPv6: the kernel's bridge asks with MLDv1 (RFC 2710), and tshark reads report and done.
#[test]
fn a_querier_of_mldv1_is_answered_in_its_version() {
    const SIX: &str = "ff1e::8000:3";
    let mut scene = snooping(2, "");
    scene.send(SIX);
    let capture = Capture::start(scene.laptop.namespace(), "lan0", "ip6 and not udp");
    let outcome = scene.check(Terms { version: Some(Version::Mld2), ..terms(&[SIX]) }, Depth::Quick);
    let rows = capture.end([
        "icmpv6.type",
        "icmpv6.mld.multicast_address",
        "ipv6.dst",
        "ipv6.hlim",
        "icmpv6.checksum.status",
        "icmpv6.mldr.mar.multicast_address",
    ]);
    assert_eq!(codes(&outcome), ["multicast-older-version"], "{outcome:#?}");
    for (name, want) in [("arrives", 1.0), ("stops_on_leave", 1.0), ("querier_present", 1.0), ("querier_version", 1.0)] {
        assert_eq!(first(&outcome, name), want, "{name}: {outcome:#?}");
    }
    let ours: Vec<&[String; 6]> = rows.iter().filter(|row| row[1] == SIX && row[0] != "130").collect();
    assert!(ours.iter().any(|row| row[0] == "131" && row[2] == SIX), "{rows:?}");
    assert!(ours.iter().any(|row| row[0] == "132" && row[2] == "ff02::2"), "{rows:?}");
    assert!(ours.iter().all(|row| row[3] == "1" && row[4] == "1"), "{ours:?}");
    assert!(rows.iter().all(|row| !row[5].contains(SIX)), "no report of version 2: {rows:?}");
}

/// Three channels: of any source, of one source, and of IPv6 (which tshark reads as MLDv2). The bridge keeps sources apart.
#[test]
fn channels_of_both_versions_change_and_come_at_once() {
    let groups = [ONE, "232.0.1.2", "ff3e::8000:3"];
    let mut scene = snooping(3, "");
    groups.iter().for_each(|group| scene.send(group));
    // Messages stand behind a hop-by-hop header, where the filter `icmp6` does not look.
    let capture = Capture::start(scene.laptop.namespace(), "lan0", "ip6 and not udp");
    let asked = Terms { at_once: 3, changes: 4, hold: Some(Duration::from_secs(1)), ..terms(&groups) };
    let outcome = scene.check(asked, Depth::Handoff);
    let rows = capture.end([
        "icmpv6.type",
        "icmpv6.mldr.mar.record_type",
        "icmpv6.mldr.mar.multicast_address",
        "ipv6.hlim",
        "icmpv6.checksum.status",
    ]);
    sound(&outcome);
    assert!(readings(&outcome, "multicast.arrives").iter().all(|r| r.value == 1.0));
    assert_eq!((readings(&outcome, "multicast.arrives").len(), reading(&outcome, "multicast.channels_at_once").value), (3, 3.0));
    assert_eq!(readings(&outcome, "multicast.querier_present").len(), 2, "IPv4 and IPv6: {outcome:#?}");
    let change = reading(&outcome, "multicast.change_time_p50");
    let unclear = outcome.facts.get("changes_not_measured").map_or(0, |n| n.as_u64().expect("a count"));
    assert_eq!(change.samples + unclear, 4, "{outcome:#?}");
    // A packet comes each 7 ms; a busy machine has 500 ms.
    assert!((0.0..500.0).contains(&change.value), "{change:?}");
    assert_eq!(reading(&outcome, "multicast.change_failure_ratio").value, 0.0);
    let ours: Vec<_> = rows.iter().filter(|row| row[0] == "143" && row[2].contains("ff3e::8000:3")).collect();
    assert!(
        ours.iter().any(|row| row[1].contains('5')) && ours.iter().any(|row| row[1].contains('6')),
        "allow and block: {ours:?}"
    );
    assert!(ours.iter().all(|row| row[3] == "1" && row[4] == "1"), "{ours:?}");
}

/// The kernel joins in the check's place, and its reports are the times' beginning.
#[test]
fn the_kernel_joins_on_wish() {
    let mut scene = snooping(3, "");
    let groups = ["232.0.1.2"];
    groups.iter().for_each(|group| scene.send(group));
    let outcome = scene.check(Terms { by_kernel: true, ..terms(&groups) }, Depth::Quick);
    sound(&outcome);
    assert_eq!((first(&outcome, "arrives"), first(&outcome, "stops_on_leave")), (1.0, 1.0), "{outcome:#?}");
    assert!((0.0..1000.0).contains(&first(&outcome, "join_time")), "{outcome:#?}");
    assert_eq!(outcome.facts["joined_by"], "kernel");
}

/// A bridge without snooping floods; no join time is made of that.
#[test]
fn flooding_is_told_and_proves_no_join() {
    let mut scene = Scene::bridge("mcast_snooping 0", false);
    scene.send(ONE);
    let outcome = scene.check(terms(&[ONE]), Depth::Quick);
    assert_eq!(codes(&outcome), ["multicast-flooded"], "{outcome:#?}");
    // 142.5 packets a second, which a busy machine sends in bursts.
    assert!((70.0..=215.0).contains(&first(&outcome, "unasked_rate")), "{outcome:#?}");
    for name in ["arrives", "join_time", "leave_time", "stops_on_leave", "querier_present"] {
        assert!(readings(&outcome, &format!("multicast.{name}")).is_empty(), "{name}: {outcome:#?}");
    }
    assert!(outcome.facts.contains_key("no_querier_heard_ipv4"), "{outcome:#?}");
}

/// A bridge that asks once in five minutes and forgets members after a second: the answers to its queries never come, as behind a switch that
/// swallows them.
#[test]
fn a_switch_that_forgets_is_told() {
    let settings = "mcast_snooping 1 mcast_igmp_version 3 mcast_query_interval 30000 mcast_query_response_interval 50 \
        mcast_startup_query_interval 30000 mcast_membership_interval 100 mcast_last_member_interval 50";
    let mut scene = Scene::bridge(settings, true);
    std::thread::sleep(Duration::from_millis(1500));
    scene.send(ONE);
    let outcome = scene.check(terms(&[ONE]), Depth::Quick);
    assert_eq!(codes(&outcome), ["multicast-dropped"], "{outcome:#?}");
    assert_eq!((first(&outcome, "arrives"), first(&outcome, "stays")), (1.0, 0.0));
}

/// Reports that are filtered at the bridge's port: somebody asks, and nothing comes.
#[test]
fn filtered_reports_are_told_from_a_missing_querier() {
    let mut scene = snooping(3, "");
    scene.send(ONE);
    let rules =
        "table netdev lab {\n chain c {\n type filter hook ingress device \"home\" priority 0;\n ip protocol igmp drop\n }\n}";
    let status = scene.middle.namespace().command("nft").arg(rules).status().expect("nftables is installed");
    assert!(status.success());
    let outcome = scene.check(terms(&[ONE]), Depth::Quick);
    assert_eq!(codes(&outcome), ["multicast-not-arriving"], "{outcome:#?}");
    assert_eq!((first(&outcome, "arrives"), first(&outcome, "querier_present")), (0.0, 1.0));
}

/// The channel comes in VLAN 11, and is looked for in VLAN 10, then in 11.
#[test]
fn another_vlan_is_named_and_the_right_one_is_heard() {
    let mut scene = Scene::bare();
    scene.send_tagged(ONE, 11);
    let looked_for = |vlan: u16| {
        let mut terms = terms(&[ONE]);
        terms.channels[0].vlan = Some(doorstep::wire::vlan::TagStack::single(vlan));
        terms
    };
    let outcome = scene.check(looked_for(10), Depth::Quick);
    assert_eq!(codes(&outcome), ["multicast-not-arriving", "multicast-wrong-tag"], "{outcome:#?}");
    assert!(outcome.flaws[1].what.contains("in VLAN 11"), "{outcome:#?}");
    // There it comes, and unasked, as nobody keeps memberships.
    assert_eq!(codes(&scene.check(looked_for(11), Depth::Quick)), ["multicast-flooded"]);
}

/// A multicast router between source and home (smcroute forwards, the bridge keeps memberships): the way of a provider's gateway.
#[test]
fn a_channel_comes_through_a_multicast_router() {
    let mut scene = Scene::bare();
    scene.ip("link add br0 type bridge mcast_snooping 1 mcast_igmp_version 3 mcast_query_interval 80 mcast_query_response_interval 50 mcast_last_member_interval 50");
    for command in [
        "link set dev home master br0",
        "link set dev br0 up",
        "link set dev br0 type bridge mcast_querier 1",
        "address add 192.0.2.1/24 dev br0",
        "address add 198.51.100.1/24 dev up",
    ] {
        scene.ip(command);
    }
    scene
        .middle
        .sysctls(&[("net/ipv4/ip_forward", "1"), ("net/ipv4/conf/all/rp_filter", "0"), ("net/ipv4/conf/up/rp_filter", "0")])
        .expect("sysctls");
    scene.give_source_addresses("198.51.100.80");
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("conf"), format!("phyint up enable\nphyint br0 enable\nmroute from up group {ONE} to br0\n"))
        .expect("written");
    let mut command = scene.middle.namespace().command("smcrouted");
    command.args(["-n", "-N", "-I", "lab"]).arg("-f").arg(at("conf")).arg("-P").arg(at("pid")).arg("-u").arg(at("socket"));
    let _router = server::Server::spawn(command);
    scene.send(ONE);
    std::thread::sleep(Duration::from_millis(2000));
    let outcome = scene.check(terms(&[ONE]), Depth::Quick);
    sound(&outcome);
    assert_eq!((first(&outcome, "arrives"), first(&outcome, "unasked_rate"), first(&outcome, "stops_on_leave")), (1.0, 0.0, 1.0));
}
