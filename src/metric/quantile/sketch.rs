//! A histogram of delays as octets, to be kept and merged years later.
//!
//! After a version octet come counts as base-128 numbers (the form of LEB128, low groups first): lost, smallest, largest, sum (two parts), then one pair for each
//! bucket that holds something: how many buckets further it lies than the one before, and its count. A bucket's number follows from the layout that
//! the histogram has with three digits: 2,048 buckets of 1 ns, then 1,024 for each doubling. For 600 round trips these are some 300 octets.

use super::DelayHistogram;

const VERSION: u8 = 1;
/// Buckets of width 1 before the first doubling: the power of two above twice 10^3.
const FIRST: u64 = 2048;
const HALF: u64 = FIRST / 2;

impl DelayHistogram {
    /// The histogram as octets; see the module for their form.
    pub fn to_octets(&self) -> Vec<u8> {
        let mut out = vec![VERSION];
        for number in
            [self.lost, self.min_ns.unwrap_or(0), self.max_ns.unwrap_or(0), (self.sum_ns >> 64) as u64, self.sum_ns as u64]
        {
            put(&mut out, number);
        }
        let mut before = 0;
        for bucket in self.buckets.iter_recorded() {
            let number = number_of(bucket.value_iterated_to());
            put(&mut out, number - before);
            put(&mut out, bucket.count_at_value());
            before = number;
        }
        out
    }

    /// The histogram that [`DelayHistogram::to_octets`] wrote; `None` for anything else.
    pub fn from_octets(octets: &[u8]) -> Option<Self> {
        let (version, mut rest) = octets.split_first()?;
        if *version != VERSION {
            return None;
        }
        let [lost, min, max, high, low] = [(); 5].map(|()| take(&mut rest));
        let mut read = Self { lost: lost?, sum_ns: u128::from(high?) << 64 | u128::from(low?), ..Self::new() };
        let (min, max) = (min?, max?);
        let mut number = 0u64;
        while !rest.is_empty() {
            number = number.checked_add(take(&mut rest)?)?;
            let count = take(&mut rest)?;
            read.buckets.record_n(value_of(number)?, count).ok()?;
        }
        if !read.buckets.is_empty() {
            (read.min_ns, read.max_ns) = (Some(min), Some(max));
        }
        Some(read)
    }
}

/// The number of the bucket that a value lies in.
fn number_of(value: u64) -> u64 {
    let doublings = u64::from((value / FIRST).checked_ilog2().map_or(0, |log| log + 1));
    doublings * HALF + (value >> doublings)
}

/// A value of the bucket with this number.
fn value_of(number: u64) -> Option<u64> {
    let doublings = (number / HALF).saturating_sub(1);
    let within = number - doublings * HALF;
    (doublings <= 53).then(|| within << doublings)
}

fn put(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(number as u8 | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

fn take(rest: &mut &[u8]) -> Option<u64> {
    let mut number = 0u64;
    for shift in (0..70).step_by(7) {
        let (octet, more) = rest.split_first()?;
        *rest = more;
        let bits = u64::from(octet & 0x7f);
        if shift == 63 && bits > 1 {
            return None;
        }
        number |= bits << shift;
        if octet & 0x80 == 0 {
            return Some(number);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(values: &[u64]) -> DelayHistogram {
        let mut histogram = DelayHistogram::new();
        for value in values {
            histogram.record(*value);
        }
        histogram.record_lost();
        histogram
    }

    fn same(one: &DelayHistogram, other: &DelayHistogram) -> bool {
        let quantiles = |h: &DelayHistogram| (0..=100).map(|q| h.quantile(f64::from(q) / 100.0)).collect::<Vec<_>>();
        let exact = |h: &DelayHistogram| (h.len(), h.lost(), h.min(), h.max(), h.mean());
        quantiles(one) == quantiles(other) && exact(one) == exact(other)
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(values in prop::collection::vec(prop_oneof![0u64..5000, 0u64..1 << 40, Just(u64::MAX >> 1)], 0..200)) {
            let histogram = of(&values);
            let octets = histogram.to_octets();
            let read = DelayHistogram::from_octets(&octets).expect("own octets");
            prop_assert!(same(&histogram, &read));
            prop_assert_eq!(read.to_octets(), octets);
        }

        #[test]
        fn other_octets_are_refused_or_read_without_a_panic(octets in prop::collection::vec(any::<u8>(), 0..60)) {
            let _ = DelayHistogram::from_octets(&octets);
        }
    }

    #[test]
    fn parts_merged_are_the_whole() {
        let values: Vec<u64> = (1..4000u64).map(|i| 5_000_000 + (i * 7919) % 9_000_000).collect();
        let (first, second) = values.split_at(1500);
        let mut merged = DelayHistogram::from_octets(&of(first).to_octets()).unwrap();
        merged.merge(&DelayHistogram::from_octets(&of(second).to_octets()).unwrap());
        let mut whole = of(&values);
        whole.record_lost();
        assert!(same(&merged, &whole));
    }
}
