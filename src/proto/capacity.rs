//! IP-layer capacity over UDP: the method of RFC 9097 with the protocol of RFC 9946, both sides.
//!
//! [`client`] and [`server`] agree on a test; a [`flow::Flow`] then runs on each side, which is a [`sending::Sender`] or a
//! [`receiving::Receiver`] of load, and at the server an [`adjust::Adjuster`] that moves along the [`table`] of rates. Nothing here
//! knows a socket or a clock: octets and times in, octets and the next time out.

pub mod adjust;
pub mod client;
pub mod flow;
pub mod receiving;
pub mod sending;
pub mod server;
pub mod table;
#[cfg(test)]
mod tests;

use std::time::Duration;

use crate::wire::capacity::Activation;

/// What a test is run with: the parameters of RFC 9097 section 8.1, table 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Terms {
    /// Test time (I).
    pub time: Duration,
    /// Sub-interval (dt).
    pub sub_interval: Duration,
    /// Feedback interval (FT).
    pub feedback: Duration,
    /// Delay range below which the rate may rise.
    pub low: Duration,
    /// Delay range above which it must fall.
    pub high: Duration,
    /// Lost packets, and others out of order, up to which a report is good.
    pub sequence_errors: u16,
    /// Bad reports in a row that mean congestion.
    pub bad_reports: u16,
    /// Rows that a fast rise takes.
    pub fast_rows: u8,
    /// Whether reordering and duplicates are ignored.
    pub ignores_order: bool,
    /// Row of the rate table to begin at, or to stay at; `None` begins at the lowest.
    pub row: Option<Row>,
    /// DSCP of the load.
    pub dscp: u8,
}

/// A row of the rate table that the client asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Row {
    /// To begin at.
    From(u16),
    /// To stay at: only where the capacity is certain (RFC 9946 section 5.1).
    Fixed(u16),
}

impl Row {
    /// Its number.
    pub fn number(self) -> usize {
        let (Self::From(row) | Self::Fixed(row)) = self;
        row.into()
    }
}

impl Default for Terms {
    /// The defaults of RFC 9097 section 8.1, table 1.
    fn default() -> Self {
        Self {
            time: Duration::from_secs(10),
            sub_interval: Duration::from_secs(1),
            feedback: Duration::from_millis(50),
            low: Duration::from_millis(30),
            high: Duration::from_millis(90),
            sequence_errors: 10,
            bad_reports: 3,
            fast_rows: 10,
            ignores_order: false,
            row: None,
            dscp: 0,
        }
    }
}

/// No row is asked for.
const ANY_ROW: u16 = 0xffff;
/// Modifier: the row is where to begin.
const STARTS_THERE: u8 = 1;

impl Terms {
    /// Writes them into an activation.
    fn into_activation(self, activation: &mut Activation) {
        let ms = |span: Duration| u16::try_from(span.as_millis()).unwrap_or(u16::MAX);
        activation.low_ms = ms(self.low);
        activation.high_ms = ms(self.high);
        activation.feedback_ms = ms(self.feedback);
        activation.test_s = u16::try_from(self.time.as_secs()).unwrap_or(u16::MAX);
        activation.class = self.dscp << 2;
        (activation.row, activation.modifiers) = match self.row {
            None => (ANY_ROW, 0),
            Some(Row::From(row)) => (row, STARTS_THERE),
            Some(Row::Fixed(row)) => (row, 0),
        };
        activation.fast_rows = self.fast_rows;
        activation.bad_reports = self.bad_reports;
        activation.sequence_errors = self.sequence_errors;
        activation.ignores_order = self.ignores_order;
        activation.sub_interval_ms = ms(self.sub_interval);
    }

    /// Reads them; `None` when one is outside of what table 1 calls safe, or of what a test needs.
    fn of_activation(activation: &Activation) -> Option<Self> {
        let ms = |value: u16| Duration::from_millis(value.into());
        let terms = Self {
            time: Duration::from_secs(activation.test_s.into()),
            sub_interval: ms(activation.sub_interval_ms),
            feedback: ms(activation.feedback_ms),
            low: ms(activation.low_ms),
            high: ms(activation.high_ms),
            sequence_errors: activation.sequence_errors,
            bad_reports: activation.bad_reports,
            fast_rows: activation.fast_rows,
            ignores_order: activation.ignores_order,
            row: match activation.row {
                ANY_ROW => None,
                row if activation.modifiers & STARTS_THERE != 0 => Some(Row::From(row)),
                row => Some(Row::Fixed(row)),
            },
            dscp: activation.class >> 2,
        };
        terms.is_sound().then_some(terms).filter(|_| activation.class & 3 == 0)
    }

    /// Whether every value lies where RFC 9097's table 1 calls it safe, and they fit each other.
    pub fn is_sound(&self) -> bool {
        let ms = |range: std::ops::RangeInclusive<u64>, span: Duration| range.contains(&(span.as_millis() as u64));
        (1..=60).contains(&self.time.as_secs())
            && ms(100..=10_000, self.sub_interval)
            && self.sub_interval <= self.time
            && ms(20..=250, self.feedback)
            && ms(1..=1000, self.low)
            && self.low < self.high
            && ms(2..=5000, self.high)
            && (2..=100).contains(&self.bad_reports)
            && (2..=30).contains(&self.fast_rows)
            && self.row.is_none_or(|row| row.number() < table::ROWS)
    }
}
