//! The packets on the wire, as an independent reader sees them, and our stamps against its capture.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

use doorstep::check::twoway::Form;
use doorstep::practice::Node;
use doorstep::practice::topology::LAPTOP_PORT;
use doorstep::unit::StampSource;
use serde_json::Value;

use crate::support::{FAR_END_V4, FarEnd, Reader, bare, build, run, stream, warm_up};

const PACKETS: u64 = 200;

fn int(packet: &Value, field: &str) -> i64 {
    packet[field].as_i64().unwrap_or_else(|| panic!("{field} in {packet}"))
}

fn by<'a>(packets: &'a [Value], to_reflector: bool, field: &str) -> BTreeMap<i64, &'a Value> {
    packets.iter().filter(|p| p["to_reflector"] == to_reflector).map(|p| (int(p, field), p)).collect()
}

#[test]
fn fields_lie_where_the_standards_say_and_stamps_agree_with_a_capture() {
    let line = build(bare());
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    for form in [Form::Unauthenticated, Form::Offered] {
        let mut reader = Reader::start(&line, Node::Laptop, LAPTOP_PORT, 2 * PACKETS);
        let config = stream(&far_end, IpAddr::V4(FAR_END_V4), form, PACKETS, Duration::from_millis(5));
        let result = run(&line, config);
        let packets = reader.packets();
        assert_eq!((result.account.sent, result.account.lost), (PACKETS, 0));
        assert_eq!(result.account.stamped_by, Some(StampSource::Kernel));
        let (sent, reflected) = (by(&packets, true, "sequence"), by(&packets, false, "sender_sequence"));
        assert_eq!((sent.len() as u64, reflected.len() as u64), (PACKETS, PACKETS), "{form:?}");
        let mut beyond = Vec::new();
        for (sequence, out) in &sent {
            let back = reflected[sequence];
            check_fields(form, out, back, far_end.offer.ssid);
            // Our T1 was taken before the packet left; the reflector's T2 and T3 lie between the capture's two stamps:
            // one machine, one clock. NTP stamps round to a nanosecond.
            let (left, came) = (int(out, "at"), int(back, "at"));
            assert!(int(out, "t1") <= left + 1, "T1 after the packet left: {out}");
            let (t2, t3) = (int(back, "t2"), int(back, "t3"));
            assert!(left <= t2 + 1 && t2 <= t3 && t3 <= came + 1, "{left} {t2} {t3} {came}");
            // The capture takes its outgoing stamp just before the driver, the kernel's transmit stamp is the driver's;
            // incoming both are the same. So the capture's round trip is never shorter.
            let captured = (came - left) - (t3 - t2);
            let ours = result.account.round_trip[*sequence as usize].expect("answered and stamped");
            assert!(captured >= ours - 2, "packet {sequence}: capture {captured} ns, ours {ours} ns");
            beyond.push(captured - ours);
        }
        // And hardly longer: a few microseconds lie between the two stamping places. The median shrugs off the packets
        // at which this machine was held up in between; 200 us is far above what a wrong stamp (our program's own,
        // some 30 us early) would be allowed in the field, and never reached here.
        beyond.sort_unstable();
        let median = beyond[beyond.len() / 2];
        assert!(median < 200_000, "the capture's round trips are {median} ns longer in the median");
    }
}

fn check_fields(form: Form, out: &Value, back: &Value, ssid: u16) {
    let name = if form == Form::Offered { "authenticated" } else { "unauthenticated" };
    for packet in [out, back] {
        assert_eq!(packet["form"], name);
        assert_eq!(packet["ssid"], ssid);
        assert_eq!(packet["reserved_zero"], true, "{packet}");
        assert_eq!((int(packet, "dscp"), int(packet, "udp_octets")), (46, 192));
        // RFC 4656 section 4.1.2: a multiplier of zero is invalid.
        assert_ne!(int(packet, "error_estimate") & 0xff, 0);
        assert_eq!(packet["hmac_right"], if form == Form::Offered { Value::Bool(true) } else { Value::Null });
        assert_eq!(packet["tlv_hmac_right"], if form == Form::Offered { Value::Bool(true) } else { Value::Null });
    }
    assert_eq!(out["t1"], back["t1"], "the reflector copies T1");
    assert_eq!(out["error_estimate"], back["sender_error_estimate"]);
    assert_eq!(out["sequence"], back["sequence"], "nothing is lost, so both count alike");
    // Sent with 255 (RFC 5357 sections 4.1.2 and 4.2.1); three routers lie between: gateway, edge, core.
    assert_eq!((int(out, "ttl"), int(back, "sender_ttl"), int(back, "ttl")), (255, 252, 252));
    // RFC 8972: a sender sets U (0x80), the reflector clears it on what it knows. Class of service (4) asks DSCP 46
    // for the answer, and returns 46 as seen: bits 101110 101110 00 00.
    assert_eq!((out["tlvs"][0]["kind"].clone(), out["tlvs"][0]["flags"].clone()), (4.into(), 0x80.into()));
    assert_eq!(out["tlvs"][0]["value"], "b8000000");
    assert_eq!((back["tlvs"][0]["kind"].clone(), back["tlvs"][0]["flags"].clone()), (4.into(), 0.into()));
    assert_eq!(back["tlvs"][0]["value"], "bae00000");
}

#[test]
fn the_next_answer_tells_when_the_one_before_it_left() {
    let line = build(bare());
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    // Beside the far end: the capture's copy of an answer is stamped as it goes to the adapter.
    let mut reader = Reader::start(&line, Node::FarEnd, "net0", 2 * PACKETS);
    let config = stream(&far_end, IpAddr::V4(FAR_END_V4), Form::Offered, PACKETS, Duration::from_millis(5));
    let result = run(&line, config);
    let packets = reader.packets();
    let reflected = by(&packets, false, "sequence");
    assert_eq!((reflected.len() as u64, result.account.lost), (PACKETS, 0));
    let mut errors = Vec::new();
    for pair in reflected.values().collect::<Vec<_>>().windows(2) {
        let (before, next) = (pair[0], pair[1]);
        let told = &next["follow_up"];
        // Two that were answered together: the first had not left when the second was made.
        if told.is_null() {
            continue;
        }
        // Section 4.7: here by software; three octets are reserved.
        assert_eq!((int(told, "sequence"), int(told, "method")), (int(before, "sequence"), 2), "{next}");
        assert_eq!(told["reserved"], "000000");
        let left = int(told, "at");
        // Both are stamps of the same kernel, as the packet leaves; T3 was taken before the send call.
        assert!(int(before, "t3") <= left + 1, "{before} {next}");
        errors.push((left - int(before, "at")).abs());
    }
    errors.sort_unstable();
    let median = errors[errors.len() / 2];
    assert!(median < 20_000, "the told times are {median} ns from the capture's in the median");
    assert!(errors.len() as u64 >= PACKETS * 9 / 10, "only {} of {PACKETS} were told", errors.len());
    assert_eq!(result.account.seen.followed_up, errors.len() as u64);
}
