//! A channel of television: RTP, transport packets with what they carry, and the watcher that all of it goes through.

use doorstep::proto::channel_watch::ChannelWatch;
use doorstep::proto::tv_source::{Envelope, Settings, TvSource};
use doorstep::wire::rtp::{self, fec};
use doorstep::wire::ts::framing::Framing;
use doorstep::wire::ts::psi::{Pat, Pmt};
use doorstep::wire::ts::section::Section;
use doorstep::wire::ts::{PACKET_LEN, Packet, pes};

use super::show;

/// A packet is as long as it is written; repair is looked for with any media.
pub fn rtp(data: &[u8]) {
    match rtp::Packet::parse(data) {
        Ok(packet) => {
            assert_eq!(packet.emit().len(), data.len());
            assert!(packet.contributors().count() <= 15);
            let header = packet.header;
            fec::recognise(&packet, fec::Media { ssrc: header.ssrc, sequence: header.sequence });
            let source = packet.contributors().next().unwrap_or_default();
            let sequence = packet.payload.first_chunk().map_or(0, |octets| u16::from_be_bytes(*octets));
            fec::recognise(&packet, fec::Media { ssrc: source, sequence });
        }
        Err(error) => show(&error),
    }
    rtp::is_control(data);
}

/// Packets, tables and starts are read; a watcher takes the octets as datagrams of any length and stays bounded.
pub fn transport(data: &[u8]) {
    for packet in Framing::of(data).unwrap_or_default().packets(data) {
        match Packet::parse(packet) {
            Ok(read) => {
                if let Some(start) = pes::Start::parse(read.payload) {
                    start.emit();
                }
                let from = usize::from(read.payload.first().copied().unwrap_or_default()) + 1;
                match Section::parse(read.payload.get(from..).unwrap_or_default()) {
                    Ok(section) => {
                        assert_eq!(Section::parse(&section.emit()), Ok(section));
                        Pat::parse(&section).inspect(|pat| drop(pat.emit()));
                        Pmt::parse(&section).inspect(|pmt| drop(pmt.emit()));
                    }
                    Err(error) => show(&error),
                }
            }
            Err(error) => show(&error),
        }
    }
    let mut watch = ChannelWatch::new();
    let datagrams = data.chunks(1328).chain(data.chunks(188)).chain([data]);
    for (place, datagram) in datagrams.enumerate() {
        watch.on_datagram(place as i64 * 1_000_000, datagram);
        watch.on_companion(datagram);
    }
    let report = watch.report(i64::MAX);
    assert!(report.transport.programs.len() <= 32 && report.delivery.entries.len() <= 3600);
}

fn made(envelope: Envelope) -> Vec<Vec<u8>> {
    let Ok(mut source) = TvSource::new(Settings { envelope, ..Settings::default() }) else { return Vec::new() };
    (0..2)
        .map(|_| {
            let mut datagram = Vec::new();
            source.datagram(&mut datagram);
            // Tables and the first picture are at its begin; a whole datagram would make the attacks long.
            let head = datagram.len() % PACKET_LEN;
            datagram.truncate(head + 3 * PACKET_LEN);
            datagram
        })
        .collect()
}

pub(super) fn rtp_seeds() -> Vec<Vec<u8>> {
    let header = rtp::Header { payload_type: 96, sequence: 9, ssrc: 7, ..rtp::Header::default() };
    let csrc = [[0, 0, 0, 7]];
    let extension = Some(rtp::Extension { profile: 0xbede, data: &[1, 2, 3, 4] });
    let column = [0, 1, 5, 0x24, 0xa1, 0, 0, 0, 1, 2, 3, 4, 0, 10, 5, 0, 9, 9];
    let uneven = [0, 33, 0, 9, 0, 0, 0, 9, 0, 60, 0, 2, 0x80, 0, 1, 2];
    let flexible = [0x40, 33, 0, 9, 0, 0, 0, 1, 0, 9, 10, 5, 1, 2];
    [&column[..], &uneven, &flexible]
        .into_iter()
        .flat_map(|payload| [header.emit(payload), rtp::Packet { header, csrc: &csrc, extension, payload, padding: 4 }.emit()])
        .collect()
}

pub(super) fn worst_rtp() -> Vec<Vec<u8>> {
    // Levels of one octet each, as many as a datagram holds.
    let levels = [0, 1, 0x80, 0, 5].repeat(13_000);
    let header = rtp::Header { payload_type: 96, ..rtp::Header::default() };
    vec![header.emit(&[&[0; 10][..], &levels].concat()), vec![0xbf; 65_507]]
}

pub(super) fn transport_seeds() -> Vec<Vec<u8>> {
    made(Envelope::Udp)
        .into_iter()
        .chain(made(Envelope::Rtp { ssrc: 1, first_sequence: 0, first_timestamp: 0 }).into_iter().take(1))
        .collect()
}

pub(super) fn worst_transport() -> Vec<Vec<u8>> {
    // Every PID there is; and packets that all begin a section of the greatest length.
    let every: Vec<u8> = (0..348_u16)
        .flat_map(|pid| {
            let mut packet = vec![0x47, 0x40 | (pid >> 8) as u8, pid as u8, 0x10, 0];
            packet.resize(188, 0x2b);
            packet
        })
        .collect();
    let mut long = vec![0x47, 0x40, 0, 0x10, 0, 0, 0xbf, 0xff];
    long.resize(188, 0);
    vec![every, long.repeat(348)]
}
