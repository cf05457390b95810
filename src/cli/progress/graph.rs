//! A figure's course in a row of characters: newest at the right, the foot of the row is 0.
//!
//! Pure: it must not know where it is shown.

/// Heights from nearly nothing to the greatest value shown.
const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// The same for terminals whose character set has no blocks.
const ASCII: [char; 8] = ['_', '.', ',', '-', '~', '=', '*', '#'];

/// Which characters a graph may be made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Signs {
    /// Unicode's block elements.
    Blocks,
    /// Characters that every terminal has.
    Ascii,
}

/// The last values of one course.
#[derive(Debug, Default)]
pub(super) struct Course {
    of: String,
    values: Vec<f64>,
}

impl Course {
    /// Takes in the next value; a course of something else begins anew.
    pub(super) fn add(&mut self, of: &str, value: f64) {
        if self.of != of {
            self.of = of.to_owned();
            self.values.clear();
        }
        self.values.push(value);
    }

    /// The last `width` values, filled up with blanks on the left. Heights are shares of the greatest value shown.
    pub(super) fn draw(&self, width: usize, signs: Signs) -> String {
        let shown = &self.values[self.values.len().saturating_sub(width)..];
        let top = shown.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max);
        let signs = match signs {
            Signs::Blocks => BLOCKS,
            Signs::Ascii => ASCII,
        };
        let height = |value: f64| {
            let share = if top > 0.0 { (value / top).clamp(0.0, 1.0) } else { 0.0 };
            signs[((share * 8.0).ceil() as usize).clamp(1, 8) - 1]
        };
        let blank = std::iter::repeat_n(' ', width - shown.len());
        blank.chain(shown.iter().map(|value| height(*value))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(values: &[f64]) -> Course {
        let mut course = Course::default();
        values.iter().for_each(|value| course.add("down", *value));
        course
    }

    #[test]
    fn heights_are_shares_of_the_greatest_value_shown() {
        let course = course(&[0.0, 25.0, 50.0, 100.0]);
        assert_eq!(course.draw(6, Signs::Blocks), "  ▁▂▄█");
        assert_eq!(course.draw(6, Signs::Ascii), "  _.-#");
        // What has scrolled out does not count any more.
        assert_eq!(self::course(&[800.0, 1.0, 1.0]).draw(2, Signs::Blocks), "██");
    }

    #[test]
    fn another_course_begins_anew() {
        let mut course = course(&[1.0, 2.0]);
        course.add("up", 5.0);
        assert_eq!(course.draw(3, Signs::Blocks), "  █");
    }

    #[test]
    fn no_values_zeros_and_broken_values_are_drawn_too() {
        assert_eq!(Course::default().draw(3, Signs::Blocks), "   ");
        assert_eq!(course(&[0.0, 0.0]).draw(2, Signs::Blocks), "▁▁");
        assert_eq!(course(&[f64::NAN, f64::INFINITY, 1.0]).draw(3, Signs::Blocks).chars().count(), 3);
    }
}
