//! After the ACK: probing, renewing, giving back; and asking for settings only.

use super::scene::{ADDRESS, MAC, OTHER_SERVER, SERVER, SERVER_MAC, Scene, answer, settings};
use crate::proto::dhcp4::*;
use crate::wire::arp;
use crate::wire::dhcp4::option::code;

#[test]
fn the_lease_is_renewed_at_t1_from_the_server_and_at_t2_from_any() {
    let mut scene = Scene::new(settings());
    scene.bind();
    // The lease runs from 500 ms on; T1 1800 s, T2 3150 s, end 3600 s.
    let sent = scene.until(3_600_499);
    let seconds: Vec<u64> = sent.iter().map(|(ms, _)| (ms - 500) / 1000).collect();
    // Section 4.4.5: again after half of what is left, at least a minute.
    assert_eq!(seconds, [1800, 2475, 2812, 2981, 3065, 3125, 3150, 3375, 3487, 3547]);
    for (ms, out) in &sent {
        assert_eq!((out.kind, out.repr.client, out.ip.source), (MessageType::Request, ADDRESS, ADDRESS));
        assert_eq!((out.option(code::SERVER_IDENTIFIER), out.option(code::REQUESTED_ADDRESS)), (None, None), "table 5");
        let is_rebinding = *ms >= 3_150_500;
        let to = if is_rebinding { (Mac::BROADCAST, Ipv4Addr::BROADCAST) } else { (SERVER_MAC, SERVER) };
        assert_eq!((out.header.destination, out.ip.destination), to, "{ms}");
    }
    scene.until(3_600_500);
    assert_eq!(scene.events(), [Event::Over(Ending::Expired)]);
    assert!(scene.client.lease().is_none());
}

#[test]
fn a_renewal_that_is_answered_sets_new_times_and_one_that_is_refused_ends_it() {
    let mut scene = Scene::new(settings());
    scene.bind();
    let renewal = scene.until(1_800_500).remove(0).1;
    scene.ms = 1_800_510;
    scene.deliver(&answer(&renewal, MessageType::Ack, SERVER), SERVER);
    assert_eq!(scene.events(), [Event::Renewed]);
    let times = scene.client.lease().unwrap().times.unwrap();
    assert_eq!(times.expires_at, scene.start + Duration::from_millis(1_800_500 + 3_600_000));
    let renewal = scene.until(3_600_500).remove(0).1;
    scene.deliver(&answer(&renewal, MessageType::Nak, SERVER), SERVER);
    assert_eq!(scene.events(), [Event::Over(Ending::Withdrawn)]);
}

#[test]
fn a_release_goes_straight_to_the_server_and_ends_it() {
    let mut scene = Scene::new(settings());
    scene.bind();
    scene.client.release();
    let release = scene.only();
    // Table 5: address in `ciaddr`, server identifier; the client identifier as it was leased under (section 4.4.6).
    assert_eq!((release.kind, release.repr.client), (MessageType::Release, ADDRESS));
    assert_eq!((release.header.destination, release.ip.source, release.ip.destination), (SERVER_MAC, ADDRESS, SERVER));
    assert_eq!(release.option(code::SERVER_IDENTIFIER), Some(&SERVER.octets()[..]));
    assert!(release.option(code::REQUESTED_ADDRESS).is_none() && release.option(code::CLIENT_IDENTIFIER).is_some());
    assert_eq!(scene.events(), [Event::Over(Ending::Released)]);
    assert!(scene.client.is_over());
}

#[test]
fn without_a_lease_there_is_nothing_to_give_back() {
    let mut scene = Scene::new(settings());
    scene.only();
    scene.client.release();
    assert!(scene.flush().is_empty());
    assert_eq!(scene.events(), [Event::Over(Ending::Released)]);
}

#[test]
fn a_lease_without_end_and_one_without_times_are_dealt_with() {
    for (data, granted) in [([0xff; 4], None), ([0, 0, 0, 120], Some(120))] {
        let mut scene = Scene::new(settings());
        let discover = scene.only();
        let mut offer = answer(&discover, MessageType::Offer, SERVER);
        offer.options.iter_mut().filter(|o| o.code == code::LEASE_TIME).for_each(|o| o.data = data.to_vec());
        scene.deliver(&offer, SERVER);
        let request = scene.until(500).remove(0).1;
        let mut ack = answer(&request, MessageType::Ack, SERVER);
        ack.options.iter_mut().filter(|o| o.code == code::LEASE_TIME).for_each(|o| o.data = data.to_vec());
        scene.deliver(&ack, SERVER);
        let lease = scene.client.lease().unwrap();
        assert_eq!(lease.granted, granted.map(Duration::from_secs));
        let wake = lease.times.map(|t| t.renew_at);
        assert_eq!(scene.client.next_wake(), wake);
    }
}

#[test]
fn the_address_is_probed_and_used_and_announced_when_nobody_answers() {
    let mut scene = Scene::new(probing());
    acknowledge(&mut scene);
    scene.until(799);
    let probe = arp::Repr::probe(MAC, ADDRESS);
    assert_eq!(scene.spoken, [(500, probe), (600, probe), (700, probe)], "RFC 5227 section 1.1: PROBE_NUM 3");
    // Our own probe, looped back by a bridge, another port of this machine, and a stranger's traffic are no conflict.
    scene.deliver_arp(probe);
    scene.deliver_arp(arp::Repr { sender: ADDRESS, sender_mac: OWN, ..probe });
    scene.deliver_arp(arp::Repr { sender: SERVER, sender_mac: SERVER_MAC, ..probe });
    assert!(scene.events().is_empty());
    scene.until(60_000);
    assert_eq!(scene.events(), [Event::Bound]);
    // Section 2.3: a request with the address as sender and target; two, two seconds apart.
    let announcement = arp::Repr { sender: ADDRESS, ..probe };
    assert_eq!(scene.spoken[3..], [(800, announcement), (2800, announcement)]);
    assert_eq!(scene.client.rivals(), []);
}

#[test]
fn probes_at_the_standard_s_times() {
    let waits = [1300, 1700, 2000].map(Duration::from_millis).to_vec();
    let mut scene = Scene::new(Settings { probe_waits: waits, ..settings() });
    acknowledge(&mut scene);
    scene.until(5499);
    assert_eq!(scene.spoken.iter().map(|(ms, _)| *ms).collect::<Vec<_>>(), [500, 1800, 3500]);
    assert!(scene.events().is_empty());
    scene.until(5500);
    assert_eq!(scene.events(), [Event::Bound]);
}

#[test]
fn a_station_that_claims_the_address_later_is_told_once_and_answered_once_in_ten_seconds() {
    let mut scene = Scene::new(probing());
    acknowledge(&mut scene);
    scene.until(10_000);
    assert_eq!(scene.events(), [Event::Bound]);
    scene.spoken.clear();
    let owner = Mac([2, 0, 0x5e, 0, 0, 0x66]);
    let claim = arp::Repr { sender: ADDRESS, ..arp::Repr::probe(owner, ADDRESS) };
    // Section 1.1: DEFEND_INTERVAL 10 s.
    for ms in [10_000, 10_500, 19_999, 20_000] {
        scene.until(ms);
        scene.deliver_arp(claim);
        scene.flush();
    }
    let announcement = arp::Repr { sender: ADDRESS, ..arp::Repr::probe(MAC, ADDRESS) };
    assert_eq!(scene.spoken, [(10_000, announcement), (20_000, announcement)]);
    assert_eq!(scene.events(), [Event::Contested { address: ADDRESS, owner }]);
    assert_eq!(scene.client.rivals(), [Rival { address: ADDRESS, owner, is_declined: false }]);
    assert!(scene.client.lease().is_some(), "kept for the visit");
    // Somebody who only asks whether it is free is answered by the kernel.
    scene.deliver_arp(arp::Repr::probe(Mac([2, 0, 0x5e, 0, 0, 0x67]), ADDRESS));
    assert_eq!((scene.events(), scene.client.rivals().len()), (vec![], 1));
}

#[test]
fn a_renewal_is_tried_at_once_straight_to_the_server_and_answered() {
    let mut scene = Scene::new(settings());
    scene.bind();
    scene.client.try_renewal(scene.moment().at, Duration::from_secs(4));
    let renewal = scene.only();
    // Section 4.3.2, RENEWING, and table 5: address in `ciaddr`, neither option 50 nor 54, straight to the server.
    assert_eq!((renewal.kind, renewal.repr.client, renewal.ip.source), (MessageType::Request, ADDRESS, ADDRESS));
    assert_eq!((renewal.header.destination, renewal.ip.destination), (SERVER_MAC, SERVER));
    assert_eq!((renewal.option(code::SERVER_IDENTIFIER), renewal.option(code::REQUESTED_ADDRESS)), (None, None));
    scene.ms = 507;
    scene.deliver(&answer(&renewal, MessageType::Ack, SERVER), SERVER);
    assert_eq!(scene.events(), [Event::Renewed]);
    let ack = scene.client.answers().last().unwrap();
    assert_eq!((ack.phase, ack.is_late), (Phase::Renewing, false));
    assert_eq!(scene.client.took(ack).unwrap().longest, Duration::from_millis(7));
    // The lease counts from the renewal's REQUEST, and T1 with it.
    assert_eq!(scene.until(1_800_500).len(), 1);
}

#[test]
fn a_renewal_that_nobody_answers_leaves_the_lease_as_it_was() {
    let mut scene = Scene::new(settings());
    scene.bind();
    let before = scene.client.lease().cloned();
    scene.client.try_renewal(scene.moment().at, Duration::from_secs(4));
    let sent: Vec<(u64, u32)> = scene.until(4500).iter().map(|(ms, out)| (*ms, out.repr.transaction)).collect();
    assert_eq!(sent, [(500, 0x1001), (2500, 0x1002)]);
    assert_eq!(scene.events(), [Event::RenewalUnanswered]);
    assert_eq!(scene.client.lease().cloned(), before);
    assert_eq!(scene.until(1_800_500).len(), 1, "T1 is kept");
}

#[test]
fn a_renewal_that_is_refused_withdraws_the_lease() {
    let mut scene = Scene::new(settings());
    scene.bind();
    scene.client.try_renewal(scene.moment().at, Duration::from_secs(4));
    let renewal = scene.only();
    scene.deliver(&answer(&renewal, MessageType::Nak, SERVER), SERVER);
    assert_eq!(scene.client.answers().last().unwrap().phase, Phase::Renewing);
    assert_eq!((scene.events(), scene.client.lease()), (vec![Event::Over(Ending::Withdrawn)], None));
    // And there is nothing to try without a lease.
    scene.client.try_renewal(scene.moment().at, Duration::from_secs(4));
    assert!(scene.flush().is_empty());
}

#[test]
fn a_held_address_is_looked_for_at_other_stations_and_left_to_its_manager() {
    let mut scene = Scene::new(Settings { probe_waits: probing().probe_waits, own: vec![OWN], ..informing() });
    scene.until(150);
    let probe = arp::Repr::probe(MAC, ADDRESS);
    assert_eq!(scene.spoken, [(0, probe), (100, probe)]);
    let owner = Mac([2, 0, 0x5e, 0, 0, 0x66]);
    let reply =
        arp::Repr { operation: arp::Operation::Reply, sender_mac: owner, sender: ADDRESS, target_mac: MAC, target: ADDRESS };
    scene.deliver_arp(arp::Repr { sender_mac: OWN, ..reply });
    assert_eq!(scene.client.rivals(), []);
    scene.deliver_arp(reply);
    assert_eq!(scene.events(), [Event::Contested { address: ADDRESS, owner }]);
    scene.until(10_000);
    // Three probes, no announcement: that address is another's to defend.
    assert_eq!(scene.spoken, [(0, probe), (100, probe), (200, probe)]);
    assert_eq!(scene.events(), [Event::Over(Ending::NoInformation)]);
}

#[test]
fn the_introduction_stands_where_table_5_lets_it() {
    use crate::wire::dhcp4::{Introduction, Vendor};
    let introduction = Introduction {
        vendor_class: Some(b"example-cpe".to_vec()),
        client_identifier: Some(b"\x00line-7".to_vec()),
        user_classes: vec![b"data".to_vec()],
        parameter_list: Some(vec![1, 3, 6]),
        vendors: vec![Vendor { enterprise: 32473, classes: vec![b"cpe".to_vec()], options: vec![(1, b"x".to_vec())] }],
    };
    let mut scene = Scene::new(Settings { introduction, ..settings() });
    let request = scene.bind();
    scene.client.try_renewal(scene.moment().at, Duration::from_secs(4));
    let renewal = scene.only();
    for out in [&request, &renewal] {
        assert_eq!(out.option(code::VENDOR_CLASS), Some(&b"example-cpe"[..]));
        assert_eq!(out.option(code::USER_CLASS), Some(&b"\x04data"[..]));
        assert_eq!(out.option(code::PARAMETER_LIST), Some(&[1, 3, 6][..]));
        assert_eq!(out.option(code::VENDOR_CLASSES), Some(&b"\x00\x00\x7e\xd9\x04\x03cpe"[..]));
        assert_eq!(out.option(code::VENDOR_OPTIONS), Some(&b"\x00\x00\x7e\xd9\x03\x01\x01x"[..]));
    }
    scene.client.release();
    let release = scene.only();
    // Section 4.4.6: under the identifier that it was leased with.
    assert_eq!(release.option(code::CLIENT_IDENTIFIER), Some(&b"\x00line-7"[..]));
    let others = [code::VENDOR_CLASS, code::USER_CLASS, code::PARAMETER_LIST, code::VENDOR_CLASSES, code::VENDOR_OPTIONS];
    assert!(others.iter().all(|number| release.option(*number).is_none()), "table 5: MUST NOT");
}

#[test]
fn an_address_that_somebody_has_is_declined_and_another_asked_for_ten_seconds_later() {
    let owner = Mac([2, 0, 0x5e, 0, 0, 0x66]);
    let reply = arp::Repr {
        operation: arp::Operation::Reply,
        sender_mac: owner,
        sender: ADDRESS,
        target_mac: MAC,
        target: Ipv4Addr::UNSPECIFIED,
    };
    for claim in [reply, arp::Repr::probe(owner, ADDRESS)] {
        let mut scene = Scene::new(probing());
        let discover = scene.only();
        scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
        let request = scene.until(500).remove(0).1;
        scene.deliver(&answer(&request, MessageType::Ack, SERVER), SERVER);
        scene.flush();
        scene.deliver_arp(claim);
        let decline = scene.only();
        // Table 5: requested address and server identifier, `ciaddr` 0.
        assert_eq!((decline.kind, decline.repr.client), (MessageType::Decline, Ipv4Addr::UNSPECIFIED));
        assert_eq!(decline.option(code::REQUESTED_ADDRESS), Some(&ADDRESS.octets()[..]));
        assert_eq!(decline.option(code::SERVER_IDENTIFIER), Some(&SERVER.octets()[..]));
        assert_eq!(scene.events(), [Event::Conflict { address: ADDRESS, owner }]);
        // Section 3.1 step 5: at least ten seconds.
        assert!(scene.until(10_499).is_empty());
        assert_eq!(scene.until(10_500)[0].1.kind, MessageType::Discover);
    }
}

#[test]
fn a_conflict_beyond_the_patience_ends_it() {
    let mut scene = Scene::new(Settings { patience: Duration::from_secs(5), ..probing() });
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let request = scene.until(500).remove(0).1;
    scene.deliver(&answer(&request, MessageType::Ack, SERVER), SERVER);
    let owner = Mac([2, 0, 0x5e, 0, 0, 0x66]);
    scene.deliver_arp(arp::Repr::probe(owner, ADDRESS));
    assert_eq!(scene.events(), [Event::Conflict { address: ADDRESS, owner }, Event::Over(Ending::Conflict)]);
    assert_eq!(scene.only().kind, MessageType::Decline);
}

/// Another port of this machine.
const OWN: Mac = Mac([2, 0, 0x5e, 0, 0, 0x77]);

/// Three probes within 300 ms.
fn probing() -> Settings {
    Settings { probe_waits: vec![Duration::from_millis(100); 3], own: vec![OWN], ..settings() }
}

/// Through OFFER and ACK, after 500 ms.
fn acknowledge(scene: &mut Scene) {
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let request = scene.until(500).remove(0).1;
    scene.deliver(&answer(&request, MessageType::Ack, SERVER), SERVER);
}

fn informing() -> Settings {
    Settings { purpose: Purpose::Inform(ADDRESS), patience: Duration::from_secs(3), ..settings() }
}

#[test]
fn inform_asks_on_behalf_of_an_address_and_collects_every_server() {
    let mut scene = Scene::new(informing());
    let inform = scene.only();
    // Section 4.4.3 and table 5: address in `ciaddr`, no requested address, no lease time, by broadcast.
    assert_eq!((inform.kind, inform.repr.client, inform.ip.source), (MessageType::Inform, ADDRESS, ADDRESS));
    assert!(inform.option(code::REQUESTED_ADDRESS).is_none() && inform.option(code::LEASE_TIME).is_none());
    for (ms, server) in [(12, SERVER), (400, OTHER_SERVER)] {
        scene.ms = ms;
        let mut ack = answer(&inform, MessageType::Ack, server);
        ack.yours = Ipv4Addr::UNSPECIFIED;
        ack.options.retain(|o| o.code != code::LEASE_TIME);
        scene.deliver(&ack, server);
    }
    assert!(scene.until(511).is_empty());
    scene.until(512);
    assert_eq!(scene.events(), [Event::Informed, Event::Over(Ending::Informed)]);
    let answers = scene.client.answers();
    assert_eq!((answers.len(), &answers[0].flaws[..], answers[1].is_late), (2, &[][..], false));
    assert_eq!(scene.client.took(&answers[0]).unwrap().longest, Duration::from_millis(12));
    assert!(scene.client.lease().is_none());
}

#[test]
fn inform_is_sent_twice_and_then_given_up() {
    let mut scene = Scene::new(informing());
    let sent: Vec<(u64, MessageType)> = scene.until(2999).iter().map(|(ms, out)| (*ms, out.kind)).collect();
    assert_eq!(sent, [(0, MessageType::Inform), (1500, MessageType::Inform)]);
    scene.until(3000);
    assert_eq!(scene.events(), [Event::Over(Ending::NoInformation)]);
}
