//! Where an axis has its marks, and what is written at them.

use jiff::civil::Date;

use super::{Axis, Scale};
use crate::reading::words;

impl Axis {
    /// From zero to a round number not below the largest value.
    pub(super) fn from_zero(label: impl Into<String>, largest: f64) -> Self {
        let step = step(largest.max(f64::MIN_POSITIVE));
        Self { label: label.into(), low: 0.0, high: (largest / step).ceil().max(1.0) * step, scale: Scale::Even }
    }

    /// Over round numbers that hold all values, from zero where none is below it.
    pub(crate) fn over(label: impl Into<String>, least: f64, largest: f64) -> Self {
        if least >= 0.0 {
            return Self::from_zero(label, largest);
        }
        let step = step((largest - least).max(f64::MIN_POSITIVE));
        let (low, high) = ((least / step).floor() * step, (largest / step).ceil() * step);
        Self { label: label.into(), low, high: high.max(low + step), scale: Scale::Even }
    }

    /// Days since 1970-01-01, marked as dates.
    pub(crate) fn dates(label: impl Into<String>, low: f64, high: f64) -> Self {
        Self { label: label.into(), low, high: high.max(low + 1.0 / 24.0), scale: Scale::Dates }
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
            Scale::Even | Scale::Dates => (value - self.low) / (self.high - self.low),
            Scale::Decades => (value.max(self.low) / self.low).log10() / (self.high / self.low).log10(),
        };
        if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 }
    }

    /// The marks with their words, ascending.
    pub(super) fn marks(&self) -> Vec<(f64, String)> {
        let at: Vec<f64> = match self.scale {
            Scale::Dates => return dates(self.low, self.high),
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

/// Marks of days, or of the first of months once there are many.
fn dates(low: f64, high: f64) -> Vec<(f64, String)> {
    const MOST: f64 = 8.0;
    let days = high - low;
    let day = |at: f64| {
        let span = jiff::Span::new().try_days(at as i64);
        span.and_then(|span| Date::constant(1970, 1, 1).checked_add(span)).unwrap_or(Date::ZERO)
    };
    let within = |at: &f64| *at >= low - 1e-9 && *at <= high + 1e-9;
    if let Some(step) = [0.25, 0.5, 1.0, 2.0, 7.0, 14.0].into_iter().find(|step| days / step <= MOST) {
        // Weeks begin on Mondays; 1970-01-05 was the first of them.
        let begin = if step >= 7.0 { 4.0 } else { 0.0 };
        let first = ((low - begin) / step).ceil() as i64;
        let all = (first..).map(|n| begin + n as f64 * step).take_while(|at| *at <= high + 1e-9);
        let words = |at: f64| match at.fract() {
            0.0 => day(at).strftime("%-d %b").to_string(),
            part => format!("{:02.0}:00", part * 24.0),
        };
        return all.filter(within).map(|at| (at, words(at))).collect();
    }
    let months = [1, 2, 3, 6, 12, 24, 60, 120].into_iter().find(|step| days / 30.4 / f64::from(*step) <= MOST).unwrap_or(120);
    let mut at = day(low).first_of_year();
    let mut marks = Vec::new();
    loop {
        let place = at.duration_since(Date::constant(1970, 1, 1)).as_secs_f64() / 86_400.0;
        if place > high {
            return marks;
        }
        let words = if at.month() == 1 { at.strftime("%Y") } else { at.strftime("%b") };
        marks.push((place, words.to_string()));
        marks.retain(|(at, _)| within(at));
        let Ok(next) = at.checked_add(jiff::Span::new().months(months)) else { return marks };
        at = next;
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
    fn dates_are_marked_at_midnights_mondays_and_firsts() {
        let day = |text: &str| text.parse::<Date>().unwrap().duration_since(Date::constant(1970, 1, 1)).as_secs_f64() / 86_400.0;
        let words =
            |from: f64, to: f64| Axis::dates("", from, to).marks().into_iter().map(|(_, words)| words).collect::<Vec<_>>();
        let from = day("2026-01-05");
        assert_eq!(words(from, from + 1.0), ["5 Jan", "06:00", "12:00", "18:00", "6 Jan"]);
        assert_eq!(words(from, from + 7.0).len(), 8);
        // Mondays by a calendar.
        assert_eq!(words(from + 2.0, from + 30.0), ["12 Jan", "19 Jan", "26 Jan", "2 Feb"]);
        assert_eq!(words(from, from + 365.0), ["Mar", "May", "Jul", "Sep", "Nov", "2027"]);
        let below = Axis::over("", -31.5, -20.0);
        assert!(below.low <= -31.5 && below.high >= -20.0 && below.marks().len() >= 3, "{:?}", below.marks());
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
