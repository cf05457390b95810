use super::*;
use crate::proto::tv_source::{self, AUDIO_PID, MAP_PID, Settings, TvSource, VIDEO_PID};
use crate::wire::rtp::Header as Rtp;

/// Datagrams of our own channel for so many milliseconds, each with its due time.
fn channel(settings: Settings, ms: u64) -> Vec<(i64, Vec<u8>)> {
    let mut source = TvSource::new(settings).unwrap();
    let mut all = Vec::new();
    while source.next_due().as_millis() < u128::from(ms) {
        let due = source.next_due().as_nanos() as i64;
        let mut datagram = Vec::new();
        source.datagram(&mut datagram);
        all.push((due, datagram));
    }
    all
}

fn rtp(ms: u64) -> Vec<(i64, Vec<u8>)> {
    channel(Settings::default(), ms)
}

fn udp(ms: u64) -> Vec<(i64, Vec<u8>)> {
    channel(Settings { envelope: tv_source::Envelope::Udp, ..Settings::default() }, ms)
}

fn watched(datagrams: &[(i64, Vec<u8>)]) -> Report {
    let mut watch = ChannelWatch::new();
    datagrams.iter().for_each(|(at, datagram)| watch.on_datagram(*at, datagram));
    watch.report(i64::MAX)
}

/// Changes each transport packet of a PID.
fn change(datagrams: &mut [(i64, Vec<u8>)], pid: u16, mut each: impl FnMut(usize, &mut [u8])) {
    let mut count = 0;
    for (_, datagram) in datagrams {
        let from = datagram.len() % PACKET_LEN;
        for packet in datagram[from..].chunks_exact_mut(PACKET_LEN) {
            if u16::from_be_bytes([packet[1] & 0x1f, packet[2]]) == pid {
                each(count, packet);
                count += 1;
            }
        }
    }
}

fn ms(ns: i64) -> f64 {
    ns as f64 / 1e6
}

#[test]
fn a_sound_channel_has_nothing_against_it() {
    for (datagrams, envelope) in [(rtp(10_000), Envelope::Rtp), (udp(10_000), Envelope::Udp)] {
        let report = watched(&datagrams);
        assert_eq!((report.envelope, report.framing, report.strange), (Some(envelope), Framing::Plain, 0));
        let counts = report.transport.counts;
        let nothing = transport::Counts { packets: counts.packets, null: counts.null, ..Default::default() };
        assert_eq!(counts, nothing);
        assert_eq!((counts.packets, report.datagrams), (report.datagrams * 7, datagrams.len() as u64));
        assert!((ms(report.longest_gap_ns) - 2.632).abs() < 0.001, "10 528 bits at 4 Mbit/s");
        let [program] = report.transport.programs.as_slice() else { panic!() };
        assert_eq!((program.number, program.map_pid, program.missing.len()), (1, MAP_PID, 0));
        // Tables each 100 ms; an intra picture takes 3 of 14 shares of 480 ms; random access each 480 ms: by slots of 0.376 and datagrams of 2.632 ms.
        for (what, longest, wanted) in [
            ("association", report.transport.pat_seen.longest_ns, 100.0),
            ("map", program.map_seen.longest_ns, 100.0),
            ("stamps", program.stamps.unwrap().longest_ns, 103.0),
            ("access", program.random_access.longest_ns, 480.0),
        ] {
            assert!(ms(longest) < wanted + 15.0, "{what}: {longest}");
        }
        assert_eq!((report.transport.pat_seen.exceeded, program.map_seen.exceeded, program.stamps.unwrap().exceeded), (0, 0, 0));
        let clock = program.clock.as_ref().unwrap();
        assert_eq!((clock.repetition_errors, clock.discontinuity_errors, clock.accuracy_errors, clock.variable), (0, 0, 0, 0));
        assert!(clock.accuracy_looked_at >= 256 && clock.accuracy_worst_ns < 40.0, "{clock:?}");
        assert!(clock.arrival_span_ns < 100.0, "{clock:?}");
        assert!((clock.rate().unwrap() - 4e6).abs() < 100.0);
        // RFC 4445 section 3: a paced stream needs one datagram, 2.6 ms.
        assert!((report.delivery.delay_factor.max().unwrap() - 2.632).abs() < 0.05, "{:?}", report.delivery.entries);
        assert_eq!((report.delivery.lost, report.delivery.worst_loss_rate), (0, 0.0));
    }
}

#[test]
fn the_first_picture_can_be_made_once_the_tables_are_known() {
    // Joined 200 ms after the start: the next point of random access is at 480 ms.
    let report = watched(&rtp(2000).into_iter().filter(|(at, _)| *at > 200_000_000).collect::<Vec<_>>());
    let first = ms(report.transport.first_random_access_ns.unwrap());
    assert!((470.0..500.0).contains(&first), "{first}");
    // The source shows a picture 180 ms after the clock at which it begins to be sent.
    let after = ms(report.transport.shown_after_ns.unwrap());
    assert!((140.0..=211.0).contains(&after), "{after}");
}

#[test]
fn lost_datagrams_are_counted_to_the_last_one() {
    // Every 50th of ten seconds, from the second on: seven media packets each (RFC 4445 section 3.2).
    let all = rtp(10_000);
    let is_lost = |place: usize| place > 380 && place % 50 == 0 && place + 60 < all.len();
    let lost = (0..all.len()).filter(|place| is_lost(*place)).count() as u64;
    let kept: Vec<_> = all.iter().enumerate().filter(|(place, _)| !is_lost(*place)).map(|(_, one)| one.clone()).collect();
    let report = watched(&kept);
    let flow = report.flow.unwrap();
    assert_eq!((flow.lost, flow.expected, flow.longest_loss, flow.reordered), (lost, all.len() as u64, 1, 0));
    assert_eq!((flow.counted.lost(), flow.duplication.copies), (lost as i64, kept.len() as u64));
    assert_eq!((report.delivery.lost, report.delivery.entries.iter().map(|one| one.lost).sum::<u64>()), (7 * lost, 7 * lost));
    assert!(report.transport.counts.continuity_errors >= lost);
    // A second has 380 datagrams: seven or eight of each fifty.
    assert!(
        report.delivery.worst_loss_rate == 56.0 || report.delivery.worst_loss_rate == 49.0,
        "{}",
        report.delivery.worst_loss_rate
    );
    let clock = report.transport.programs[0].clock.clone().unwrap();
    assert_eq!((clock.accuracy_errors, clock.discontinuity_errors), (0, 0), "known losses leave the clock's place right");
}

#[test]
fn without_numbers_the_counters_tell_what_is_missing() {
    let mut all = udp(4000);
    let gone = all.remove(700);
    let media = gone.1.chunks_exact(PACKET_LEN).filter(|packet| packet[1] & 0x1f != 0x1f && packet[3] & 0x10 != 0).count() as u64;
    let report = watched(&all);
    assert!((5..=7).contains(&media), "{media}");
    assert_eq!((report.transport.counts.missing, report.delivery.lost), (media, media), "null packets have no counter");
    assert!((1..=3).contains(&report.transport.counts.continuity_errors));
    assert!(report.flow.is_none());
}

#[test]
fn late_and_double_datagrams_are_told_apart() {
    let mut all = rtp(6000);
    // 100 comes after 103; 200 and 300 come twice, 300 three times.
    let late = all.remove(100);
    all.insert(103, late);
    for place in [200, 300, 300] {
        let copy = all[place].clone();
        all.insert(place + 1, copy);
    }
    let report = watched(&all);
    let flow = report.flow.unwrap();
    assert_eq!((flow.lost, flow.reordered, flow.reordering_extent), (0, 1, 3));
    assert_eq!((flow.duplication.copies - flow.duplication.distinct, flow.duplication.replicated), (3, 2));
    // RFC 4445 section 3.2: out of order counts as the lost do; copies do not.
    assert_eq!(report.delivery.lost, 7);
    assert_eq!(report.transport.counts.repetitions, 0, "copies of datagrams go no further");
}

#[test]
fn an_outage_is_loss_and_another_source_is_a_new_begin() {
    let all = rtp(8000);
    // Two seconds are more numbers than RFC 3550 takes for a gap at high rates; here twenty thousand are left out.
    let mut far = all.clone();
    for (place, (at, datagram)) in far.iter_mut().enumerate().skip(1500) {
        let mut packet = *rtp::Packet::parse(datagram).map(|packet| packet.header).as_ref().unwrap();
        packet.sequence = packet.sequence.wrapping_add(20_000);
        packet.timestamp = packet.timestamp.wrapping_add((20_000.0_f64 * 2.632 * 90.0) as u32);
        let changed = packet.emit(&datagram[12..]);
        assert!(place >= 1500);
        *datagram = changed;
        *at += 52_640_000_000;
    }
    let flow = watched(&far).flow.unwrap();
    assert_eq!((flow.lost, flow.restarts, flow.longest_loss), (20_000, 0, 20_000));
    let mut other = all;
    for (_, datagram) in other.iter_mut().skip(1500) {
        let header = Rtp { ssrc: 77, sequence: 9, ..rtp::Packet::parse(datagram).unwrap().header };
        let number = rtp::Packet::parse(datagram).unwrap().header.sequence;
        *datagram = Rtp { sequence: number.wrapping_mul(1).wrapping_add(30_000), ..header }.emit(&datagram[12..]);
    }
    let flow = watched(&other).flow.unwrap();
    assert_eq!((flow.lost, flow.restarts, flow.ssrc), (0, 1, 77));
}

#[test]
fn jitter_is_that_of_rfc_3550() {
    // Every other datagram 1 ms late: all differences of transit are 1 ms, and the estimate of section 6.4.1 goes to that.
    let mut all = rtp(5000);
    for (place, (at, _)) in all.iter_mut().enumerate() {
        *at += if place % 2 == 0 { 0 } else { 1_000_000 };
    }
    let (jitter, _) = watched(&all).flow.unwrap().jitter_ns.unwrap();
    // A time stamp counts 11 us.
    assert!((jitter / 1e6 - 1.0).abs() < 0.012, "{jitter}");
}

#[test]
fn faults_of_packets_are_found_where_they_were_made() {
    let mut all = rtp(5000);
    change(&mut all, VIDEO_PID, |place, packet| match place {
        // Transport error; a counter that jumps; a scrambled packet; wrong sync octets, one alone.
        1000 => packet[1] |= 0x80,
        2000 => packet[3] = packet[3] & 0xf0 | (packet[3] + 5) & 0x0f,
        2500 => packet[3] |= 0x80,
        3000 => packet[0] = 0x48,
        _ => {}
    });
    let counts = watched(&all).transport.counts;
    assert_eq!((counts.transport_errors, counts.scrambled), (1, 1));
    assert_eq!((counts.sync_octet_errors, counts.sync_losses, counts.out_of_sync), (1, 0, 0));
    // The packet in error and the one without sync are missing; the jump is an error there and on the way back.
    assert_eq!(counts.continuity_errors, 4);
}

#[test]
fn step_is_lost_by_two_and_regained_by_five() {
    let mut all = udp(3000);
    let spoilt = &mut all[500].1;
    spoilt.iter_mut().step_by(PACKET_LEN).for_each(|octet| *octet = 0);
    let counts = watched(&all).transport.counts;
    assert_eq!((counts.sync_octet_errors, counts.sync_losses), (7, 1));
    // From the second wrong one to the fourth right one; the fifth counts again.
    assert_eq!(counts.out_of_sync, 6 + 4);
}

#[test]
fn tables_that_stay_away_and_programs_that_lack_a_part_are_told() {
    let of = |pid: u16| {
        let mut all = rtp(8000);
        // From a second on it is replaced by null packets.
        let late = all.iter().position(|(at, _)| *at > 1_000_000_000).unwrap();
        change(&mut all[late..], pid, |_, packet| packet[1..4].copy_from_slice(&[0x1f, 0xff, 0x10]));
        watched(&all).transport
    };
    let no_pat = of(0);
    assert!(no_pat.pat_seen.exceeded == 1 && (ms(no_pat.pat_seen.longest_ns) - 7000.0).abs() < 110.0, "{:?}", no_pat.pat_seen);
    let no_map = of(MAP_PID);
    assert_eq!((no_map.pat_seen.exceeded, no_map.programs[0].map_seen.exceeded), (0, 1));
    let no_sound = of(AUDIO_PID);
    assert_eq!(no_sound.programs[0].missing, [AUDIO_PID]);
    assert_eq!(no_sound.programs[0].stamps.unwrap().exceeded, 1, "its stamps stay away too");
}

#[test]
fn damage_to_a_table_is_told_by_its_sum() {
    let mut all = rtp(3000);
    change(&mut all, MAP_PID, |place, packet| {
        if place == 7 {
            packet[20] ^= 4;
        }
    });
    let report = watched(&all);
    assert_eq!((report.transport.counts.crc_errors, report.transport.programs[0].map_seen.count), (1, 29));
}

#[test]
fn a_clock_that_is_off_is_told_by_how_much() {
    // The clock of one packet is set forward by 1 us of 27 ticks.
    let mut all = rtp(6000);
    let mut changed = 0;
    change(&mut all, VIDEO_PID, |place, packet| {
        if place > 1000 && changed == 0 && packet[3] & 0x20 != 0 && packet[4] >= 7 && packet[5] & 0x10 != 0 {
            let clock = crate::wire::ts::Pcr::parse(*packet[6..].first_chunk().unwrap());
            packet[6..12].copy_from_slice(&crate::wire::ts::Pcr::new(clock.ticks() + 27).emit());
            changed += 1;
        }
    });
    let clock = watched(&all).transport.programs[0].clock.clone().unwrap();
    assert_eq!((changed, clock.accuracy_errors), (1, 1));
    assert!((clock.accuracy_worst_ns - 1000.0).abs() < 75.0, "{}", clock.accuracy_worst_ns);
    // Rarer than the standard has it.
    let rare = watched(&channel(Settings { clock_every: std::time::Duration::from_millis(60), ..Settings::default() }, 6000));
    let clock = rare.transport.programs[0].clock.clone().unwrap();
    assert_eq!((clock.repetition_errors, clock.discontinuity_errors), (clock.count - 1, 0));
    assert!((clock.longest_ticks as f64 / 27e3 - 60.5).abs() < 1.0, "{}", clock.longest_ticks);
}

#[test]
fn a_scrambled_channel_does_no_harm_and_is_told() {
    let settings = Settings { scrambled: true, ..Settings::default() };
    let report = watched(&channel(settings, 5000));
    let counts = report.transport.counts;
    let share = counts.scrambled as f64 / (counts.packets - counts.null) as f64;
    assert!(share > 0.95, "{share}");
    assert_eq!((counts.continuity_errors, counts.table_errors, counts.crc_errors, counts.bad_fields), (0, 0, 0, 0));
    let program = &report.transport.programs[0];
    assert!(program.stamps.is_none() && program.missing.is_empty());
    assert!(report.transport.first_random_access_ns.is_some(), "the indicator is in the clear");
    assert_eq!(report.transport.shown_after_ns, None);
}

#[test]
fn repair_packets_are_seen_beside_the_media_and_next_to_it() {
    let mut watch = ChannelWatch::new();
    for (at, datagram) in rtp(500) {
        watch.on_datagram(at, &datagram);
    }
    let sequence = watch.flow.media().unwrap().1;
    let [b0, b1] = sequence.wrapping_sub(40).to_be_bytes();
    let column = [&[b0, b1, 5, 0x24, 0x80 | 33, 0, 0, 0, 1, 2, 3, 4, 0, 10, 5, 0][..], &[0xa5; 1316]].concat();
    let header = Rtp { payload_type: 96, sequence: 3, ..Rtp::default() };
    watch.on_companion(&header.emit(&column));
    watch.on_datagram(600_000_000, &header.emit(&column));
    watch.on_datagram(600_000_001, &header.emit(&[1; 100]));
    let report = watch.report(i64::MAX);
    assert_eq!((report.repair.get(&Fec::Column), report.strange), (Some(&2), 1));
}

#[test]
fn nothing_that_comes_makes_it_stumble_or_grow() {
    let mut state = 7_u64;
    let mut random = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize
    };
    let all = rtp(3000);
    let mut watch = ChannelWatch::new();
    for round in 0..20_000 {
        let (_, mut datagram) = all[random() % all.len()].clone();
        for _ in 0..random() % 30 {
            let at = random() % datagram.len();
            datagram[at] = random() as u8;
        }
        datagram.truncate(random() % (datagram.len() + 1));
        let at = if random() % 100 == 0 { random() as i64 * 1_000_000_007 } else { round * 1_000_000 };
        watch.on_datagram(at, &datagram);
    }
    watch.on_datagram(i64::MIN, &all[0].1);
    watch.on_datagram(i64::MAX, &all[1].1);
    let report = watch.report(i64::MAX);
    assert!(report.delivery.entries.len() <= 3600 && report.transport.programs.len() <= 32);
    let silent = ChannelWatch::new().report(5);
    assert!(silent.began_ns.is_none() && silent.datagrams == 0 && silent.envelope.is_none());
}
