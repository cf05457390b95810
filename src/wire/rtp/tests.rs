use super::*;
use etherparse::PacketBuilder;
use proptest::prelude::*;

/// By hand from the figure of RFC 3550 section 5.1: version 2, marker, payload type 33, then the fields in their order.
const PLAIN: [u8; 16] = [0x80, 0x80 | 33, 0x12, 0x34, 0, 0, 0x03, 0xe8, 0xde, 0xad, 0xbe, 0xef, 0x47, 1, 2, 3];

#[test]
fn the_figure_of_rfc_3550_section_5_1_is_read_and_written() {
    let packet = Packet::parse(&PLAIN).unwrap();
    let header = Header { marker: true, payload_type: MP2T, sequence: 0x1234, timestamp: 1000, ssrc: 0xdead_beef };
    assert_eq!((packet.header, packet.payload, packet.padding), (header, &PLAIN[12..], 0));
    assert_eq!(header.emit(&PLAIN[12..]), PLAIN);
    assert_eq!(packet.emit(), PLAIN);
}

#[test]
fn sources_extension_and_padding_stand_where_sections_5_1_and_5_3_1_put_them() {
    let mut bytes = vec![0x80 | 0x20 | 0x10 | 2, 33, 0, 1, 0, 0, 0, 2, 0, 0, 0, 3];
    bytes.extend([0, 0, 0, 7, 0, 0, 0, 8]);
    bytes.extend([0xbe, 0xde, 0, 1, 9, 9, 9, 9]);
    bytes.extend([0x47, 0x48]);
    bytes.extend([0, 0, 3]);
    let packet = Packet::parse(&bytes).unwrap();
    assert_eq!(packet.contributors().collect::<Vec<_>>(), [7, 8]);
    assert_eq!(packet.extension, Some(Extension { profile: 0xbede, data: &[9; 4] }));
    assert_eq!((packet.payload, packet.padding), (&[0x47, 0x48][..], 3));
    assert_eq!(packet.emit(), bytes);
    for end in 0..28 {
        assert_eq!(Packet::parse(&bytes[..end]), Err(Error::Truncated(end)), "{end}");
    }
    *bytes.last_mut().unwrap() = 6;
    assert_eq!(Packet::parse(&bytes), Err(Error::Padding { padding: 6, len: 5 }));
    *bytes.last_mut().unwrap() = 0;
    assert_eq!(Packet::parse(&bytes), Err(Error::Padding { padding: 0, len: 5 }));
}

#[test]
fn a_bare_transport_stream_is_no_rtp() {
    // 0x47 has the version bits 01.
    assert_eq!(Packet::parse(&[0x47; 188]), Err(Error::Version(1)));
}

#[test]
fn control_packets_are_told_by_their_type() {
    let report = [0x80, 200, 0, 6];
    assert!(is_control(&report) && !is_control(&PLAIN) && !is_control(&[0x80, 200]));
}

#[test]
fn it_rides_in_udp_as_an_independent_writer_frames_it() {
    let mut frame = Vec::new();
    let builder = PacketBuilder::ipv4([192, 0, 2, 1], [233, 252, 0, 1], 4).udp(5004, 5004);
    builder.write(&mut frame, &PLAIN).unwrap();
    assert_eq!(Packet::parse(&frame[28..]).unwrap().header.sequence, 0x1234);
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(
        marker: bool, payload_type in 0..128u8, sequence: u16, timestamp: u32, ssrc: u32, padding: u8,
        csrc in prop::collection::vec(any::<[u8; 4]>(), 0..16), payload: Vec<u8>,
        extension in prop::option::of((any::<u16>(), prop::collection::vec(any::<[u8; 4]>(), 0..5))),
    ) {
        let header = Header { marker, payload_type, sequence, timestamp, ssrc };
        let data = extension.as_ref().map(|(profile, data)| Extension { profile: *profile, data: data.as_flattened() });
        let packet = Packet { header, csrc: &csrc, extension: data, payload: &payload, padding };
        let bytes = packet.emit();
        prop_assert_eq!(Packet::parse(&bytes).unwrap(), packet);
    }

    #[test]
    fn no_octets_make_it_stumble(bytes: Vec<u8>) {
        if let Ok(packet) = Packet::parse(&bytes) {
            prop_assert_eq!(packet.emit().len(), bytes.len());
            fec::recognise(&packet, fec::Media { ssrc: packet.header.ssrc, sequence: packet.header.sequence });
        }
    }
}
