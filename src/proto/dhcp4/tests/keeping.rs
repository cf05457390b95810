//! After the ACK: probing, renewing, giving back; and asking for settings only.

use super::scene::{ADDRESS, MAC, OTHER_SERVER, SERVER, SERVER_MAC, Scene, answer, settings};
use crate::proto::dhcp4::*;
use crate::wire::dhcp4::option::code;
use crate::wire::{arp, ethernet};

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
fn the_address_is_probed_and_used_when_nobody_answers() {
    let mut scene = Scene::new(Settings { conflict_wait: Duration::from_millis(300), ..settings() });
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let request = scene.until(500).remove(0).1;
    scene.deliver(&answer(&request, MessageType::Ack, SERVER), SERVER);
    let mut probes = Vec::new();
    for ms in [500, 649, 650, 799] {
        scene.ms = ms;
        let now = scene.moment().at;
        scene.client.on_wake(now);
        while let Some(outgoing) = scene.client.transmit(now) {
            let frame = ethernet::parse(&outgoing.bytes).unwrap();
            probes.push((ms, frame.repr.destination, arp::parse(frame.payload).unwrap()));
        }
    }
    let probe = arp::Repr::probe(MAC, ADDRESS);
    assert_eq!(probes, [(500, Mac::BROADCAST, probe), (650, Mac::BROADCAST, probe)]);
    // Our own probe, looped back by a bridge, and a stranger's traffic are no conflict.
    scene.deliver_arp(probe);
    scene.deliver_arp(arp::Repr { sender: SERVER, sender_mac: SERVER_MAC, ..probe });
    assert!(scene.events().is_empty());
    scene.until(800);
    assert_eq!(scene.events(), [Event::Bound]);
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
        let mut scene = Scene::new(Settings { conflict_wait: Duration::from_millis(300), ..settings() });
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
    let mut scene =
        Scene::new(Settings { conflict_wait: Duration::from_millis(300), patience: Duration::from_secs(5), ..settings() });
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let request = scene.until(500).remove(0).1;
    scene.deliver(&answer(&request, MessageType::Ack, SERVER), SERVER);
    let owner = Mac([2, 0, 0x5e, 0, 0, 0x66]);
    scene.deliver_arp(arp::Repr::probe(owner, ADDRESS));
    assert_eq!(scene.events(), [Event::Conflict { address: ADDRESS, owner }, Event::Over(Ending::Conflict)]);
    assert_eq!(scene.only().kind, MessageType::Decline);
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
