use super::*;
use crate::proto::stamp::sim::stream;
use crate::unit::StampSource;

const T0: i64 = 1_700_000_000_000_000_000;

fn wall(ms: i64) -> Stamp {
    Stamp { unix_ns: T0 + ms * 1_000_000, source: StampSource::User, adapter_ns: None }
}

fn kernel(ms: i64) -> Stamp {
    Stamp { source: StampSource::Kernel, ..wall(ms) }
}

/// An honest answer to a packet.
fn answer(request: &[u8], number: u32, key: Option<&Key>) -> Vec<u8> {
    let parsed = Packet::parse(request, key).expect("readable");
    let Packet { sequence, timestamp, error_estimate, ssid } = parsed.repr;
    let mut bytes = request.to_vec();
    Reflected {
        sequence: number,
        timestamp,
        error_estimate: ErrorEstimate::of_seconds(1e-3, false),
        ssid,
        receive_timestamp: timestamp,
        sender_sequence: sequence,
        sender_timestamp: timestamp,
        sender_error_estimate: error_estimate,
        sender_ttl: 60,
    }
    .emit(key, &mut bytes);
    bytes
}

#[test]
fn a_stream_paces_answers_match_and_it_ends_with_the_last() {
    let start = Instant::now();
    let ms = |ms: u64| start + Duration::from_millis(ms);
    let mut sender = Sender::new(start, stream(2));
    // t = 0: the first is due, and only it.
    let first = sender.transmit(start, wall(0)).expect("due").bytes.to_vec();
    sender.on_sent(start);
    assert!(sender.transmit(start, wall(0)).is_none());
    assert_eq!(sender.next_wake(), Some(ms(20)));
    sender.on_packet(ms(9), kernel(9), &answer(&first, 0, None), Some(60), Some(0));
    assert_eq!(sender.progress(), (1, 1));
    // t = 20 ms: the second and last; then closing packets are due until it is answered.
    let second = sender.transmit(ms(20), wall(20)).expect("due").bytes.to_vec();
    sender.on_sent(ms(20));
    assert!(!sender.is_done(ms(20)));
    assert_eq!(sender.next_wake(), Some(ms(40)));
    sender.on_packet(ms(29), kernel(29), &answer(&second, 1, None), Some(60), Some(0));
    assert!(sender.is_done(ms(29)), "all are answered: no wait, no closing packets");
    assert!(sender.transmit(ms(40), wall(40)).is_none());
}

#[test]
fn an_unanswered_stream_ends_after_the_wait() {
    let start = Instant::now();
    let mut sender = Sender::new(start, Config { closing: 3, ..stream(1) });
    let mut now = start;
    let mut sent = 0;
    while !sender.is_done(now) {
        while sender.transmit(now, wall(0)).is_some() {
            sender.on_sent(now);
            sent += 1;
        }
        if let Some(wake) = sender.next_wake() {
            now = now.max(wake);
        }
    }
    assert_eq!((sent, now), (4, start + Duration::from_secs(2)), "one packet, three closing ones, then the wait");
    assert_eq!(sender.into_notes().stream_len, 1);
}

#[test]
fn a_failed_send_gives_its_number_to_the_next() {
    let start = Instant::now();
    let mut sender = Sender::new(start, stream(5));
    assert_eq!(sender.transmit(start, wall(0)).map(|o| o.sequence), Some(0));
    sender.on_send_failed(0);
    let later = start + Duration::from_millis(20);
    assert_eq!(sender.transmit(later, wall(20)).map(|o| o.sequence), Some(0));
    assert_eq!(sender.into_notes().tally.send_failures, 1);
}

#[test]
fn what_answers_no_packet_of_the_stream_is_counted_apart() {
    let start = Instant::now();
    let mut sender = Sender::new(start, Config { ssid: 5, ..stream(5) });
    let sent = sender.transmit(start, wall(0)).expect("due").bytes.to_vec();
    sender.on_sent(start);
    let good = answer(&sent, 0, None);
    let changed = |at: usize| {
        let mut bytes = good.clone();
        bytes[at] ^= 1;
        bytes
    };
    // Another sequence number, another T1, another session, too short.
    for bytes in [&changed(27)[..], &changed(35), &changed(15), &good[..40], &[]] {
        sender.on_packet(start, kernel(1), bytes, None, None);
    }
    assert_eq!(sender.progress(), (1, 0));
    sender.on_packet(start, kernel(1), &good, None, None);
    let notes = sender.into_notes();
    assert_eq!((notes.answers.len(), notes.tally.foreign), (1, 5));
}

#[test]
fn an_authenticated_stream_takes_signed_answers_only() {
    let key = Key::new(b"0123456789abcdef0123456789abcdef");
    let start = Instant::now();
    let mut sender = Sender::new(start, Config { key: Some(key.clone()), ssid: 5, payload_octets: 200, ..stream(5) });
    let sent = sender.transmit(start, wall(0)).expect("due").bytes.to_vec();
    sender.on_sent(start);
    assert_eq!(sent.len(), 200);
    // RFC 8972 section 4.8: what is asked, then the HMAC over it, then only padding. Of the location the ports only: 200 octets hold no more.
    let kinds: Vec<_> = tlv::Tlvs::new(&sent[112..]).map(|t| t.expect("whole").kind).collect();
    let asked =
        [tlv::CLASS_OF_SERVICE, tlv::DIRECT_MEASUREMENT, tlv::FOLLOW_UP_TELEMETRY, tlv::LOCATION, tlv::TIMESTAMP_INFORMATION];
    assert_eq!(kinds, [&asked[..], &[tlv::HMAC, tlv::EXTRA_PADDING]].concat());
    let good = answer(&sent, 0, Some(&key));
    let mut forged = good.clone();
    forged[96] ^= 1;
    sender.on_packet(start, kernel(1), &forged, None, None);
    sender.on_packet(start, kernel(1), &good, None, None);
    let notes = sender.into_notes();
    assert_eq!((notes.answers.len(), notes.tally.forged), (1, 1));
}

#[test]
fn kernel_stamps_replace_the_program_s_own() {
    let start = Instant::now();
    let mut sender = Sender::new(start, stream(5));
    sender.transmit(start, wall(0)).expect("due");
    sender.on_sent(start);
    sender.on_transmit_stamp(0, kernel(1), start + Duration::from_millis(1));
    sender.on_transmit_stamp(0, wall(2), start + Duration::from_millis(2));
    sender.on_transmit_stamp(9, kernel(2), start);
    let notes = sender.into_notes();
    assert_eq!((notes.sent[0].stamp, notes.sent[0].at), (kernel(1), start + Duration::from_millis(1)));
}

#[test]
fn a_flood_of_copies_takes_bounded_memory() {
    let start = Instant::now();
    let mut sender = Sender::new(start, stream(5));
    let sent = sender.transmit(start, wall(0)).expect("due").bytes.to_vec();
    sender.on_sent(start);
    for _ in 0..5_000 {
        sender.on_packet(start, kernel(1), &answer(&sent, 0, None), None, None);
    }
    let notes = sender.into_notes();
    assert_eq!((notes.answers.len(), notes.tally.beyond_memory), (1_003, 3_997));
}

#[test]
fn stopping_ends_a_stream_early_with_what_it_has() {
    let start = Instant::now();
    let mut sender = Sender::new(start, Config { count: None, ..stream(0) });
    for i in 0..10u32 {
        let at = start + Duration::from_millis(20) * i;
        let sent = sender.transmit(at, wall(0)).expect("due").bytes.to_vec();
        sender.on_sent(at);
        sender.on_packet(at, kernel(1), &answer(&sent, i, None), None, None);
    }
    assert!(!sender.is_done(start + Duration::from_secs(60)), "an endless stream goes on");
    sender.stop(start + Duration::from_millis(190));
    assert!(sender.is_done(start + Duration::from_millis(190)));
    assert_eq!(sender.into_notes().stream_len, 10);
}

#[test]
fn once_a_later_packet_is_answered_an_outstanding_one_is_waited_for_as_one_that_was_overtaken() {
    let start = Instant::now();
    let overtaken = Some(Duration::from_millis(250));
    let mut sender = Sender::new(start, Config { count: None, overtaken, ..stream(0) });
    for i in 0..10u32 {
        let at = start + Duration::from_millis(20) * i;
        let sent = sender.transmit(at, wall(0)).expect("due").bytes.to_vec();
        sender.on_sent(at);
        // Number 5 is lost.
        if i != 5 {
            sender.on_packet(at, kernel(1), &answer(&sent, i, None), None, None);
        }
    }
    let stopped = start + Duration::from_millis(190);
    sender.stop(stopped);
    assert_eq!(sender.next_wake(), Some(stopped + Duration::from_millis(250)));
    assert!(!sender.is_done(stopped + Duration::from_millis(249)) && sender.is_done(stopped + Duration::from_millis(250)));
}

#[test]
fn what_a_later_answer_tells_of_an_earlier_one_s_leaving_takes_the_place_of_its_t3() {
    let start = Instant::now();
    let mut sender = Sender::new(start, Config { payload_octets: 172, ..stream(5) });
    let mut answered = |number: u32, told: Option<(u32, i64)>| {
        let at = start + Duration::from_millis(20) * number;
        let sent = sender.transmit(at, wall(0)).expect("due").bytes.to_vec();
        sender.on_sent(at);
        let mut bytes = answer(&sent, number, None);
        let base = 44;
        let before =
            told.map(|(sequence, ns)| tlv::FollowUp { sequence, timestamp: Timestamp::ntp_from_unix_ns(T0 + ns), method: 2 });
        tlv::reflect(&mut bytes, base, tlv::Ingress { follow_up: before, ..tlv::Ingress::default() }, None);
        sender.on_packet(at, kernel(1), &bytes, None, None);
    };
    answered(0, None);
    answered(1, Some((0, 7_000)));
    // Of one that never came, and one that would have left before its own T3.
    answered(2, Some((9, 7_000)));
    answered(3, Some((2, -1_000)));
    let notes = sender.into_notes();
    let t3: Vec<_> = notes.answers.iter().map(|a| (a.reflector_sent_ns - T0, a.followed_up)).collect();
    assert_eq!(t3, [(7_000, true), (0, false), (0, false), (0, false)]);
}

#[test]
fn what_shows_on_the_way_is_each_answered_packet_and_all_before_it() {
    let start = Instant::now();
    let ms = |ms: u64| start + Duration::from_millis(ms);
    let mut sender = Sender::new(start, stream(100));
    let mut packets = Vec::new();
    for slot in 0..5 {
        packets.push(sender.transmit(ms(20 * slot), wall(20 * slot as i64)).expect("due").bytes.to_vec());
        sender.on_sent(ms(20 * slot));
    }
    assert_eq!((sender.decided(), sender.notes_so_far().sent.len()), (0, 0), "nothing is answered");
    // The second and the fourth are answered: the first and the third count as lost by now, the fifth is still on its way.
    for (number, packet) in [(0, 1), (1, 3)] {
        sender.on_packet(ms(90), kernel(90), &answer(&packets[packet], number, None), Some(60), Some(0));
    }
    let notes = sender.notes_so_far();
    assert_eq!((sender.decided(), notes.stream_len, notes.sent.len(), notes.answers.len()), (4, 4, 4, 2));
    let account = crate::proto::stamp::account::Account::of(notes, crate::proto::stamp::account::Reflector::Stateful);
    assert_eq!((account.sent, account.lost), (4, 2));
    // The third was only late: by the notes at the end it is answered.
    sender.on_packet(ms(95), kernel(95), &answer(&packets[2], 2, None), Some(60), Some(0));
    assert_eq!(sender.notes_so_far().answers.len(), 3);
}
