use super::*;
use proptest::prelude::*;

fn packet(bytes: &[u8]) -> Packet<'_> {
    Packet::parse(bytes.first_chunk().unwrap()).unwrap()
}

#[test]
fn header_bits_stand_where_clause_2_4_3_2_puts_them() {
    let mut bytes = [0; PACKET_LEN];
    bytes[..4].copy_from_slice(&[0x47, 0xe1, 0x23, 0xd7]);
    let header = Header {
        transport_error: true,
        unit_start: true,
        priority: true,
        pid: 0x123,
        scrambling: 3,
        has_adaptation: false,
        has_payload: true,
        counter: 7,
    };
    assert_eq!(Header::parse(&bytes), Some(header));
    assert_eq!(header.emit(), bytes[..4]);
    bytes[0] = 0x46;
    assert_eq!(Packet::parse(&bytes), Err(Error::Sync(0x46)));
}

#[test]
fn a_short_payload_is_stuffed_and_a_long_one_cut() {
    let header = Header { pid: 0x101, counter: 3, ..Header::default() };
    let clock = Adaptation { pcr: Some(Pcr::new(1)), random_access: true, ..Adaptation::default() };
    for (adaptation, len, wanted) in [
        (None, 184, 184),
        (None, 183, 183),
        (None, 182, 182),
        (None, 1, 1),
        (None, 500, 184),
        (Some(&clock), 500, 176),
        (Some(&clock), 176, 176),
        (Some(&clock), 175, 175),
        (Some(&clock), 0, 0),
    ] {
        let payload = vec![0x5a; len];
        let mut out = Vec::new();
        assert_eq!(write(header, adaptation, &payload, &mut out), wanted, "{len}");
        assert_eq!(out.len(), PACKET_LEN);
        let read = packet(&out);
        assert_eq!(read.payload, &payload[..wanted]);
        assert_eq!((read.header.pid, read.header.counter), (0x101, 3));
        assert_eq!(read.adaptation.and_then(|field| field.pcr), adaptation.and_then(|field| field.pcr));
    }
    let mut out = Vec::new();
    write_null(&mut out);
    assert_eq!((packet(&out).header.pid, packet(&out).payload.len()), (NULL_PID, 184));
}

#[test]
fn a_field_that_does_not_fit_leaves_the_header_readable() {
    let mut bytes = [0xff; PACKET_LEN];
    for (control, length, is_sound) in
        [(0x30, 182, true), (0x30, 183, false), (0x20, 183, true), (0x20, 182, false), (0x30, 255, false)]
    {
        bytes[..5].copy_from_slice(&[0x47, 0, 0x64, control, length]);
        match Packet::parse(&bytes) {
            Ok(_) => assert!(is_sound, "{control:x} {length}"),
            Err(Error::Adaptation { header, length: told }) => assert!(!is_sound && header.pid == 0x64 && told == length),
            Err(other) => panic!("{other}"),
        }
    }
}

/// The first packets of a stream that ffmpeg 5.1 wrote (`-f lavfi -i testsrc2 -f lavfi -i sine -c:v mpeg2video -c:a mp2 -f mpegts`): association, map, and
/// the start of the video. What each field holds was read off by hand.
const PAT_OCTETS: &[u8] = &[
    0x47, 0x40, 0x00, 0x10, 0x00, 0x00, 0xb0, 0x0d, 0x00, 0x01, 0xc1, 0x00, 0x00, 0x00, 0x01, 0xf0, 0x00, 0x2a, 0xb1, 0x04, 0xb2,
];
const PMT_OCTETS: &[u8] = &[
    0x47, 0x50, 0x00, 0x10, 0x00, 0x02, 0xb0, 0x17, 0x00, 0x01, 0xc1, 0x00, 0x00, 0xe1, 0x00, 0xf0, 0x00, 0x02, 0xe1, 0x00, 0xf0,
    0x00, 0x03, 0xe1, 0x01, 0xf0, 0x00, 0xf6, 0x4a, 0x03, 0x55,
];
const VIDEO_OCTETS: &[u8] = &[
    0x47, 0x41, 0x00, 0x30, 0x07, 0x50, 0x00, 0x00, 0x7b, 0x0c, 0x7e, 0x00, 0x00, 0x00, 0x01, 0xe0, 0x00, 0x00, 0x80, 0xc0, 0x0a,
    0x31, 0x00, 0x07, 0xf4, 0x81, 0x11, 0x00, 0x07, 0xd8, 0x61, 0x00, 0x00, 0x01, 0xb3,
];

#[test]
fn the_start_of_video_of_an_independent_writer_is_read() {
    let bytes = golden(VIDEO_OCTETS);
    let read = packet(&bytes);
    assert_eq!((read.header.pid, read.header.unit_start, read.header.counter), (0x100, true, 0));
    let field = read.adaptation.unwrap();
    assert!(field.random_access && !field.discontinuity && !field.is_cut);
    // 0.7 s, the writer's delay; decoded at 1.4 s and shown one picture of 25 a second later.
    assert_eq!(field.pcr.map(Pcr::ticks), Some(pcr::HZ * 7 / 10));
    let start = pes::Start::parse(read.payload).unwrap();
    assert_eq!((start.stream, start.length, start.pts, start.dts), (pes::VIDEO, 0, Some(129_600), Some(126_000)));
    assert_eq!(read.payload[start.header_len..][..4], [0, 0, 1, 0xb3], "a sequence header");
    assert_eq!(start.emit(), read.payload[..start.header_len]);
}

#[test]
fn tables_of_an_independent_writer_are_read() {
    let pat = golden(PAT_OCTETS);
    let section = section::Section::parse(&packet(&pat).payload[1..]).unwrap();
    let programs = vec![psi::Program { number: 1, map_pid: 0x1000 }];
    assert_eq!(psi::Pat::parse(&section), Some(psi::Pat { stream: 1, version: 0, programs }));
    let pmt = golden(PMT_OCTETS);
    let section = section::Section::parse(&packet(&pmt).payload[1..]).unwrap();
    let map = psi::Pmt::parse(&section).unwrap();
    assert_eq!((map.program, map.pcr_pid), (1, 0x100));
    let streams: Vec<(u8, u16)> = map.streams.iter().map(|stream| (stream.kind, stream.pid)).collect();
    assert_eq!(streams, [(0x02, 0x100), (0x03, 0x101)]);
    assert!(map.streams[0].is_video() && !map.streams[1].is_video());
    // Written again they are the same octets.
    assert_eq!(map.emit(), packet(&pmt).payload[1..=map.emit().len()]);
}

/// Filled with ones to a whole packet.
fn golden(octets: &[u8]) -> Vec<u8> {
    let mut bytes = octets.to_vec();
    bytes.resize(PACKET_LEN, 0xff);
    bytes
}

proptest! {
    #[test]
    fn no_octets_make_it_stumble(bytes in prop::collection::vec(any::<u8>(), PACKET_LEN), control in 0..4u8) {
        let mut bytes = bytes;
        bytes[0] = SYNC;
        bytes[3] = bytes[3] & 0xcf | control << 4;
        let packet: &[u8; PACKET_LEN] = bytes.first_chunk().unwrap();
        if let Ok(read) = Packet::parse(packet) {
            let _ = (pes::Start::parse(read.payload), section::Section::parse(read.payload));
        }
    }
}
