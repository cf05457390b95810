//! The transport stream against an independent muxer, demuxer and decoder: ours is read and decoded without a complaint, its streams are analysed without a
//! false error, and what is damaged in known places is found there.
//!
//! Needs the package ffmpeg; fails loudly without. Everything stays on loopback and in temporary files.

use std::net::{SocketAddr, UdpSocket};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use doorstep::check::stream::receive::Listener;
use doorstep::proto::channel_watch::{ChannelWatch, Envelope, Report};
use doorstep::proto::tv_source::{Settings, TvSource};
use doorstep::wire::ts::PACKET_LEN;
use serde_json::Value;

/// Octets of a datagram of seven packets.
const DATAGRAM: usize = 7 * PACKET_LEN;

fn run(program: &str, arguments: &[&str]) -> Output {
    let mut command = Command::new(program);
    command.args(arguments).stdin(Stdio::null());
    let output = command.output().unwrap_or_else(|error| panic!("{program} is needed (package ffmpeg): {error}"));
    assert!(output.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    output
}

/// A file of our own channel.
fn our_file(folder: &Path, settings: Settings, seconds: u64) -> String {
    let packets = settings.rate * seconds / (8 * PACKET_LEN as u64);
    let mut source = TvSource::new(settings).expect("can be made");
    let mut octets = Vec::new();
    (0..packets).for_each(|_| source.packet(&mut octets));
    let path = folder.join("channel.ts");
    std::fs::write(&path, octets).expect("a file");
    path.to_string_lossy().into_owned()
}

/// The arguments for a channel of moving bars and a tone.
const MADE: [&str; 12] =
    ["-v", "error", "-re", "-f", "lavfi", "-i", "testsrc2=s=640x360:r=25", "-f", "lavfi", "-i", "sine=r=48000", "-shortest"];
const CODED: [&str; 8] = ["-c:v", "mpeg2video", "-b:v", "2M", "-g", "12", "-c:a", "mp2"];

/// A file by ffmpeg, of constant rate where one is given.
fn their_file(folder: &Path, rate: Option<u64>) -> Vec<u8> {
    let path = folder.join("theirs.ts").to_string_lossy().into_owned();
    let rate = rate.map(|rate| rate.to_string());
    let mut arguments: Vec<&str> = MADE.into_iter().filter(|one| *one != "-re").collect();
    arguments.extend(["-t", "8"]);
    arguments.extend(CODED);
    arguments.extend(["-f", "mpegts"]);
    if let Some(rate) = &rate {
        arguments.extend(["-muxrate", rate]);
    }
    arguments.extend(["-y", &path]);
    run("ffmpeg", &arguments);
    std::fs::read(path).expect("a file")
}

/// Watches octets as if they came at a constant rate.
fn watched(octets: &[u8], rate: u64, mut change: impl FnMut(usize, &mut Vec<u8>) -> bool) -> Report {
    let mut watch = ChannelWatch::new();
    for (place, datagram) in octets.chunks(DATAGRAM).enumerate() {
        let mut datagram = datagram.to_vec();
        let at_ns = (place * DATAGRAM * 8) as f64 / rate as f64 * 1e9;
        if change(place, &mut datagram) {
            watch.on_datagram(at_ns as i64, &datagram);
        }
    }
    watch.report(i64::MAX)
}

#[test]
fn a_demuxer_and_a_decoder_read_our_channel_without_a_complaint() {
    let folder = tempfile::tempdir().expect("a folder");
    for (rate, width, height) in [(4_000_000, 720, 576), (20_000_000, 1920, 1080)] {
        let settings = Settings { rate, program: 7, ..Settings::default() };
        let path = our_file(folder.path(), settings, 4);
        let output = run("ffprobe", &["-v", "warning", "-show_programs", "-show_streams", "-of", "json", &path]);
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{rate}");
        let found: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        let programs = found["programs"].as_array().expect("a list");
        assert_eq!(
            (programs.len(), programs[0]["program_num"].as_i64(), programs[0]["nb_streams"].as_i64()),
            (1, Some(7), Some(2))
        );
        let streams = found["streams"].as_array().expect("a list");
        let of = |place: usize, key: &str| streams[place][key].clone();
        assert_eq!((of(0, "codec_name"), of(0, "width"), of(0, "height")), ("mpeg2video".into(), width.into(), height.into()));
        assert_eq!((of(0, "r_frame_rate"), of(1, "codec_name")), ("25/1".into(), "mp2".into()));
        assert_eq!((of(1, "sample_rate"), of(1, "bit_rate")), ("48000".into(), "192000".into()));
        // Every picture is decoded, and none with an error: a hash for each.
        let decoded = run("ffmpeg", &["-v", "warning", "-xerror", "-i", &path, "-map", "0:v", "-f", "framemd5", "-"]);
        assert_eq!(String::from_utf8_lossy(&decoded.stderr), "", "{rate}");
        let pictures = String::from_utf8_lossy(&decoded.stdout).lines().filter(|line| !line.starts_with('#')).count();
        // 100 pictures in four seconds; the last ones are cut off.
        assert!((93..=100).contains(&pictures), "{rate}: {pictures}");
        let sound = run("ffmpeg", &["-v", "warning", "-xerror", "-i", &path, "-map", "0:a", "-f", "md5", "-"]);
        assert_eq!(String::from_utf8_lossy(&sound.stderr), "", "{rate}");
    }
}

#[test]
fn a_stream_of_constant_rate_has_no_false_error_and_damage_is_found_where_it_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let rate = 4_000_000;
    let octets = their_file(folder.path(), Some(rate));
    let sound = watched(&octets, rate, |_, _| true);
    let counts = sound.transport.counts;
    assert_eq!((counts.sync_octet_errors, counts.continuity_errors, counts.transport_errors, counts.crc_errors), (0, 0, 0, 0));
    assert_eq!((counts.bad_fields, counts.scrambled, counts.table_errors, sound.strange, sound.delivery.lost), (0, 0, 0, 0, 0));
    assert_eq!((sound.envelope, sound.flow.is_none(), sound.transport.pat_seen.exceeded), (Some(Envelope::Udp), true, 0));
    let [program] = sound.transport.programs.as_slice() else { panic!("{:?}", sound.transport.programs) };
    assert_eq!((program.map_seen.exceeded, program.stamps.expect("in the clear").exceeded, program.missing.len()), (0, 0, 0));
    // A group of 12 pictures is 480 ms.
    assert!((400_000_000..=560_000_000).contains(&program.random_access.longest_ns), "{:?}", program.random_access);
    let clock = program.clock.as_ref().expect("a clock");
    assert_eq!(
        (clock.repetition_errors, clock.discontinuity_errors, clock.accuracy_errors, clock.variable),
        (0, 0, 0, 0),
        "{clock:?}"
    );
    assert!(clock.accuracy_looked_at > 100 && (clock.rate().expect("a rate") / rate as f64 - 1.0).abs() < 1e-4, "{clock:?}");
    // RFC 4445 by arithmetic: 2.632 ms for an even stream of datagrams.
    assert!((sound.delivery.delay_factor.max().expect("a second") - 2.632).abs() < 0.05, "{:?}", sound.delivery.entries);

    // The independent count: packets of each PID in what is taken out.
    let is_lost = |place: usize| matches!(place, 700 | 1400 | 1401);
    let lost: Vec<&[u8]> = octets.chunks(DATAGRAM).enumerate().filter(|(place, _)| is_lost(*place)).map(|(_, one)| one).collect();
    let with_payload = lost.iter().flat_map(|one| one.chunks(PACKET_LEN)).filter(|packet| {
        let pid = u16::from_be_bytes([packet[1] & 0x1f, packet[2]]);
        pid != 0x1fff && packet[3] & 0x10 != 0
    });
    let missing = with_payload.count() as u64;
    let damaged = watched(&octets, rate, |place, _| !is_lost(place));
    assert_eq!((damaged.transport.counts.missing, damaged.delivery.lost), (missing, missing));
    let with_loss: Vec<u64> = damaged.delivery.entries.iter().filter(|entry| entry.lost > 0).map(|entry| entry.at_s).collect();
    assert_eq!(with_loss, [1, 3], "datagram 700 and 1400 at 2.632 ms each");
    let spoilt = watched(&octets, rate, |place, datagram| {
        if place == 900 {
            datagram[2 * PACKET_LEN] = 0x11;
            datagram[4 * PACKET_LEN + 1] |= 0x80;
        }
        true
    });
    let counts = spoilt.transport.counts;
    assert_eq!((counts.sync_octet_errors, counts.sync_losses, counts.transport_errors), (1, 0, 1));
}

#[test]
fn a_stream_of_variable_rate_has_no_false_error_either() {
    let folder = tempfile::tempdir().expect("a folder");
    let octets = their_file(folder.path(), None);
    let report = watched(&octets, octets.len() as u64, |_, _| true);
    let counts = report.transport.counts;
    assert_eq!((counts.continuity_errors, counts.sync_octet_errors, counts.crc_errors, counts.bad_fields), (0, 0, 0, 0));
    let clock = report.transport.programs[0].clock.as_ref().expect("a clock");
    assert_eq!((clock.discontinuity_errors, clock.accuracy_errors), (0, 0), "nothing can be said of its accuracy: {clock:?}");
}

#[test]
fn live_streams_over_loopback_are_received_stamped_and_found_sound() {
    let any: SocketAddr = "127.0.0.1:0".parse().expect("an address");
    let mut listener = Listener::open(&[any, any], Some("lo")).expect("sockets on loopback (SO_BINDTODEVICE)");
    let ports = listener.local_addrs().expect("bound");
    let targets = [format!("udp://{}?pkt_size=1316", ports[0]), format!("rtp://{}?pkt_size=1328", ports[1])];
    let mut children = Vec::new();
    for (target, format) in targets.iter().zip(["mpegts", "rtp_mpegts"]) {
        let mut command = Command::new("ffmpeg");
        command.args(MADE).args(["-t", "3"]).args(CODED).args(["-f", format, target.as_str()]).stdin(Stdio::null());
        children.push(command.spawn().expect("ffmpeg is needed"));
    }
    let stop = AtomicBool::new(false);
    let end = std::time::Instant::now() + Duration::from_secs(30);
    let is_over = |children: &mut Vec<std::process::Child>| {
        children.iter_mut().all(|child| child.try_wait().is_ok_and(|end| end.is_some()))
    };
    while !is_over(&mut children) && std::time::Instant::now() < end {
        listener.run(Duration::from_millis(200), &stop).expect("poll");
    }
    listener.run(Duration::from_millis(200), &stop).expect("poll");
    children.iter_mut().for_each(|child| assert!(child.wait().expect("ended").success()));
    let (watched, now_ns) = listener.finish();
    for (one, envelope) in watched.iter().zip([Envelope::Udp, Envelope::Rtp]) {
        let report = one.watch.report(now_ns);
        let counts = report.transport.counts;
        assert_eq!((report.envelope, one.dropped, report.strange), (Some(envelope), 0, 0));
        assert!(counts.packets > 1000, "{counts:?}");
        assert_eq!((counts.continuity_errors, counts.sync_octet_errors, counts.crc_errors, counts.left_over), (0, 0, 0, 0));
        assert_eq!((report.transport.programs.len(), report.delivery.lost), (1, 0));
        assert!(report.transport.first_random_access_ns.is_some());
        if let Some(flow) = &report.flow {
            assert_eq!((flow.lost, flow.reordered, flow.restarts, flow.payload_type), (0, 0, 0, 33));
            assert!(flow.jitter_ns.is_some());
        }
        assert_eq!(report.flow.is_some(), envelope == Envelope::Rtp);
    }
}

#[test]
fn what_a_sender_leaves_out_is_counted_to_the_datagram() {
    let any: SocketAddr = "127.0.0.1:0".parse().expect("an address");
    let mut listener = Listener::open(&[any], None).expect("a socket");
    let to = listener.local_addrs().expect("bound")[0];
    let sending = std::thread::spawn(move || {
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a port");
        let mut source = TvSource::new(Settings::default()).expect("can be made");
        let (begin, mut lost, mut all) = (std::time::Instant::now(), 0_u64, 0_u64);
        while source.next_due() < Duration::from_secs(2) {
            std::thread::sleep(source.next_due().saturating_sub(begin.elapsed()));
            let mut datagram = Vec::new();
            source.datagram(&mut datagram);
            all += 1;
            // Not among the first or last: nobody could know of those.
            if all % 37 == 0 && all < 740 {
                lost += 1;
            } else {
                socket.send_to(&datagram, to).expect("loopback");
            }
        }
        (lost, all)
    });
    let stop = AtomicBool::new(false);
    while !sending.is_finished() {
        listener.run(Duration::from_millis(100), &stop).expect("poll");
    }
    listener.run(Duration::from_millis(200), &stop).expect("poll");
    let (lost, all) = sending.join().expect("no panic");
    let (watched, now_ns) = listener.finish();
    let report = watched[0].watch.report(now_ns);
    let flow = report.flow.expect("RTP");
    assert_eq!((watched[0].dropped, flow.lost, flow.expected, report.delivery.lost), (0, lost, all, 7 * lost));
}
