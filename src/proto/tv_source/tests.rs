use super::*;
use crate::wire::ts::Packet;
use crate::wire::ts::pes::Start;
use crate::wire::ts::section::Section;

fn source(rate: u64) -> TvSource {
    TvSource::new(Settings { rate, ..Settings::default() }).unwrap()
}

/// Transport packets of so many seconds.
fn packets(source: &mut TvSource, seconds: u64) -> Vec<[u8; PACKET_LEN]> {
    let count = source.settings.rate * seconds / 1504;
    let mut out = Vec::new();
    (0..count).for_each(|_| source.packet(&mut out));
    out.as_chunks().0.to_vec()
}

#[test]
fn what_can_not_be_made_is_refused() {
    let of = |change: fn(&mut Settings)| {
        let mut settings = Settings::default();
        change(&mut settings);
        TvSource::new(settings).err()
    };
    assert_eq!(of(|settings| settings.rate = 1_000_000), Some(Error::Rate(1_000_000)));
    assert_eq!(of(|settings| settings.clock_every = Duration::ZERO), Some(Error::Clock));
    assert_eq!(of(|settings| settings.program = 0), Some(Error::Program));
    assert_eq!(of(|settings| settings.random_access_every = Duration::from_millis(39)), Some(Error::RandomAccess));
    let crowded = |settings: &mut Settings| {
        settings.random_access_every = Duration::from_millis(40);
        settings.rate = 1_500_000;
    };
    assert_eq!(of(crowded), Some(Error::RandomAccess), "6 kB each 40 ms are 1.2 Mbit/s");
    assert_eq!(of(|_| ()), None);
}

#[test]
fn datagrams_are_due_at_the_rate_and_numbered_as_rtp_wants() {
    let mut settings = Settings { rate: 3_750_000, ..Settings::default() };
    settings.envelope = Envelope::Rtp { ssrc: 9, first_sequence: 65_535, first_timestamp: u32::MAX };
    let mut source = TvSource::new(settings).unwrap();
    for (sequence, timestamp, due_us) in [(65_535, u32::MAX, 0), (0, 251, 2807), (1, 504, 5614)] {
        assert_eq!(source.next_due().as_micros(), due_us, "10528 bits take 2807.47 us at 3.75 Mbit/s");
        let mut datagram = Vec::new();
        source.datagram(&mut datagram);
        assert_eq!(datagram.len(), 12 + 1316);
        let packet = rtp::Packet::parse(&datagram).unwrap();
        assert_eq!((packet.header.sequence, packet.header.timestamp, packet.header.payload_type), (sequence, timestamp, 33));
    }
    let mut bare = TvSource::new(Settings { envelope: Envelope::Udp, ..Settings::default() }).unwrap();
    let mut datagram = Vec::new();
    bare.datagram(&mut datagram);
    assert_eq!(ts::framing::Framing::of(&datagram), Some(ts::framing::Framing::Plain));
}

#[test]
fn every_packet_is_sound_and_every_counter_goes_on() {
    for rate in [1_500_000, 4_000_000, 20_000_000] {
        let mut counters = std::collections::BTreeMap::new();
        let mut of_pid = std::collections::BTreeMap::new();
        for packet in packets(&mut source(rate), 4) {
            let read = Packet::parse(&packet).unwrap();
            *of_pid.entry(read.header.pid).or_insert(0_u32) += 1;
            if read.header.pid == ts::NULL_PID {
                continue;
            }
            let counter = counters.entry(read.header.pid).or_insert(read.header.counter);
            if read.header.has_payload {
                assert_eq!(read.header.counter, *counter, "{rate}, PID {:x}", read.header.pid);
                *counter = (*counter + 1) & 15;
            } else {
                assert_eq!(read.header.counter, counter.wrapping_sub(1) & 15);
            }
        }
        // Tables each 100 ms; sound of four packets each 24 ms; nulls between 1 and 25 % of all.
        assert_eq!((of_pid[&0], of_pid[&MAP_PID]), (40, 40), "{rate}");
        assert!((4 * 166..=4 * 168).contains(&of_pid[&AUDIO_PID]), "{rate}: {of_pid:?}");
        let nulls = f64::from(of_pid[&ts::NULL_PID]) / f64::from(of_pid.values().sum::<u32>());
        assert!((0.01..0.25).contains(&nulls), "{rate}: {nulls}");
    }
}

#[test]
fn the_clock_is_right_where_its_packet_stands_and_comes_often_enough() {
    for rate in [1_500_000, 3_750_000, 20_000_000] {
        let mut last: Option<Pcr> = None;
        let mut count = 0;
        for (slot, packet) in packets(&mut source(rate), 3).iter().enumerate() {
            let Some(clock) = Packet::parse(packet).unwrap().adaptation.and_then(|field| field.pcr) else { continue };
            // Clause 2.4.2.2: by the octet that holds the base's last bit; a tick is 37 ns, 500 ns may be.
            let right = (slot as f64 * 188.0 + 10.0) * 8.0 / rate as f64 * 27e6;
            assert!((clock.ticks() as f64 - right).abs() <= 1.0, "{rate}: {slot}");
            if let Some(last) = last {
                assert!((1..=40 * 27_000).contains(&clock.ticks_since(last)), "{rate}: {}", clock.ticks_since(last));
            }
            last = Some(clock);
            count += 1;
        }
        assert!((70..=101).contains(&count), "{rate}: {count}");
    }
}

#[test]
fn pictures_come_whole_before_they_are_decoded_and_random_access_each_group() {
    let rate = 4_000_000;
    let mut starts = Vec::new();
    let mut ends: Vec<f64> = Vec::new();
    for (slot, packet) in packets(&mut source(rate), 5).iter().enumerate() {
        let read = Packet::parse(packet).unwrap();
        if read.header.pid != VIDEO_PID || read.payload.is_empty() {
            continue;
        }
        let at = (slot + 1) as f64 * 1504.0 / rate as f64;
        if read.header.unit_start {
            let start = Start::parse(read.payload).unwrap();
            let is_intra = read.payload[start.header_len..].starts_with(&[0, 0, 1, 0xb3]);
            assert_eq!(read.adaptation.is_some_and(|field| field.random_access), is_intra);
            starts.push((start.pts.unwrap(), is_intra, at));
            ends.push(at);
        } else if let Some(end) = ends.last_mut() {
            *end = at;
        }
    }
    assert!((120..=126).contains(&starts.len()), "{}", starts.len());
    for (place, ((pts, is_intra, _), end)) in starts.iter().zip(&ends).enumerate().take(starts.len() - 1) {
        assert_eq!(*is_intra, place % 12 == 0, "0.48 s are 12 pictures");
        assert_eq!(*pts, 16_200 + place as u64 * 3600);
        assert!(*end < *pts as f64 / 90e3, "picture {place} ends at {end} and is decoded at {pts}");
    }
}

#[test]
fn tables_name_what_there_is() {
    let all = packets(&mut source(2_000_000), 1);
    let section = |pid: u16| {
        let packet = all.iter().map(|packet| Packet::parse(packet).unwrap()).find(|packet| packet.header.pid == pid).unwrap();
        packet.payload[1..].to_vec()
    };
    let pat = Pat::parse(&Section::parse(&section(0)).unwrap()).unwrap();
    assert_eq!(pat.programs, [psi::Program { number: 1, map_pid: MAP_PID }]);
    let pmt = Pmt::parse(&Section::parse(&section(MAP_PID)).unwrap()).unwrap();
    assert_eq!((pmt.pcr_pid, pmt.streams.len()), (VIDEO_PID, 2));
}

#[test]
fn a_scrambled_channel_shows_its_tables_and_clock_only() {
    let mut source = TvSource::new(Settings { scrambled: true, ..Settings::default() }).unwrap();
    let mut clear = TvSource::new(Settings::default()).unwrap();
    for (scrambled, plain) in packets(&mut source, 1).iter().zip(packets(&mut clear, 1)) {
        let (read, of_plain) = (Packet::parse(scrambled).unwrap(), Packet::parse(&plain).unwrap());
        assert_eq!((read.adaptation, read.header.pid), (of_plain.adaptation, of_plain.header.pid));
        let is_media = matches!(read.header.pid, VIDEO_PID | AUDIO_PID) && read.header.has_payload;
        assert_eq!(read.header.scrambling != 0, is_media);
        assert_eq!(read.payload != of_plain.payload, is_media);
    }
}

#[test]
fn the_same_settings_give_the_same_octets() {
    assert!(packets(&mut source(4_000_000), 1) == packets(&mut source(4_000_000), 1));
}
