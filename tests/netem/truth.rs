//! What captures at both ends say became of each packet. Nothing here comes from the check.

use std::collections::{HashMap, HashSet};

/// One direction.
#[derive(Debug, Clone)]
pub(crate) struct Way {
    pub(crate) sent: usize,
    /// Packets that arrived at least once.
    pub(crate) distinct: usize,
    /// Arrivals, doubles among them.
    pub(crate) copies: usize,
    /// First copies that arrived behind one that was sent later (RFC 4737 section 3.3).
    pub(crate) reordered: usize,
    /// 95th percentile of the delay above the least (RFC 5481 section 4.2), of first copies.
    pub(crate) variation_p95_ms: f64,
    /// Median of the delay, of first copies: one machine, one clock.
    pub(crate) delay_p50_ms: f64,
}

/// A packet in a capture: time, sequence number.
type Seen = (f64, u32);

/// One direction's packets at both ends.
#[derive(Debug)]
pub(crate) struct Captured {
    sent: Vec<Seen>,
    arrived: Vec<Seen>,
}

impl Captured {
    /// Packets that the capture where they arrive has, closing ones among them: fewer here than the check counted is the capture's own loss.
    #[allow(dead_code, reason = "the bench asks, the test does not")]
    pub(crate) fn arrivals(&self) -> usize {
        self.arrived.len()
    }
}

/// Both ports, in the same order whoever sent.
fn ports(row: &[String; 4]) -> Vec<&str> {
    let mut ports: Vec<&str> = row[3].split(',').collect();
    ports.sort_unstable();
    ports
}

/// Both directions, out of the laptop's and the far end's capture.
pub(crate) fn captured([laptop, far_end]: &[Vec<[String; 4]>; 2]) -> [Captured; 2] {
    // The first four octets of a test packet are its sequence number (RFC 8762 sections 4.2 and 4.3).
    let number = |hex: &str| u32::from_str_radix(&hex.replace(':', "")[..8], 16).expect("hex");
    let from = |rows: &[[String; 4]], source: &str| -> Vec<Seen> {
        // The stream that was measured is the last one: a late packet of the one before may be in the capture too.
        let last = laptop.last().map(|row| ports(row));
        let of = |row: &&[String; 4]| row[1] == source && Some(ports(row)) == last;
        rows.iter().filter(of).map(|row| (row[0].parse().expect("a time"), number(&row[2]))).collect()
    };
    let (laptop_is, far_end_is) = (super::line::LAPTOP.to_string(), super::line::FAR_END.to_string());
    let up = Captured { sent: from(laptop, &laptop_is), arrived: from(far_end, &laptop_is) };
    let down = Captured { sent: from(far_end, &far_end_is), arrived: from(laptop, &far_end_is) };
    [up, down]
}

/// What became of the first `count` packets.
pub(crate) fn way(captured: &Captured, count: u64) -> Way {
    let start = captured.sent.iter().map(|(_, n)| *n).min().unwrap_or(0);
    let is_counted = |n: u32| u64::from(n - start) < count;
    let left: HashMap<u32, f64> = captured.sent.iter().filter(|(_, n)| is_counted(*n)).map(|(at, n)| (*n, *at)).collect();
    let (mut first, mut delays) = (Vec::new(), Vec::new());
    let copies: Vec<&Seen> = captured.arrived.iter().filter(|(_, n)| left.contains_key(n)).collect();
    let mut seen = HashSet::new();
    for (at, n) in &copies {
        if seen.insert(*n) {
            first.push(*n);
            delays.push((at - left[n]) * 1e3);
        }
    }
    let mut next = 0;
    let mut reordered = 0;
    for n in &first {
        // Section 3.3: next expected is one above the largest so far; what is smaller is reordered.
        if *n < next {
            reordered += 1;
        } else {
            next = n + 1;
        }
    }
    delays.sort_by(f64::total_cmp);
    let rank = (delays.len() as f64 * 0.95).ceil() as usize;
    let variation_p95_ms = delays.get(rank.max(1) - 1).map_or(f64::NAN, |delay| delay - delays[0]);
    let delay_p50_ms = delays.get(delays.len() / 2).copied().unwrap_or(f64::NAN);
    Way { sent: left.len(), distinct: first.len(), copies: copies.len(), reordered, variation_p95_ms, delay_p50_ms }
}
