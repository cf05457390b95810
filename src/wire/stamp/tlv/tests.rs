use proptest::prelude::*;

use super::super::Mode;
use super::*;

const BASE: usize = 44;

fn request(tlvs: &[(u8, &[u8])]) -> Vec<u8> {
    let mut packet = vec![0xa5; BASE];
    for (kind, value) in tlvs {
        push(&mut packet, *kind, value);
    }
    packet
}

fn kinds_and_flags(packet: &[u8]) -> Vec<(u8, u8)> {
    Tlvs::new(&packet[BASE..]).map_while(Result::ok).map(|tlv| (tlv.kind, tlv.flags)).collect()
}

#[test]
fn a_sender_s_tlv_has_the_octets_of_rfc_8972_section_4() {
    let packet = request(&[(EXTRA_PADDING, &[1, 2, 3])]);
    assert_eq!(packet[BASE..], [0x80, 1, 0, 3, 1, 2, 3]);
    let tlvs: Vec<_> = Tlvs::new(&packet[BASE..]).collect();
    assert_eq!(tlvs, [Ok(Tlv { flags: UNRECOGNISED, kind: 1, value: &[1, 2, 3] })]);
}

#[test]
fn known_tlvs_lose_the_u_flag_and_unknown_ones_keep_it() {
    let mut packet = request(&[(EXTRA_PADDING, &[7; 5]), (251, &[1, 2]), (CLASS_OF_SERVICE, &[0xb8, 0, 0, 0]), (9, &[])]);
    let before = packet.clone();
    let ingress = Ingress { traffic_class: Some(0x2a), received: 9, sent: 8, ..Ingress::default() };
    let asked = reflect(&mut packet, BASE, ingress, None);
    // Request asks DSCP 46 for the reply; it arrived with DSCP 10 and ECN 2.
    assert_eq!(asked.dscp, Some(46));
    assert_eq!(kinds_and_flags(&packet), [(1, 0), (251, UNRECOGNISED), (4, 0), (9, UNRECOGNISED)]);
    let class = Tlvs::new(&packet[BASE..]).map_while(Result::ok).find(|t| t.kind == CLASS_OF_SERVICE).expect("class");
    assert_eq!(ClassOfService::parse(class.value), Some(ClassOfService { asked: 46, seen: 10, seen_ecn: 2, reverse_path: 0 }));
    assert_eq!(packet.len(), before.len());
    assert_eq!(packet[..BASE], before[..BASE], "the base packet is not touched");
    assert_eq!(packet[BASE + 4..BASE + 15], before[BASE + 4..BASE + 15], "padding and unknown values come back as they were");
}

#[test]
fn class_of_service_packs_six_six_two_two_bits() {
    // RFC 8972 section 4.4: DSCP1, DSCP2, ECN, RP, reserved.
    let class = ClassOfService { asked: 0b10_1110, seen: 0b00_1010, seen_ecn: 0b10, reverse_path: 0b01 };
    assert_eq!(class.value(), [0b1011_1000, 0b1010_1001, 0, 0]);
    assert_eq!(ClassOfService::parse(&class.value()), Some(class));
    assert_eq!(ClassOfService::parse(&[0; 3]), None);
}

#[test]
fn direct_measurement_returns_the_reflector_s_counts() {
    let mut value = [0; 12];
    value[..4].copy_from_slice(&7u32.to_be_bytes());
    let mut packet = request(&[(DIRECT_MEASUREMENT, &value)]);
    reflect(&mut packet, BASE, Ingress { received: 6, sent: 5, ..Ingress::default() }, None);
    assert_eq!(packet[BASE..], [0, 5, 0, 12, 0, 0, 0, 7, 0, 0, 0, 6, 0, 0, 0, 5]);
}

#[test]
fn a_tlv_that_overruns_the_packet_gets_m_and_ends_the_work() {
    let mut packet = request(&[(EXTRA_PADDING, &[0; 4])]);
    packet.extend([UNRECOGNISED, EXTRA_PADDING, 0, 9, 1, 2]);
    reflect(&mut packet, BASE, Ingress::default(), None);
    assert_eq!(packet[BASE], 0);
    assert_eq!(packet[BASE + 8], UNRECOGNISED | MALFORMED);
    let last = Tlvs::new(&packet[BASE..]).last();
    assert_eq!(last, Some(Err(Broken { offset: 8 })));
}

#[test]
fn a_known_tlv_of_a_wrong_length_gets_m() {
    let mut packet = request(&[(CLASS_OF_SERVICE, &[0; 3]), (DIRECT_MEASUREMENT, &[0; 11])]);
    let asked = reflect(&mut packet, BASE, Ingress { traffic_class: Some(0), ..Ingress::default() }, None);
    assert_eq!(kinds_and_flags(&packet), [(4, MALFORMED), (5, MALFORMED)]);
    assert_eq!(asked.dscp, None);
}

#[test]
fn a_right_hmac_is_accepted_and_renewed_and_a_wrong_one_sets_i_everywhere() {
    let key = Key::new(b"0123456789abcdef0123456789abcdef");
    let mut good = request(&[(CLASS_OF_SERVICE, &[0xb8, 0, 0, 0])]);
    push_hmac(&mut good, BASE, &key);
    push(&mut good, EXTRA_PADDING, &[0; 6]);
    let mut bad = good.clone();
    bad[BASE + 4] ^= 1;
    let ingress = Ingress { traffic_class: Some(0), ..Ingress::default() };

    assert_eq!(reflect(&mut good, BASE, ingress, Some(&key)).dscp, Some(46));
    assert_eq!(kinds_and_flags(&good), [(4, 0), (8, 0), (1, 0)]);
    good[..4].copy_from_slice(&[0, 0, 1, 2]);
    renew_hmac(&mut good, BASE, &key);
    let (at, tag) = find_hmac(&good[BASE..]).expect("HMAC TLV");
    assert!(key.verifies(&[&good[..4], &good[BASE..BASE + at]], tag));

    let untouched = bad.clone();
    assert_eq!(reflect(&mut bad, BASE, ingress, Some(&key)), Asked::default());
    assert!(kinds_and_flags(&bad).iter().all(|(_, flags)| *flags == UNRECOGNISED | INTEGRITY_FAILED));
    assert_eq!(bad[BASE + 4..BASE + 8], untouched[BASE + 4..BASE + 8], "the value comes back as it was");
}

#[test]
fn every_truncation_is_walked_without_panic() {
    let key = Key::new(b"k");
    let mut whole = request(&[(CLASS_OF_SERVICE, &[0; 4]), (EXTRA_PADDING, &[0; 9]), (77, &[1])]);
    push_hmac(&mut whole, BASE, &key);
    for len in 0..whole.len() {
        let mut cut = whole[..len].to_vec();
        reflect(&mut cut, BASE, Ingress::default(), Some(&key));
        renew_hmac(&mut cut, BASE, &key);
        assert_eq!(cut.len(), len);
    }
}

proptest! {
    #[test]
    fn any_octets_are_reflected_at_their_length_with_the_base_untouched(
        mut packet in prop::collection::vec(any::<u8>(), 0..200),
        authenticated: bool,
        with_key: bool,
        traffic_class: Option<u8>,
    ) {
        let mode = if authenticated { Mode::Authenticated } else { Mode::Unauthenticated };
        let key = Key::new(b"k");
        let before = packet.clone();
        reflect(&mut packet, mode.base_len(), Ingress { traffic_class, received: 1, sent: 1, ..Ingress::default() }, with_key.then_some(&key));
        prop_assert_eq!(packet.len(), before.len());
        let base = mode.base_len().min(before.len());
        prop_assert_eq!(&packet[..base], &before[..base]);
    }

    #[test]
    fn what_is_pushed_is_walked(tlvs in prop::collection::vec((any::<u8>(), prop::collection::vec(any::<u8>(), 0..40)), 0..6)) {
        let mut packet = Vec::new();
        for (kind, value) in &tlvs { push(&mut packet, *kind, value); }
        let walked: Vec<_> = Tlvs::new(&packet).map(|t| t.map(|t| (t.kind, t.value.to_vec()))).collect::<Result<_, _>>().expect("whole");
        prop_assert_eq!(walked, tlvs);
    }
}
