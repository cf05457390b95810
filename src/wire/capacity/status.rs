//! The status packet: what the receiver of load saw, and (from a server) how to send.

use super::load::Stop;
use super::{CapacityError, Reader, Trailer, WireTime, Writer};

const STATUS: u16 = 0xfeed;

/// How to send: two transmitters, each with interval, payload and burst (28 octets).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SendingRate {
    /// Microseconds between bursts of the first; zero switches it off.
    pub interval_1: u32,
    /// Octets of UDP payload of its datagrams.
    pub payload_1: u32,
    /// Datagrams in each burst.
    pub burst_1: u32,
    /// Microseconds between bursts of the second.
    pub interval_2: u32,
    /// Octets of UDP payload of its datagrams.
    pub payload_2: u32,
    /// Datagrams in each burst.
    pub burst_2: u32,
    /// Octets of UDP payload of one more datagram with each burst of the second; zero for none.
    pub addon_2: u32,
}

impl SendingRate {
    pub(super) fn read(read: &mut Reader<'_>) -> Self {
        Self {
            interval_1: read.u32(),
            payload_1: read.u32(),
            burst_1: read.u32(),
            interval_2: read.u32(),
            payload_2: read.u32(),
            burst_2: read.u32(),
            addon_2: read.u32(),
        }
    }

    pub(super) fn write(self, write: Writer) -> Writer {
        let Self { interval_1, payload_1, burst_1, interval_2, payload_2, burst_2, addon_2 } = self;
        [interval_1, payload_1, burst_1, interval_2, payload_2, burst_2, addon_2].into_iter().fold(write, Writer::u32)
    }
}

/// Delay variation, milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Delays {
    /// Least.
    pub min: u32,
    /// Largest.
    pub max: u32,
    /// Sum of all.
    pub sum: u32,
    /// How many.
    pub count: u32,
}

impl Delays {
    /// Takes one in.
    pub fn add(&mut self, ms: u32) {
        self.min = if self.count == 0 { ms } else { self.min.min(ms) };
        self.max = self.max.max(ms);
        self.sum = self.sum.saturating_add(ms);
        self.count = self.count.saturating_add(1);
    }

    fn read(read: &mut Reader<'_>) -> Self {
        Self { min: read.u32(), max: read.u32(), sum: read.u32(), count: read.u32() }
    }

    fn write(self, write: Writer) -> Writer {
        write.u32(self.min).u32(self.max).u32(self.sum).u32(self.count)
    }
}

/// What was received in a sub-interval (56 octets).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SubInterval {
    /// Load packets.
    pub datagrams: u32,
    /// Octets of their UDP payload.
    pub octets: u64,
    /// Microseconds that it lasted.
    pub span_us: u32,
    /// Lost.
    pub lost: u32,
    /// Out of order.
    pub out_of_order: u32,
    /// Received more than once.
    pub duplicates: u32,
    /// One-way delay above its least.
    pub one_way: Delays,
    /// Least and largest round trip above its least, milliseconds.
    pub round_trip: (u32, u32),
    /// Milliseconds from the test's start to this sub-interval's end.
    pub ended_ms: u32,
}

impl SubInterval {
    fn read(read: &mut Reader<'_>) -> Self {
        Self {
            datagrams: read.u32(),
            octets: read.u64(),
            span_us: read.u32(),
            lost: read.u32(),
            out_of_order: read.u32(),
            duplicates: read.u32(),
            one_way: Delays::read(read),
            round_trip: (read.u32(), read.u32()),
            ended_ms: read.u32(),
        }
    }

    fn write(self, write: Writer) -> Writer {
        let write = write.u32(self.datagrams).u64(self.octets).u32(self.span_us);
        let write = write.u32(self.lost).u32(self.out_of_order).u32(self.duplicates);
        self.one_way.write(write).u32(self.round_trip.0).u32(self.round_trip.1).u32(self.ended_ms)
    }
}

/// A status packet (204 octets).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Status {
    /// How far the end has come.
    pub stop: Stop,
    /// The receiver of load receives none any more.
    pub hears_nothing: bool,
    /// Number, from 1.
    pub sequence: u32,
    /// From a server: how to send.
    pub rate: SendingRate,
    /// Number of the sub-interval that `saved` is of; zero before the first has ended.
    pub sub_interval: u32,
    /// The last sub-interval that has ended.
    pub saved: SubInterval,
    /// In the feedback interval: lost.
    pub lost: u32,
    /// Out of order.
    pub out_of_order: u32,
    /// Received more than once.
    pub duplicates: u32,
    /// Least difference of the two clocks, milliseconds.
    pub clock_delta_min: u32,
    /// One-way delay above its least, in the feedback interval.
    pub one_way: Delays,
    /// Least round trip, milliseconds; [`Status::NONE`] where there is none yet.
    pub round_trip_min: u32,
    /// Last round trip above that, milliseconds; [`Status::NONE`] where there was none in this interval.
    pub round_trip_variation: u32,
    /// Whether a least delay changed.
    pub minimum_changed: bool,
    /// Microseconds of the feedback interval.
    pub span_us: u32,
    /// Load packets in it.
    pub datagrams: u32,
    /// Octets of their UDP payload.
    pub octets: u32,
    /// When this packet was sent.
    pub sent: WireTime,
    /// Its end.
    pub trailer: Trailer,
}

impl Status {
    /// Octets.
    pub const LEN: usize = 204;
    /// No delay is known.
    pub const NONE: u32 = u32::MAX;

    /// Reads one.
    ///
    /// # Errors
    /// [`CapacityError`].
    pub fn parse(octets: &[u8]) -> Result<Self, CapacityError> {
        let mut read = Reader::new(octets, STATUS, Self::LEN, true)?;
        let (stop, hears_nothing, sequence) = (Stop::from_octet(read.u8()), read.u8() != 0, read.u32());
        let rate = SendingRate::read(&mut read);
        let (sub_interval, saved) = (read.u32(), SubInterval::read(&mut read));
        let (lost, out_of_order, duplicates) = (read.u32(), read.u32(), read.u32());
        let (clock_delta_min, one_way) = (read.u32(), Delays::read(&mut read));
        let (round_trip_min, round_trip_variation) = (read.u32(), read.u32());
        let minimum_changed = read.u8() != 0;
        read.take::<3>();
        let (span_us, datagrams, octets) = (read.u32(), read.u32(), read.u32());
        let sent = WireTime { seconds: read.u32(), nanos: read.u32() };
        read.take::<3>();
        Ok(Self {
            stop,
            hears_nothing,
            sequence,
            rate,
            sub_interval,
            saved,
            lost,
            out_of_order,
            duplicates,
            clock_delta_min,
            one_way,
            round_trip_min,
            round_trip_variation,
            minimum_changed,
            span_us,
            datagrams,
            octets,
            sent,
            trailer: read.trailer(),
        })
    }

    /// Its octets, not signed.
    pub fn emit(&self) -> Vec<u8> {
        let write = Writer::new(STATUS).u8(self.stop.octet()).u8(u8::from(self.hears_nothing)).u32(self.sequence);
        let write = self.saved.write(self.rate.write(write).u32(self.sub_interval));
        let write = write.u32(self.lost).u32(self.out_of_order).u32(self.duplicates).u32(self.clock_delta_min);
        let write = self.one_way.write(write).u32(self.round_trip_min).u32(self.round_trip_variation);
        let write = write.u8(u8::from(self.minimum_changed)).u8(0).u16(0);
        let write = write.u32(self.span_us).u32(self.datagrams).u32(self.octets);
        write.u32(self.sent.seconds).u32(self.sent.nanos).u16(0).u8(0).trailer(self.trailer)
    }
}
