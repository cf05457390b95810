//! Where an axis has its marks, and what is written at them.

use super::{Axis, Scale};
use crate::reading::words;

impl Axis {
    /// From zero to a round number not below the largest value.
    pub(super) fn from_zero(label: impl Into<String>, largest: f64) -> Self {
        let step = step(largest.max(f64::MIN_POSITIVE));
        Self { label: label.into(), low: 0.0, high: (largest / step).ceil().max(1.0) * step, scale: Scale::Even }
    }

    /// Over the powers of ten that hold both values, cut at 1, 2 and 5.
    pub(super) fn decades(label: impl Into<String>, least: f64, largest: f64) -> Self {
        let below = |value: f64| {
            let power = 10_f64.powf(value.log10().floor());
            [5.0, 2.0, 1.0].into_iter().map(|n| n * power).find(|n| *n <= value * 1.000_001).unwrap_or(power)
        };
        let above = |value: f64| {
            let power = 10_f64.powf(value.log10().floor());
            [1.0, 2.0, 5.0, 10.0].into_iter().map(|n| n * power).find(|n| *n >= value * 0.999_999).unwrap_or(power * 10.0)
        };
        let (low, high) = (below(least), above(largest));
        Self { label: label.into(), low, high: if high > low { high } else { low * 10.0 }, scale: Scale::Decades }
    }

    /// The place of a value, 0 at the beginning and 1 at the end; values beyond are put to the ends.
    pub(super) fn place(&self, value: f64) -> f64 {
        let share = match self.scale {
            Scale::Even => (value - self.low) / (self.high - self.low),
            Scale::Decades => (value.max(self.low) / self.low).log10() / (self.high / self.low).log10(),
        };
        if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 }
    }

    /// The marks with their words, ascending.
    pub(super) fn marks(&self) -> Vec<(f64, String)> {
        let at: Vec<f64> = match self.scale {
            Scale::Even => {
                let step = step(self.high - self.low);
                (0..=((self.high - self.low) / step).round() as usize).map(|n| self.low + n as f64 * step).collect()
            }
            Scale::Decades => {
                let steps: &[f64] = if self.high / self.low > 150.0 { &[1.0] } else { &[1.0, 2.0, 5.0] };
                let (from, to) = (self.low.log10().floor() as i32, self.high.log10().ceil() as i32);
                let all = (from..=to).flat_map(|power| steps.iter().map(move |n| n * 10_f64.powi(power)));
                all.filter(|at| *at >= self.low * 0.999 && *at <= self.high * 1.001).collect()
            }
        };
        at.into_iter().map(|at| (at, words::significant((at * 1e9).round() / 1e9))).collect()
    }
}

/// A round step that divides a range into two to five.
fn step(range: f64) -> f64 {
    let power = 10_f64.powf((range / 5.0).log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|n| n * power).find(|step| range / step <= 5.000_001).unwrap_or(power * 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_round_and_cover_the_largest_value() {
        for (largest, high, count) in [(941.5, 1000.0, 6), (0.37, 0.4, 5), (48.3, 50.0, 6), (1.0, 1.0, 6), (12.0, 15.0, 4)] {
            let axis = Axis::from_zero("", largest);
            assert!((axis.high - high).abs() < 1e-9 && axis.marks().len() == count, "{largest}: {:?} {:?}", axis, axis.marks());
        }
        // A line that carries nothing still has an axis.
        assert!(Axis::from_zero("", 0.0).marks().len() >= 2);
    }

    #[test]
    fn equal_ratios_are_equal_lengths() {
        let axis = Axis::decades("", 1.0, 100.0);
        assert!((axis.place(10.0) - 0.5).abs() < 1e-12);
        let words: Vec<String> = axis.marks().into_iter().map(|(_, words)| words).collect();
        assert_eq!(words, ["1", "2", "5", "10", "20", "50", "100"]);
        assert_eq!((axis.place(0.1), axis.place(1e6)), (0.0, 1.0));
    }
}
