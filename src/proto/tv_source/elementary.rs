//! Video and sound that show nothing: MPEG-2 pictures of even grey, and frames of silence. Right in every bit, so that any decoder takes them.
//!
//! Video is ISO/IEC 13818-2, 25 pictures a second: an intra picture whose blocks have nothing but an unchanged mean, then predicted ones that
//! skip all they may. Sound is ISO/IEC 11172-3 layer II: a frame that allots no bits to any band. Both from memory; an independent decoder
//! reads them in the tests. What a picture lacks to its share of the rate is filled with zeroes, which may stand before any start code.

use super::write_stream;
use crate::wire::ts::pes::{self, Start};
use crate::wire::ts::{Adaptation, Pcr};

/// Kind of stream of MPEG-2 video, and of MPEG-1 sound (ISO/IEC 13818-1 table 2-34).
pub(super) const VIDEO_KIND: u8 = 0x02;
/// See [`VIDEO_KIND`].
pub(super) const AUDIO_KIND: u8 = 0x03;

const PICTURE_NS: u64 = 40_000_000;
/// An intra picture gets as much as so many predicted ones.
const INTRA_WEIGHT: u64 = 3;
/// Octets of a PES header with one stamp.
const PES_HEAD: u64 = 14;
/// Above this rate of video the picture is of high definition: main level ends there (13818-2 table 8-13).
const MAIN_LEVEL: u64 = 15_000_000;

/// A picture format.
#[derive(Debug, Clone, Copy)]
struct Format {
    columns: u32,
    rows: u32,
    /// Of 16 x 16 samples.
    blocks: (u32, u32),
    /// Main profile at main or high level.
    level: u32,
    /// Buffer in units of 16384 bits.
    buffer: u32,
}

const STANDARD: Format = Format { columns: 720, rows: 576, blocks: (45, 36), level: 0x48, buffer: 112 };
const HIGH: Format = Format { columns: 1920, rows: 1080, blocks: (120, 68), level: 0x44, buffer: 597 };

/// Octets by bits, the highest first.
#[derive(Debug, Default)]
struct Bits {
    octets: Vec<u8>,
    /// Bits that are free in the last octet.
    free: u32,
}

impl Bits {
    fn put(&mut self, value: u32, count: u32) -> &mut Self {
        for at in (0..count).rev() {
            if self.free == 0 {
                self.octets.push(0);
                self.free = 8;
            }
            self.free -= 1;
            if let Some(last) = self.octets.last_mut() {
                *last |= ((value >> at & 1) as u8) << self.free;
            }
        }
        self
    }

    /// A start code, behind zeroes to a whole octet.
    fn start(&mut self, code: u8) -> &mut Self {
        self.free = 0;
        self.octets.extend([0, 0, 1, code]);
        self
    }
}

/// How far to the next block (table B.1), for the steps that the formats need.
fn put_increment(bits: &mut Bits, mut step: u32) {
    while step > 33 {
        // macroblock_escape
        bits.put(0b000_0000_1000, 11);
        step -= 33;
    }
    match step {
        11 => bits.put(0b0000_1010, 8),
        20 => bits.put(0b00_0001_0011, 10),
        _ => bits.put(1, 1),
    };
}

impl Format {
    /// Sequence header and extension, 13818-2 clauses 6.2.2.1 and 6.2.2.3, and the head of a closed group.
    fn sequence(self, rate: u64, bits: &mut Bits) {
        let units = (rate.div_ceil(400)) as u32;
        bits.start(0xb3).put(self.columns, 12).put(self.rows, 12);
        // 16:9, 25 a second.
        bits.put(3, 4).put(3, 4).put(units & 0x3_ffff, 18).put(1, 1).put(self.buffer, 10).put(0, 3);
        // Progressive, 4:2:0.
        bits.start(0xb5).put(1, 4).put(self.level, 8).put(1, 1).put(1, 2).put(0, 4);
        bits.put(units >> 18, 12).put(1, 1).put(0, 8).put(0, 1).put(0, 7);
        // Time 0, a set bit amid it, closed.
        bits.start(0xb8).put(0, 12).put(1, 1).put(0, 12).put(0b10, 2);
    }

    /// A picture: header, extension and slices (clauses 6.2.3 to 6.2.6).
    fn picture(self, place: u32, is_intra: bool, bits: &mut Bits) {
        bits.start(0x00).put(place, 10).put(if is_intra { 1 } else { 2 }, 3).put(0xffff, 16);
        if !is_intra {
            bits.put(0, 1).put(7, 3);
        }
        bits.put(0, 1);
        let codes = if is_intra { 0xffff } else { 0x11ff };
        // Precision 8 bits, frame, prediction and transform by frames, all else plain, progressive.
        bits.start(0xb5).put(8, 4).put(codes, 16).put(0, 2).put(3, 2).put(0, 1).put(1, 1).put(0, 5).put(1, 1).put(1, 1).put(0, 1);
        for row in 1..=self.blocks.1 {
            bits.start(row as u8).put(1, 5).put(0, 1);
            if is_intra {
                for _ in 0..self.blocks.0 {
                    // Next block, intra; four of brightness and two of colour, each the same mean as before and nothing else.
                    bits.put(0b11, 2);
                    for _ in 0..4 {
                        bits.put(0b1_0010, 5);
                    }
                    bits.put(0b0010_0010, 8);
                }
            } else {
                // First and last must not be skipped: moved by nothing, not coded.
                for step in [1, self.blocks.0 - 1] {
                    put_increment(bits, step);
                    bits.put(0b001, 3).put(0b11, 2);
                }
            }
        }
    }
}

/// The video.
#[derive(Debug, Clone)]
pub(super) struct Video {
    rate: u64,
    group: u64,
    delay_ns: u64,
    /// Octets of an intra picture with all its heads, and of a predicted one behind its header's place number.
    intra: Vec<u8>,
    predicted: Vec<Vec<u8>>,
    /// Pictures begun.
    pictures: u64,
    pes: Vec<u8>,
    at: usize,
    /// Octets of PES sent before this one.
    before: u64,
    counter: u8,
}

impl Video {
    pub(super) fn new(rate: u64, group: u64, delay_ns: u64) -> Self {
        let format = if rate > MAIN_LEVEL { HIGH } else { STANDARD };
        let mut bits = Bits::default();
        format.sequence(rate, &mut bits);
        format.picture(0, true, &mut bits);
        let intra = bits.octets;
        let predicted = (1..group).map(|place| {
            let mut bits = Bits::default();
            // Counted modulo 1024 (clause 6.3.9).
            format.picture((place % 1024) as u32, false, &mut bits);
            bits.octets
        });
        let predicted = predicted.collect();
        Self { rate, group, delay_ns, intra, predicted, pictures: 0, pes: Vec::new(), at: 0, before: 0, counter: 0 }
    }

    /// Whether an intra picture has room in its share of the rate.
    pub(super) fn fits(&self) -> bool {
        self.intra.len() as u64 + PES_HEAD <= self.octets_before(1)
    }

    /// When the next octet is due.
    pub(super) fn due_ns(&self) -> u64 {
        let octets = u128::from(self.before + self.at as u64);
        (octets * 8_000_000_000 / u128::from(self.rate)) as u64
    }

    /// Octets of all pictures before the one with this number.
    fn octets_before(&self, picture: u64) -> u64 {
        let weight = picture + (INTRA_WEIGHT - 1) * picture.div_ceil(self.group);
        let shares = u128::from(self.group + INTRA_WEIGHT - 1);
        (u128::from(self.rate) * u128::from(self.group) * u128::from(weight) / (200 * shares)) as u64
    }

    fn begin_picture(&mut self) {
        let number = self.pictures;
        let is_intra = number.is_multiple_of(self.group);
        self.before += self.pes.len() as u64;
        let pts = (number * PICTURE_NS + self.delay_ns) * 9 / 100_000 % pes::WRAP;
        let start = Start { stream: pes::VIDEO, alignment: true, pts: Some(pts), ..Start::default() };
        self.pes = start.emit();
        let place = (number % self.group) as usize;
        let picture = place.checked_sub(1).and_then(|at| self.predicted.get(at)).unwrap_or(&self.intra);
        self.pes.extend(picture);
        debug_assert!(is_intra || place > 0);
        // The zeroes before the next start code.
        let share = self.octets_before(number + 1).saturating_sub(self.before) as usize;
        self.pes.resize(self.pes.len().max(share), 0);
        self.at = 0;
        self.pictures += 1;
    }

    /// Appends a packet, with a clock reference where one is given, and with payload where that is due.
    pub(super) fn write(&mut self, pid: u16, pcr: Option<Pcr>, is_due: bool, out: &mut Vec<u8>) {
        if is_due && self.at == self.pes.len() {
            self.begin_picture();
        }
        let starts = is_due && self.at == 0;
        let random_access = starts && (self.pictures - 1).is_multiple_of(self.group);
        let adaptation = Adaptation { pcr, random_access, ..Adaptation::default() };
        let payload = if is_due { &self.pes[self.at..] } else { &[] };
        self.at += write_stream(pid, &mut self.counter, starts, &adaptation, payload, out);
    }
}

/// Octets of a frame of sound: 192 kbit/s at 48 kHz.
const FRAME: usize = 576;
const FRAME_NS: u64 = 24_000_000;
/// Packets that one takes with its PES header.
const FRAME_PACKETS: u64 = 4;

/// The sound.
#[derive(Debug, Clone)]
pub(super) struct Audio {
    delay_ns: u64,
    frames: u64,
    /// Packets of the frame that were sent.
    sent: u64,
    pes: Vec<u8>,
    at: usize,
    counter: u8,
}

impl Audio {
    pub(super) fn new(delay_ns: u64) -> Self {
        Self { delay_ns, frames: 0, sent: 0, pes: Vec::new(), at: 0, counter: 0 }
    }

    pub(super) fn due_ns(&self) -> u64 {
        let begun = self.frames.saturating_sub(1);
        if self.at < self.pes.len() { begun * FRAME_NS + self.sent * (FRAME_NS / FRAME_PACKETS) } else { self.frames * FRAME_NS }
    }

    fn begin_frame(&mut self) {
        let pts = (self.frames * FRAME_NS + self.delay_ns) * 9 / 100_000 % pes::WRAP;
        let header = Start { stream: pes::AUDIO, alignment: true, pts: Some(pts), ..Start::default() };
        let length = (header.emit().len() - 6 + FRAME) as u16;
        self.pes = Start { length, ..header }.emit();
        // Layer II without CRC, 192 kbit/s, 48 kHz, stereo (11172-3 clause 2.4.1.3); no band gets bits.
        let frame_at = self.pes.len();
        self.pes.extend([0xff, 0xfd, 0xa4, 0x00]);
        self.pes.resize(frame_at + FRAME, 0);
        self.at = 0;
        self.sent = 0;
        self.frames += 1;
    }

    pub(super) fn write(&mut self, pid: u16, out: &mut Vec<u8>) {
        if self.at == self.pes.len() {
            self.begin_frame();
        }
        let starts = self.at == 0;
        self.at += write_stream(pid, &mut self.counter, starts, &Adaptation::default(), &self.pes[self.at..], out);
        self.sent += 1;
    }
}
