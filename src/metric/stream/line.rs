//! A straight line through points of which some lie far off: the median of all slopes (H. Theil, 1950; P. K. Sen, Journal of the American Statistical
//! Association 63, 1968; from memory), through the median of what is left.

/// The line, and how far each point lies above it.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Rise of y by x.
    pub slope: f64,
    /// For each point, in their order.
    pub residuals: Vec<f64>,
}

/// The line through points; `None` when fewer than two of them differ in x. The work grows with the square of their number.
pub fn through(points: &[(f64, f64)]) -> Option<Line> {
    let pairs = points.iter().enumerate().flat_map(|(at, one)| points[at + 1..].iter().map(move |other| (one, other)));
    let slopes = pairs.filter(|(one, other)| one.0 != other.0).map(|(one, other)| (other.1 - one.1) / (other.0 - one.0));
    let slope = median(slopes.collect())?;
    let levels: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    let level = median(levels.clone())?;
    Some(Line { slope, residuals: levels.iter().map(|one| one - level).collect() })
}

/// The middle one, the higher of two.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_that_lies_off_moves_nothing_else() {
        let mut points: Vec<(f64, f64)> = (0..64).map(|x| (f64::from(x), 3.0 * f64::from(x) + 7.0)).collect();
        points[20].1 += 500.0;
        points[63].1 -= 90.0;
        let line = through(&points).unwrap();
        assert_eq!(line.slope, 3.0);
        for (at, residual) in line.residuals.iter().enumerate() {
            let wanted = [(20, 500.0), (63, -90.0)].into_iter().find(|(place, _)| *place == at).map_or(0.0, |(_, off)| off);
            assert_eq!(*residual, wanted, "{at}");
        }
    }

    #[test]
    fn one_point_is_no_line() {
        assert_eq!(through(&[]), None);
        assert_eq!(through(&[(1.0, 1.0), (1.0, 5.0)]), None);
    }
}
