use super::*;

fn ethernet(mtu: u16, vlan_tags: u8, pppoe: bool) -> Encapsulation {
    Encapsulation { mtu, vlan_tags, pppoe, ..Encapsulation::default() }
}

/// RFC 2544 appendix B (10 Mbit/s) and RFC 5180 appendix A.1; 2.5 Gbit/s computed by the same rule. The
/// table that we have says 30,396 and 303,691 for 4096 octets at 1 and 10 Gbit/s and 13,534 for 9216 at 1 Gbit/s, which its own
/// formula does not give: here stands what it gives.
#[test]
fn frame_rates_are_those_of_the_published_tables() {
    for (frame, ten, hundred, thousand, ten_thousand) in [
        (64, 14_880, 148_809, 1_488_095, 14_880_952),
        (128, 8_445, 84_459, 844_594, 8_445_945),
        (256, 4_528, 45_289, 452_898, 4_528_985),
        (512, 2_349, 23_496, 234_962, 2_349_624),
        (1024, 1_197, 11_973, 119_731, 1_197_318),
        (1280, 961, 9_615, 96_153, 961_538),
        (1518, 812, 8_127, 81_274, 812_743),
        (1522, 810, 8_106, 81_063, 810_635),
        (2048, 604, 6_044, 60_444, 604_448),
        (4096, 303, 3_036, 30_369, 303_692),
        (8192, 152, 1_522, 15_221, 152_216),
        (9216, 135, 1_353, 13_533, 135_339),
    ] {
        for (mbit, want) in [(10.0, ten), (100.0, hundred), (1000.0, thousand), (10_000.0, ten_thousand)] {
            assert_eq!(frame_rate(mbit, frame), f64::from(want), "{frame} octets at {mbit} Mbit/s");
        }
    }
    assert_eq!(frame_rate(10.0, 768), 1_586.0);
    let two_and_a_half = [3_720_238, 2_111_486, 1_132_246, 587_406, 299_329, 240_384, 203_185, 202_658];
    for (frame, want) in [64, 128, 256, 512, 1024, 1280, 1518, 1522].into_iter().zip(two_and_a_half) {
        assert_eq!(frame_rate(2500.0, frame), f64::from(want), "{frame} octets at 2.5 Gbit/s");
    }
}

/// Payload over line octets with 1500-octet Ethernet and the like, in per cent: worked out by hand from RFC 6349 section
/// 4.1.1, RFC 2516, RFC 4638 and RFC 7323.
#[test]
fn shares_on_ethernet_are_those_computed_by_hand() {
    use Family::{Ipv4, Ipv6};
    use TcpOptions::{None, TimeStamps};
    for (family, options, line, payload, wire, share) in [
        (Ipv4, None, ethernet(1500, 0, false), 1460, 1538.0, 94.928),
        (Ipv4, TimeStamps, ethernet(1500, 0, false), 1448, 1538.0, 94.148),
        (Ipv6, None, ethernet(1500, 0, false), 1440, 1538.0, 93.628),
        (Ipv6, TimeStamps, ethernet(1500, 0, false), 1428, 1538.0, 92.848),
        (Ipv4, None, ethernet(1500, 1, false), 1460, 1542.0, 94.682),
        (Ipv4, None, ethernet(1500, 2, false), 1460, 1546.0, 94.437),
        (Ipv4, None, ethernet(1492, 0, true), 1452, 1538.0, 94.408),
        (Ipv4, TimeStamps, ethernet(1492, 0, true), 1440, 1538.0, 93.628),
        (Ipv4, None, ethernet(1492, 1, true), 1452, 1542.0, 94.163),
        (Ipv4, TimeStamps, ethernet(1492, 1, true), 1440, 1542.0, 93.385),
        (Ipv6, None, ethernet(1492, 0, true), 1432, 1538.0, 93.108),
        (Ipv4, None, ethernet(1500, 0, true), 1460, 1546.0, 94.437),
        (Ipv4, None, ethernet(9000, 0, false), 8960, 9038.0, 99.137),
    ] {
        let packet = FullPacket::new(&line, family, options);
        assert_eq!((packet.payload(), packet.octets(Layer::Line)), (payload, wire), "{line:?}");
        assert!((f64::from(payload) / wire * 100.0 - share).abs() < 0.0005, "{line:?}");
    }
    let plain = ethernet(1500, 0, false);
    let packet = FullPacket::new(&plain, Ipv4, None);
    let share = |layer| packet.octets(layer) / packet.octets(Layer::Line) * 100.0;
    assert!((share(Layer::Ip) - 97.529).abs() < 0.0005);
    assert!((share(Layer::UdpPayload) - 95.709).abs() < 0.0005);
    // A shaper that counts frames with their check, or IP packets.
    assert!((1460.0 / f64::from(packet.port_frame()) * 100.0 - 96.179).abs() < 0.0005);
    assert!((1460.0 / packet.octets(Layer::Ip) * 100.0 - 97.333).abs() < 0.0005);
}

/// Cells of each way to put a packet into AAL5, from the rules of RFC 2684 and RFC 2364.
#[test]
fn cells_are_those_computed_by_hand() {
    for (atm, mtu, pppoe, cells, ip_share, tcp_share) in [
        (Atm::PppVc, 1500, false, 32, 88.443, 86.085),
        (Atm::PppVc, 1478, false, 31, 89.957, 87.523),
        (Atm::PppLlc, 1500, false, 32, 88.443, 86.085),
        (Atm::BridgedLlc, 1492, true, 32, 87.972, 85.613),
        (Atm::BridgedLlcFcs, 1492, true, 32, 87.972, 85.613),
        (Atm::BridgedLlc, 1500, false, 32, 88.443, 86.085),
        (Atm::RoutedLlc, 1500, false, 32, 88.443, 86.085),
    ] {
        let line = Encapsulation { technology: Technology::Adsl, atm, ..ethernet(mtu, 0, pppoe) };
        let packet = FullPacket::new(&line, Family::Ipv4, TcpOptions::None);
        assert_eq!(packet.octets(Layer::Line), f64::from(cells * 53), "{atm:?} {mtu}");
        let share = |layer| packet.octets(layer) / packet.octets(Layer::Line) * 100.0;
        assert!((share(Layer::Ip) - ip_share).abs() < 0.0005, "{atm:?} {mtu}: IP");
        assert!((share(Layer::TcpPayload) - tcp_share).abs() < 0.0005, "{atm:?} {mtu}: TCP");
    }
    // A bare acknowledgement: two cells, with PPPoE and bridged or with PPP alone.
    for (atm, pppoe) in [(Atm::BridgedLlc, true), (Atm::PppVc, false)] {
        let line = Encapsulation { technology: Technology::Adsl, atm, ..ethernet(40, 0, pppoe) };
        assert_eq!(FullPacket::new(&line, Family::Ipv4, TcpOptions::None).octets(Layer::Line), 106.0, "{atm:?}");
    }
    let line = Encapsulation { technology: Technology::Adsl, ..ethernet(1492, 0, true) };
    let packet = FullPacket::new(&line, Family::Ipv4, TcpOptions::None);
    let eight = 8.0 * f64::from(packet.payload()) / packet.octets(Layer::Line);
    assert!((eight - 6.849).abs() < 0.0005, "{eight}");
}

/// Packet transfer mode and passive optical networks; sizes from memory of the ITU-T recommendations.
#[test]
fn shares_of_packet_transfer_mode_and_optical_networks_are_those_computed_by_hand() {
    for (technology, line, share) in [
        (Technology::Vdsl2, ethernet(1500, 0, false), 94.451),
        (Technology::Vdsl2, ethernet(1500, 1, false), 94.203),
        (Technology::Gfast, ethernet(1492, 1, true), 93.687),
        (Technology::Gpon, ethernet(1500, 0, false), 95.863),
        (Technology::XgsPon, ethernet(1500, 0, false), 95.675),
    ] {
        let line = Encapsulation { technology, ..line };
        let packet = FullPacket::new(&line, Family::Ipv4, TcpOptions::None);
        let got = f64::from(packet.payload()) / packet.octets(Layer::Line) * 100.0;
        assert!((got - share).abs() < 0.0005, "{technology:?}: {got} for {share}");
    }
    let line = Encapsulation { technology: Technology::Vdsl2, ..ethernet(1492, 1, true) };
    let packet = FullPacket::new(&line, Family::Ipv4, TcpOptions::None);
    assert!((80.0 * f64::from(packet.payload()) / packet.octets(Layer::Line) - 74.95).abs() < 0.005);
}

#[test]
fn the_words_make_the_same_sums_as_the_figures() {
    let vdsl = Encapsulation { technology: Technology::Vdsl2, ..ethernet(1492, 1, true) };
    let packet = FullPacket::new(&vdsl, Family::Ipv4, TcpOptions::TimeStamps);
    assert_eq!(
        packet.sum_in_words(),
        "1,492 IP + 8 PPPoE + 4 VLAN + 14 Ethernet + 4 frame check + 4 PTM flags and check = 1,526 octets, x 65 / 64 = 1,549.8"
    );
    assert_eq!(packet.payload_in_words(), "1,492 - 20 IPv4 - 20 TCP - 12 TCP time stamps = 1,440 octets of TCP payload");
    let adsl = Encapsulation { technology: Technology::Adsl, atm: Atm::PppVc, ..ethernet(1500, 0, false) };
    assert_eq!(
        FullPacket::new(&adsl, Family::Ipv6, TcpOptions::None).sum_in_words(),
        "1,500 IP + 10 LLC or PPP and AAL5 = 1,510 octets, filled up to 32 cells of 48, each 53 on the line = 1,696"
    );
}

proptest::proptest! {
    #[test]
    fn every_layer_takes_at_least_what_the_layer_above_it_takes(
        mtu in 68_u16..=9000, vlan_tags in 0_u8..=2, pppoe: bool, technology in 0_usize..6, atm in 0_usize..5, six: bool
    ) {
        let line = Encapsulation {
            technology: Technology::WORDS[technology].1, atm: Atm::WORDS[atm].1, ..ethernet(mtu, vlan_tags, pppoe)
        };
        let family = if six { Family::Ipv6 } else { Family::Ipv4 };
        let packet = FullPacket::new(&line, family, TcpOptions::TimeStamps);
        let layers = [Layer::TcpPayload, Layer::UdpPayload, Layer::Ip, Layer::Line].map(|layer| packet.octets(layer));
        proptest::prop_assert!(layers.windows(2).all(|pair| pair[0] <= pair[1]), "{layers:?}");
    }
}
