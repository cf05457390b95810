//! Set-up, activation and null.

use super::status::SendingRate;
use super::{CapacityError, Reader, Trailer, Writer};

const SETUP: u16 = 0xace1;
const ACTIVATION: u16 = 0xace2;
const NULL: u16 = 0xdead;
/// Top bit of the bandwidth field: the test goes up.
const UPSTREAM: u16 = 0x8000;

/// Asks for a test, or answers that (56 octets).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setup {
    /// Version of the protocol.
    pub version: u16,
    /// Number of this connection, from 0, of how many, and the number that ties them together.
    pub connection: (u8, u8, u16),
    /// False in a request.
    pub is_response: bool,
    /// What the server says.
    pub response: SetupResponse,
    /// Rate that the test may reach, Mbit/s, below 32768; zero names none.
    pub max_mbit: u16,
    /// Whether the client sends the load.
    pub is_upstream: bool,
    /// In a response, where the test goes on.
    pub test_port: u16,
    /// Datagrams above 1 Gbit/s may be jumbo (bit 0x01).
    pub jumbo: bool,
    /// IP packets of 1500 octets and not 1250 (bit 0x02).
    pub traditional_mtu: bool,
    /// Its end.
    pub trailer: Trailer,
}

/// What a server says to a set-up (values from memory of the registry).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetupResponse {
    /// Nothing: a request.
    None,
    /// Yes.
    Accepted,
    /// It speaks another version.
    Version,
    /// It wants the other setting for jumbo datagrams.
    Jumbo,
    /// A signature came, and it has no keys.
    NotConfigured,
    /// It wants a signature.
    Required,
    /// It does not know that mode.
    Mode,
    /// The signature is not right.
    Signature,
    /// The clocks differ too much.
    Time,
    /// It wants a rate to be named.
    NoRate,
    /// There is no room for that rate now.
    Capacity,
    /// It wants the other setting for packets of 1500 octets.
    Mtu,
    /// It does not do so many connections.
    Connections,
    /// It could not open a port.
    Port,
    /// Something newer.
    Other(u8),
}

const RESPONSES: [SetupResponse; 14] = [
    SetupResponse::None,
    SetupResponse::Accepted,
    SetupResponse::Version,
    SetupResponse::Jumbo,
    SetupResponse::NotConfigured,
    SetupResponse::Required,
    SetupResponse::Mode,
    SetupResponse::Signature,
    SetupResponse::Time,
    SetupResponse::NoRate,
    SetupResponse::Capacity,
    SetupResponse::Mtu,
    SetupResponse::Connections,
    SetupResponse::Port,
];

impl SetupResponse {
    fn from_octet(octet: u8) -> Self {
        RESPONSES.get(usize::from(octet)).copied().unwrap_or(Self::Other(octet))
    }

    fn octet(self) -> u8 {
        match self {
            Self::Other(octet) => octet,
            known => RESPONSES.iter().position(|one| *one == known).and_then(|at| u8::try_from(at).ok()).unwrap_or(0),
        }
    }
}

impl std::fmt::Display for SetupResponse {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let words = match self {
            Self::None => "it said nothing",
            Self::Accepted => "it accepts",
            Self::Version => "it speaks another version of the protocol",
            Self::Jumbo => "it wants the other setting for jumbo datagrams",
            Self::NotConfigured => "it has no keys, so it takes no signed request",
            Self::Required => "it wants a key",
            Self::Mode => "it does not do this kind of signature",
            Self::Signature => "it refuses the key",
            Self::Time => "its clock and this one differ by more than it allows: set both",
            Self::NoRate => "it wants to know what rate to expect",
            Self::Capacity => "it has no room for that rate now",
            Self::Mtu => "it wants the other setting for packets of 1500 octets",
            Self::Connections => "it does not take so many connections",
            Self::Port => "it could not open a port for the test",
            Self::Other(code) => return write!(f, "it refuses with code {code}"),
        };
        f.write_str(words)
    }
}

impl Setup {
    /// Octets.
    pub const LEN: usize = 56;

    /// Reads one.
    ///
    /// # Errors
    /// [`CapacityError`].
    pub fn parse(octets: &[u8]) -> Result<Self, CapacityError> {
        let mut read = Reader::new(octets, SETUP, Self::LEN, true)?;
        let version = read.u16();
        let connection = (read.u8(), read.u8(), read.u16());
        let is_response = read.u8() == 2;
        let response = SetupResponse::from_octet(read.u8());
        let bandwidth = read.u16();
        let test_port = read.u16();
        let bits = read.u8();
        Ok(Self {
            version,
            connection,
            is_response,
            response,
            max_mbit: bandwidth & !UPSTREAM,
            is_upstream: bandwidth & UPSTREAM != 0,
            test_port,
            jumbo: bits & 1 != 0,
            traditional_mtu: bits & 2 != 0,
            trailer: read.trailer(),
        })
    }

    /// Its octets, not signed.
    pub fn emit(&self) -> Vec<u8> {
        let upstream = if self.is_upstream { UPSTREAM } else { 0 };
        Writer::new(SETUP)
            .u16(self.version)
            .u8(self.connection.0)
            .u8(self.connection.1)
            .u16(self.connection.2)
            .u8(if self.is_response { 2 } else { 1 })
            .u8(self.response.octet())
            .u16(self.max_mbit & !UPSTREAM | upstream)
            .u16(self.test_port)
            .u8(u8::from(self.jumbo) | u8::from(self.traditional_mtu) << 1)
            .trailer(self.trailer)
    }
}

/// What a server says to an activation (values from memory of the registry).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ActivationResponse {
    /// Nothing: a request.
    None,
    /// Yes, with the terms that it set.
    Accepted,
    /// Something asked for is out of its range.
    Refused,
    /// Something newer.
    Other(u8),
}

/// Starts a test with its terms, or answers that (104 octets).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Activation {
    /// Version of the protocol.
    pub version: u16,
    /// Whether the client sends the load (1 up, 2 down).
    pub is_upstream: bool,
    /// What the server says.
    pub response: ActivationResponse,
    /// Delay range below which the rate may rise, milliseconds.
    pub low_ms: u16,
    /// Delay range above which it must fall, milliseconds.
    pub high_ms: u16,
    /// Feedback interval, milliseconds.
    pub feedback_ms: u16,
    /// Test time, seconds.
    pub test_s: u16,
    /// DSCP and ECN of the load; ECN must be zero.
    pub class: u8,
    /// Row of the rate table to begin at, or to stay at; `0xffff` leaves it to the algorithm.
    pub row: u16,
    /// Whether delay is the one-way variation and not the round trip's.
    pub one_way: bool,
    /// Rows that a fast rise takes.
    pub fast_rows: u8,
    /// Bad reports in a row that mean congestion.
    pub bad_reports: u16,
    /// Lost packets (and, unless ignored, others out of order) up to which a report is good.
    pub sequence_errors: u16,
    /// Whether reordering and duplicates are ignored.
    pub ignores_order: bool,
    /// Bit 0x01: `row` is where to begin; 0x02: random payload.
    pub modifiers: u8,
    /// Algorithm: 0 is B, 1 is C.
    pub algorithm: u8,
    /// In a response to upstream, how to begin to send.
    pub rate: SendingRate,
    /// Sub-interval, milliseconds.
    pub sub_interval_ms: u16,
    /// Its end.
    pub trailer: Trailer,
}

impl Activation {
    /// Octets.
    pub const LEN: usize = 104;

    /// Reads one.
    ///
    /// # Errors
    /// [`CapacityError`].
    pub fn parse(octets: &[u8]) -> Result<Self, CapacityError> {
        let mut read = Reader::new(octets, ACTIVATION, Self::LEN, true)?;
        let version = read.u16();
        let is_upstream = read.u8() == 1;
        let response = match read.u8() {
            0 => ActivationResponse::None,
            1 => ActivationResponse::Accepted,
            2 => ActivationResponse::Refused,
            other => ActivationResponse::Other(other),
        };
        let (low_ms, high_ms, feedback_ms, test_s) = (read.u16(), read.u16(), read.u16(), read.u16());
        read.u8();
        let (class, row) = (read.u8(), read.u16());
        let (one_way, fast_rows) = (read.u8() != 0, read.u8());
        let (bad_reports, sequence_errors) = (read.u16(), read.u16());
        let (ignores_order, modifiers, algorithm) = (read.u8() != 0, read.u8(), read.u8());
        read.u8();
        let rate = SendingRate::read(&mut read);
        let sub_interval_ms = read.u16();
        read.take::<5>();
        Ok(Self {
            version,
            is_upstream,
            response,
            low_ms,
            high_ms,
            feedback_ms,
            test_s,
            class,
            row,
            one_way,
            fast_rows,
            bad_reports,
            sequence_errors,
            ignores_order,
            modifiers,
            algorithm,
            rate,
            sub_interval_ms,
            trailer: read.trailer(),
        })
    }

    /// Its octets, not signed.
    pub fn emit(&self) -> Vec<u8> {
        let response = match self.response {
            ActivationResponse::None => 0,
            ActivationResponse::Accepted => 1,
            ActivationResponse::Refused => 2,
            ActivationResponse::Other(octet) => octet,
        };
        let write = Writer::new(ACTIVATION)
            .u16(self.version)
            .u8(if self.is_upstream { 1 } else { 2 })
            .u8(response)
            .u16(self.low_ms)
            .u16(self.high_ms)
            .u16(self.feedback_ms)
            .u16(self.test_s)
            .u8(0)
            .u8(self.class)
            .u16(self.row)
            .u8(u8::from(self.one_way))
            .u8(self.fast_rows)
            .u16(self.bad_reports)
            .u16(self.sequence_errors)
            .u8(u8::from(self.ignores_order))
            .u8(self.modifiers)
            .u8(self.algorithm)
            .u8(0);
        self.rate.write(write).u16(self.sub_interval_ms).u32(0).u8(0).trailer(self.trailer)
    }
}

/// Opens a firewall's way from the test's port to the client, and says nothing else (48 octets; layout from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Null {
    /// Version of the protocol.
    pub version: u16,
    /// Its end.
    pub trailer: Trailer,
}

impl Null {
    /// Octets.
    pub const LEN: usize = 48;

    /// Reads one.
    ///
    /// # Errors
    /// [`CapacityError`].
    pub fn parse(octets: &[u8]) -> Result<Self, CapacityError> {
        let mut read = Reader::new(octets, NULL, Self::LEN, true)?;
        let version = read.u16();
        read.take::<3>();
        Ok(Self { version, trailer: read.trailer() })
    }

    /// Its octets, not signed.
    pub fn emit(&self) -> Vec<u8> {
        Writer::new(NULL).u16(self.version).u8(0).u8(0).u8(0).trailer(self.trailer)
    }
}
