//! Dialogues on a made-up clock: what is sent when, and what an answer changes.

mod keeping;
mod scene;
mod sequences;

use self::scene::{ADDRESS, MAC, OTHER_SERVER, SERVER, SERVER_MAC, Scene, answer, settings};
use super::*;
use crate::unit::StampSource;
use crate::wire::dhcp4::option::code;
use crate::wire::dhcp4::{Flaw, Operation, Repr};
use crate::wire::ethernet;
use crate::wire::ethernet::Tag;

#[test]
fn discover_is_sent_at_the_nominal_times_of_section_4_1() {
    // RFC 2131 section 4.1: 4, 8, 16, 32, 64 s, and no longer than 64 s.
    let mut scene = Scene::new(settings());
    let sent = scene.until(260_000);
    let times: Vec<u64> = sent.iter().map(|(ms, _)| ms / 1000).collect();
    assert_eq!(times, [0, 4, 12, 28, 60, 124, 188, 252]);
    assert!(sent.iter().all(|(_, out)| out.kind == MessageType::Discover));
    // A transaction each, `secs` counts from the first.
    let transactions: Vec<u32> = sent.iter().map(|(_, out)| out.repr.transaction).collect();
    assert_eq!(transactions, (0x1000..0x1008).collect::<Vec<u32>>());
    assert_eq!(sent.iter().map(|(_, out)| out.repr.seconds).collect::<Vec<_>>(), [0, 4, 12, 28, 60, 124, 188, 252]);
}

#[test]
fn the_random_part_is_within_a_second_and_taken_in_turn() {
    let jitter_ms = vec![-1000, 250, 5000];
    let mut scene = Scene::new(Settings { jitter_ms, ..settings() });
    let times: Vec<u64> = scene.until(60_000).iter().map(|(ms, _)| *ms).collect();
    // 4 - 1, 8 + 0.25, 16 + 1 (5 s is cut to what section 4.1 allows), 32 - 1.
    assert_eq!(times, [0, 3000, 11_250, 28_250, 59_250]);
}

#[test]
fn a_discover_says_what_a_client_says() {
    let discover = Scene::new(settings()).only();
    assert_eq!((discover.header.destination, discover.header.source), (Mac::BROADCAST, MAC));
    assert_eq!((discover.ip.source, discover.ip.destination), (Ipv4Addr::UNSPECIFIED, Ipv4Addr::BROADCAST));
    // Able to receive unicast before it has an address, so it doesn't ask for broadcasts (section 4.1).
    assert!(!discover.repr.wants_broadcast() && discover.repr.client.is_unspecified());
    assert_eq!(discover.option(code::CLIENT_IDENTIFIER), Some(&[1, 2, 0, 0x5e, 0, 0, 1][..]));
    let wanted = discover.option(code::PARAMETER_LIST).unwrap();
    let place = |code: u8| wanted.iter().position(|c| *c == code).unwrap();
    // RFC 3442: 121 is asked for with 3, before 3 and 33.
    assert!(place(121) < place(3) && place(121) < place(33));
    assert!(!wanted.contains(&108), "RFC 8925: would give up the address");
    // RFC 2132 section 9.10: at least 576.
    let size = discover.option(code::MAXIMUM_SIZE).unwrap();
    assert!(u16::from_be_bytes([size[0], size[1]]) >= 576);
}

#[test]
fn an_offer_is_taken_after_the_window_and_confirmed() {
    let mut scene = Scene::new(settings());
    let discover = scene.only();
    scene.ms = 20;
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    assert!(scene.until(519).is_empty(), "others may still offer");
    let sent = scene.until(520);
    let (_, request) = &sent[0];
    assert_eq!((sent.len(), request.kind), (1, MessageType::Request));
    // Sections 3.1 step 3, 4.3.2, 4.4.1 and table 5.
    assert_eq!(request.repr.transaction, discover.repr.transaction);
    assert_eq!(request.option(code::SERVER_IDENTIFIER), Some(&SERVER.octets()[..]));
    assert_eq!(request.option(code::REQUESTED_ADDRESS), Some(&ADDRESS.octets()[..]));
    assert_eq!((request.repr.client, request.ip.destination), (Ipv4Addr::UNSPECIFIED, Ipv4Addr::BROADCAST));
    scene.ms = 527;
    scene.deliver(&answer(request, MessageType::Ack, SERVER), SERVER);
    assert_eq!(scene.events(), [Event::Bound]);
    let lease = scene.client.lease().unwrap();
    assert_eq!((lease.address, lease.prefix, lease.router), (ADDRESS, 24, Some(SERVER)));
    assert_eq!(lease.resolvers, [Ipv4Addr::new(203, 0, 113, 53), Ipv4Addr::new(203, 0, 113, 54)]);
    assert_eq!((lease.server, lease.server_mac), (SERVER, SERVER_MAC));
    // Section 4.4.5: T1 half, T2 seven eighths; section 4.4.1: from when the REQUEST was sent.
    let after = |ms: u64| scene.start + Duration::from_millis(520 + ms);
    let times = Times { renew_at: after(1_800_000), rebind_at: after(3_150_000), expires_at: after(3_600_000) };
    assert_eq!(lease.times, Some(times));
    let [offer, ack] = scene.client.answers() else { panic!() };
    let took = |answer| scene.client.took(answer).map(|t| (t.shortest.as_millis(), t.longest.as_millis(), t.stamped_by));
    assert_eq!(took(offer), Some((20, 20, StampSource::Kernel)));
    assert_eq!(took(ack), Some((7, 7, StampSource::Kernel)));
}

#[test]
fn an_offer_tells_which_discover_it_answers() {
    let mut scene = Scene::new(settings());
    let first = scene.only();
    scene.until(4500);
    scene.deliver(&answer(&first, MessageType::Offer, SERVER), SERVER);
    let offer = &scene.client.answers()[0];
    // 4.5 s after the first, not 0.5 s after the second.
    assert_eq!(scene.client.took(offer).unwrap().longest, Duration::from_millis(4500));
    assert_eq!(scene.client.discover_number(offer), Some(1));
    assert_eq!(scene.client.sent(MessageType::Discover), 2);
}

#[test]
fn every_server_s_offer_is_kept_the_first_is_taken_and_a_late_one_is_told() {
    let mut scene = Scene::new(settings());
    let discover = scene.only();
    scene.ms = 10;
    scene.deliver(&answer(&discover, MessageType::Offer, OTHER_SERVER), OTHER_SERVER);
    scene.ms = 300;
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let sent = scene.until(510);
    assert_eq!(sent[0].1.option(code::SERVER_IDENTIFIER), Some(&OTHER_SERVER.octets()[..]));
    scene.ms = 3000;
    let third = Ipv4Addr::new(192, 0, 2, 3);
    scene.deliver(&answer(&discover, MessageType::Offer, third), third);
    let servers: Vec<(Ipv4Addr, bool)> = scene.client.answers().iter().map(|a| (a.server(), a.is_late)).collect();
    assert_eq!(servers, [(OTHER_SERVER, false), (SERVER, false), (third, true)]);
}

#[test]
fn a_relay_is_told_from_a_server_and_one_identifier_of_two_stations_from_one_server() {
    let mut scene = Scene::new(settings());
    let discover = scene.only();
    let relay = Ipv4Addr::new(192, 0, 2, 9);
    let relayed = Repr { relay, ..answer(&discover, MessageType::Offer, OTHER_SERVER) };
    let direct = answer(&discover, MessageType::Offer, SERVER);
    let twin = |frame: &mut Vec<u8>| frame[11] ^= 1;
    scene.deliver(&relayed, relay);
    scene.deliver_with(&relayed, relay, twin, None, true);
    scene.deliver(&direct, SERVER);
    scene.deliver_with(&direct, SERVER, twin, None, true);
    scene.deliver(&direct, relay);
    let ways: Vec<Way> = scene.client.answers().iter().map(Answer::way).collect();
    assert_eq!(ways, [Way::Relayed(relay), Way::Relayed(relay), Way::Direct, Way::Direct, Way::Unclear]);
    let origins: Vec<_> = scene.client.answers().iter().map(Answer::origin).collect();
    // Two relays of one server bring the same offer; two stations of one identifier are two.
    assert_eq!(origins[0], origins[1]);
    assert_ne!(origins[2], origins[3]);
}

#[test]
fn a_request_without_answer_is_repeated_in_its_transaction_and_the_time_is_bounded_both_ways() {
    let mut scene = Scene::new(settings());
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let sent = scene.until(13_000);
    let times: Vec<u64> = sent.iter().map(|(ms, _)| *ms).collect();
    assert_eq!(times, [500, 4500, 12_500]);
    assert!(sent.iter().all(|(_, out)| out.repr.transaction == 0x1000 && out.repr.seconds == 0));
    scene.deliver(&answer(&sent[2].1, MessageType::Ack, SERVER), SERVER);
    let took = scene.client.took(&scene.client.answers()[1]).unwrap();
    // To the first, the second or the third: nobody knows. A user waited since the first.
    assert_eq!((took.shortest, took.longest), (Duration::from_millis(500), Duration::from_millis(12_500)));
}

#[test]
fn patience_ends_it_but_not_before_two_messages_had_their_time() {
    // Patience in seconds, times of the DISCOVERs, time of the end.
    for (patience, discovers, over_at) in [
        (1, vec![0, 4000], 5500),
        (5, vec![0, 4000], 5500),
        (12, vec![0, 4000], 12_000),
        (13, vec![0, 4000, 12_000], 13_500),
        (20, vec![0, 4000, 12_000], 20_000),
    ] {
        let mut scene = Scene::new(Settings { patience: Duration::from_secs(patience), ..settings() });
        let sent: Vec<u64> = scene.until(over_at - 1).iter().map(|(ms, _)| *ms).collect();
        assert_eq!((sent, scene.client.is_over()), (discovers, false), "{patience} s");
        assert!(scene.until(over_at).is_empty());
        assert_eq!(scene.events(), [Event::Over(Ending::NoOffer)], "{patience} s");
        assert_eq!(scene.client.next_wake(), None);
    }
}

#[test]
fn a_silent_server_after_its_offer_ends_in_no_ack() {
    let mut scene = Scene::new(Settings { patience: Duration::from_secs(5), ..settings() });
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    assert_eq!(scene.until(10_000).len(), 2);
    assert_eq!(scene.events(), [Event::Over(Ending::NoAck)]);
}

#[test]
fn a_refusal_starts_again_and_the_second_ends_it() {
    let mut scene = Scene::new(settings());
    for round in 0..2_u64 {
        let discover = scene.only();
        assert_eq!((discover.kind, discover.repr.transaction), (MessageType::Discover, 0x1000 + round as u32));
        scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
        let request = scene.until(scene.ms + 500).remove(0).1;
        let nak = answer(&request, MessageType::Nak, SERVER).with(code::MESSAGE, *b"wrong network");
        scene.deliver(&nak, SERVER);
    }
    assert_eq!(scene.events(), [Event::Over(Ending::Refused)]);
    let naks = scene.client.answers().iter().filter(|a| a.kind == Some(MessageType::Nak)).count();
    assert_eq!(naks, 2);
}

#[test]
fn after_a_refusal_a_late_offer_to_the_old_discover_is_kept_and_not_taken() {
    let mut scene = Scene::new(settings());
    let old = scene.only();
    scene.deliver(&answer(&old, MessageType::Offer, SERVER), SERVER);
    let request = scene.until(500).remove(0).1;
    scene.deliver(&answer(&request, MessageType::Nak, SERVER), SERVER);
    let new = scene.only();
    scene.deliver(&answer(&old, MessageType::Offer, OTHER_SERVER), OTHER_SERVER);
    assert!(scene.client.answers().last().unwrap().is_late);
    assert!(scene.until(2000).is_empty(), "its window has not begun");
    scene.deliver(&answer(&new, MessageType::Offer, OTHER_SERVER), OTHER_SERVER);
    assert_eq!(scene.until(2500)[0].1.repr.transaction, new.repr.transaction);
}

#[test]
fn only_the_chosen_server_s_ack_in_our_transaction_counts() {
    let mut scene = Scene::new(settings());
    let discover = scene.only();
    scene.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
    let request = scene.until(500).remove(0).1;
    let mut foreign = answer(&request, MessageType::Ack, SERVER);
    foreign.transaction = 77;
    scene.deliver(&foreign, SERVER);
    assert_eq!((scene.client.ignored().transaction, scene.client.answers().len()), (1, 1));
    scene.deliver(&answer(&request, MessageType::Ack, OTHER_SERVER), OTHER_SERVER);
    assert!(scene.events().is_empty() && scene.client.answers()[1].is_late);
    // One that doesn't say who it is passes by its transaction; the flaw is told.
    let mut nameless = answer(&request, MessageType::Ack, SERVER);
    nameless.options.retain(|o| o.code != code::SERVER_IDENTIFIER);
    scene.deliver(&nameless, SERVER);
    assert_eq!(scene.events(), [Event::Bound]);
    assert_eq!(scene.client.answers()[2].flaws, [Flaw::ServerIdentifierMissing]);
    assert_eq!(scene.client.lease().unwrap().server, SERVER);
}

#[test]
fn an_offer_that_no_client_can_take_is_told_and_not_taken() {
    let mut scene = Scene::new(Settings { patience: Duration::from_secs(5), ..settings() });
    let discover = scene.only();
    let mut nameless = answer(&discover, MessageType::Offer, SERVER);
    nameless.options.retain(|o| o.code != code::SERVER_IDENTIFIER);
    let mut empty = answer(&discover, MessageType::Offer, SERVER);
    empty.yours = Ipv4Addr::UNSPECIFIED;
    let mut other_mac = answer(&discover, MessageType::Offer, SERVER);
    other_mac.client_hardware_address[0] = 4;
    for offer in [nameless, empty, other_mac] {
        scene.deliver(&offer, SERVER);
    }
    let sent = scene.until(20_000);
    assert!(sent.iter().all(|(_, out)| out.kind == MessageType::Discover), "{sent:?}");
    assert_eq!(scene.events(), [Event::Over(Ending::NoUsableOffer)]);
    assert_eq!(scene.client.answers().len(), 3);
}

#[test]
fn what_a_stack_would_drop_is_dropped_and_counted() {
    let mut scene = Scene::new(settings());
    let discover = scene.only();
    let offer = answer(&discover, MessageType::Offer, SERVER);
    scene.deliver_with(&offer, SERVER, |f| *f.last_mut().unwrap() ^= 1, None, true);
    scene.deliver_with(&offer, SERVER, |f| f[24] ^= 1, None, true);
    scene.deliver_with(&offer, SERVER, |_| {}, Some(Tag { kind: ethernet::TAG, control: 35 }), true);
    scene.deliver_with(&offer, SERVER, |f| f[0] ^= 4, None, true);
    scene.deliver_with(&offer, SERVER, |f| f.truncate(100), None, true);
    let Ignored { checksum, tagged, for_others, unreadable, .. } = *scene.client.ignored();
    assert_eq!((checksum, tagged, for_others, unreadable, scene.client.answers().len()), (2, 1, 1, 1, 0));
    // A request of another client is not an answer.
    let mut request = offer.clone();
    request.operation = Operation::Request;
    scene.deliver(&request, SERVER);
    assert_eq!(scene.client.ignored().for_others, 2);
    // A checksum that was left to an absent adapter says nothing; VLAN 0 is a bare priority.
    scene.deliver_with(&offer, SERVER, |f| f[40] ^= 1, Some(Tag { kind: ethernet::TAG, control: 0xa000 }), false);
    assert_eq!(scene.client.answers().len(), 1);
}

#[test]
fn a_failed_send_counts_as_not_sent_and_the_timer_covers_it() {
    let mut scene = Scene::new(settings());
    let outgoing = scene.client.transmit(scene.start).unwrap();
    scene.client.on_send_failed(outgoing.ticket);
    assert_eq!((scene.client.sent(MessageType::Discover), scene.client.ignored().not_sent), (0, 1));
    let sent = scene.until(4000);
    assert_eq!((sent.len(), scene.client.sent(MessageType::Discover)), (1, 1));
}

#[test]
fn nothing_is_done_twice_when_woken_too_often_and_any_frame_is_survived() {
    let mut scene = Scene::new(settings());
    assert_eq!(scene.flush().len(), 1);
    for _ in 0..10 {
        let now = scene.moment().at;
        scene.client.on_wake(now);
        assert!(scene.flush().is_empty());
    }
    let mut seed = 7_u64;
    for len in 0..400 {
        let mut frame = vec![0_u8; len];
        for octet in &mut frame {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            *octet = (seed >> 33) as u8;
        }
        let arrival = Arrival { moment: scene.moment(), tag: None, has_checksum: false };
        scene.client.on_frame(&arrival, &frame);
    }
    assert!(scene.client.answers().is_empty());
}
