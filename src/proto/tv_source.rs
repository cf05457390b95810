//! A television channel of our own making: a transport stream at a constant rate with one program, in datagrams of seven packets. No socket
//! and no clock: it says when the next datagram is due.
//!
//! Tables, clock, video with points of random access and sound stand where ISO/IEC 13818-1 wants them (from memory), so any receiver can
//! read it; picture and sound show nothing ([`elementary`]). The same settings give the same octets. The hard thing is that everything
//! shares one row of slots: what is due goes first, and null packets fill what is left.

mod elementary;

use std::time::Duration;

use self::elementary::{Audio, Video};
use crate::wire::rtp;
use crate::wire::ts::psi::{self, Pat, Pmt};
use crate::wire::ts::{self, Adaptation, HEADER_LEN, Header, PACKET_LEN, Pcr, pcr};

/// Transport packets in a datagram: the most that fit 1500 octets of IP (RFC 4445 section 3.1 names the habit).
pub const PACKETS_PER_DATAGRAM: usize = 7;
/// Lowest and highest rate of the transport stream that it makes, bits per second *(ours)*.
pub const RATES: std::ops::RangeInclusive<u64> = 1_500_000..=100_000_000;

/// PID of the program's map.
pub const MAP_PID: u16 = 0x1000;
/// PID of the video, which carries the clock.
pub const VIDEO_PID: u16 = 0x100;
/// PID of the sound.
pub const AUDIO_PID: u16 = 0x101;

/// Tables go this often; 500 ms is the most (ETSI TR 101 290, from memory).
const TABLES_EVERY_NS: u64 = 100_000_000;
/// From the clock of the moment at which a picture or sound begins to be sent until it is shown.
const DELAY_NS: u64 = 180_000_000;
/// Bit of the PCR's last base bit's octet in a packet, counted from its start (clause 2.4.2.2).
const CLOCK_OCTET: u64 = 10;
/// What scrambled packets say of their key: the even one.
const SCRAMBLED: u8 = 0b10;

/// How packets go into datagrams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Envelope {
    /// In UDP alone.
    Udp,
    /// In RTP (RFC 2250, payload type 33).
    Rtp {
        /// Synchronisation source.
        ssrc: u32,
        /// Sequence number of the first datagram.
        first_sequence: u16,
        /// Time stamp of the first datagram.
        first_timestamp: u32,
    },
}

/// What is to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Rate of the transport stream with its null packets, bits per second; one of [`RATES`].
    pub rate: u64,
    /// Program number, from 1.
    pub program: u16,
    /// From one point of random access to the next; at least 40 ms, rounded to pictures of 40 ms.
    pub random_access_every: Duration,
    /// From one clock reference to the next, at most; 100 ms is the standard's bound, 40 ms that of ETSI TR 101 290.
    pub clock_every: Duration,
    /// How packets go into datagrams.
    pub envelope: Envelope,
    /// Video and sound are said to be scrambled, and are unreadable. No cipher: nobody has a key.
    pub scrambled: bool,
}

impl Default for Settings {
    /// A channel in standard definition: 4 Mbit/s in RTP, random access each 0.48 s.
    fn default() -> Self {
        let envelope = Envelope::Rtp { ssrc: 0x0db8_0001, first_sequence: 0, first_timestamp: 0 };
        Self {
            rate: 4_000_000,
            program: 1,
            random_access_every: Duration::from_millis(480),
            clock_every: Duration::from_millis(30),
            envelope,
            scrambled: false,
        }
    }
}

/// Can't be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Too slow for picture and sound, or too fast for this maker.
    #[error("a channel of {0} bit/s can't be made: from 1500000 to 100000000 it can")]
    Rate(u64),
    /// The clock would stand still.
    #[error("clock references must be 1 to 100 ms apart")]
    Clock,
    /// Program 0 is the network's own.
    #[error("program number 0 names the network, not a program")]
    Program,
    /// Pictures come 25 a second, and one that stands alone takes some 6 kB.
    #[error("points of random access must be 40 ms to 60 s apart, and farther apart the lower the rate is")]
    RandomAccess,
}

/// The maker.
#[derive(Debug, Clone)]
pub struct TvSource {
    settings: Settings,
    /// Transport packets made so far.
    slot: u64,
    datagrams: u64,
    tables: [(u16, Vec<u8>, u8); 2],
    tables_due_ns: [u64; 2],
    clock_due_ns: u64,
    video: Video,
    audio: Audio,
}

impl TvSource {
    /// A channel from its first packet on.
    ///
    /// # Errors
    /// What can't be made.
    pub fn new(settings: Settings) -> Result<Self, Error> {
        if !RATES.contains(&settings.rate) {
            return Err(Error::Rate(settings.rate));
        }
        if !(Duration::from_millis(1)..=Duration::from_millis(100)).contains(&settings.clock_every) {
            return Err(Error::Clock);
        }
        if settings.program == 0 {
            return Err(Error::Program);
        }
        if !(Duration::from_millis(40)..=Duration::from_secs(60)).contains(&settings.random_access_every) {
            return Err(Error::RandomAccess);
        }
        let programs = vec![psi::Program { number: settings.program, map_pid: MAP_PID }];
        let pat = Pat { stream: 1, version: 0, programs }.emit();
        let stream = |kind, pid| psi::Stream { kind, pid, descriptors: Vec::new() };
        let streams = vec![stream(elementary::VIDEO_KIND, VIDEO_PID), stream(elementary::AUDIO_KIND, AUDIO_PID)];
        let pmt = Pmt { program: settings.program, version: 0, pcr_pid: VIDEO_PID, descriptors: Vec::new(), streams }.emit();
        // A pointer of 0: the section begins right behind it; ones fill the packet (clause 2.4.4.1).
        let payload = |section: Vec<u8>| {
            let mut payload = [&[0], section.as_slice()].concat();
            payload.resize(PACKET_LEN - HEADER_LEN, 0xff);
            payload
        };
        let group = (settings.random_access_every.as_millis() / 40) as u64;
        let video = Video::new(video_rate(settings.rate), group, DELAY_NS);
        if !video.fits() {
            return Err(Error::RandomAccess);
        }
        Ok(Self {
            slot: 0,
            datagrams: 0,
            tables: [(ts::PAT_PID, payload(pat), 0), (MAP_PID, payload(pmt), 0)],
            tables_due_ns: [0; 2],
            clock_due_ns: 0,
            video,
            audio: Audio::new(DELAY_NS),
            settings,
        })
    }

    /// What it makes.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// When the next datagram is due, since the first one.
    pub fn next_due(&self) -> Duration {
        Duration::from_nanos(self.slot_ns(self.slot))
    }

    /// Appends the next datagram's payload (UDP's, with the RTP header where there is one).
    pub fn datagram(&mut self, out: &mut Vec<u8>) {
        if let Envelope::Rtp { ssrc, first_sequence, first_timestamp } = self.settings.envelope {
            // RFC 2250 section 2: when its first octet is to be sent, in 90 kHz.
            let ticks = u128::from(self.slot) * PACKET_BITS * u128::from(rtp::MP2T_CLOCK) / u128::from(self.settings.rate);
            let header = rtp::Header {
                marker: false,
                payload_type: rtp::MP2T,
                sequence: first_sequence.wrapping_add(self.datagrams as u16),
                timestamp: first_timestamp.wrapping_add(ticks as u32),
                ssrc,
            };
            header.write(out);
        }
        for _ in 0..PACKETS_PER_DATAGRAM {
            self.packet(out);
        }
        self.datagrams += 1;
    }

    /// Appends the next transport packet.
    pub fn packet(&mut self, out: &mut Vec<u8>) {
        let now_ns = self.slot_ns(self.slot);
        let from = out.len();
        if let Some(which) = (0..2).find(|which| self.tables_due_ns[*which] <= now_ns) {
            self.tables_due_ns[which] += TABLES_EVERY_NS;
            let (pid, payload, counter) = &mut self.tables[which];
            let header = Header { pid: *pid, unit_start: true, counter: *counter, ..Header::default() };
            ts::write(header, None, payload, out);
            *counter = counter.wrapping_add(1) & 0x0f;
        } else if self.clock_due_ns <= now_ns {
            self.clock_due_ns = now_ns + self.settings.clock_every.as_nanos() as u64;
            let octets = u128::from(self.slot * PACKET_LEN as u64 + CLOCK_OCTET);
            let clock = Pcr::new((octets * 8 * u128::from(pcr::HZ) / u128::from(self.settings.rate)) as u64);
            let is_due = self.video.due_ns() <= now_ns;
            self.video.write(VIDEO_PID, Some(clock), is_due, out);
        } else if self.audio.due_ns() <= now_ns {
            self.audio.write(AUDIO_PID, out);
        } else if self.video.due_ns() <= now_ns {
            self.video.write(VIDEO_PID, None, true, out);
        } else {
            ts::write_null(out);
        }
        if self.settings.scrambled {
            scramble(&mut out[from..]);
        }
        self.slot += 1;
    }

    /// When a transport packet is due, since the first one.
    fn slot_ns(&self, slot: u64) -> u64 {
        (u128::from(slot) * PACKET_BITS * 1_000_000_000 / u128::from(self.settings.rate)) as u64
    }
}

const PACKET_BITS: u128 = PACKET_LEN as u128 * 8;

/// What of a rate is left for video, bits per second of PES: less sound (four packets in 24 ms), two tables in 100 ms and clock references
/// of their own, by the share of a packet that is payload, less 6 % for stuffed ends of pictures and null packets.
fn video_rate(rate: u64) -> u64 {
    let others = 4 * 1504 * 1000 / 24 + 20 * 1504 + 40 * 1504;
    (rate - others) * 184 / 188 * 94 / 100
}

/// Says that a packet of video or sound is scrambled, and makes it unreadable.
fn scramble(packet: &mut [u8]) {
    let Some(bytes) = packet.first_chunk_mut::<PACKET_LEN>() else { return };
    let Some(mut header) = Header::parse(bytes) else { return };
    if !header.has_payload || !matches!(header.pid, VIDEO_PID | AUDIO_PID) {
        return;
    }
    header.scrambling = SCRAMBLED;
    bytes[..HEADER_LEN].copy_from_slice(&header.emit());
    let payload_at = HEADER_LEN + if header.has_adaptation { 1 + usize::from(bytes[HEADER_LEN]) } else { 0 };
    for (at, octet) in bytes.iter_mut().enumerate().skip(payload_at) {
        *octet ^= (at as u8).wrapping_mul(0x6d) ^ 0xa5;
    }
}

/// Appends a packet of an elementary stream; returns how many octets of `payload` it took.
fn write_stream(
    pid: u16,
    counter: &mut u8,
    unit_start: bool,
    adaptation: &Adaptation<'_>,
    payload: &[u8],
    out: &mut Vec<u8>,
) -> usize {
    let is_needed = *adaptation != Adaptation::default();
    // Without a payload the counter stays (clause 2.4.3.3): it is that of the packet before.
    let shown = if payload.is_empty() { counter.wrapping_sub(1) & 0x0f } else { *counter };
    let header = Header { pid, unit_start, counter: shown, ..Header::default() };
    let taken = ts::write(header, is_needed.then_some(adaptation), payload, out);
    if taken > 0 {
        *counter = counter.wrapping_add(1) & 0x0f;
    }
    taken
}

#[cfg(test)]
mod tests;
