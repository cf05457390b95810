//! How far a check may fall short of its plan, and how far go beyond it, where it ends once what rests on its figures is certain.

/// The bounds of such a check, as multiples of the samples that were planned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    most: f64,
}

impl Stretch {
    /// It never ends before this share of its plan *(ours)*: a figure from fewer samples tells nobody where a fault lies, nor whether losses cluster.
    pub const LEAST: f64 = 0.25;
    /// It never goes on beyond four times its plan *(ours)*: twice as sharp an interval, for four times the patience.
    pub const USUAL: Self = Self { most: 4.0 };
    /// Looks that one stream gets at most: seven up to its plan, twelve beyond it, and one where it is broken off.
    pub const LOOKS: u32 = 20;

    /// Up to this multiple of the plan, at least the plan itself and never more than the usual.
    pub fn up_to(most: f64) -> Self {
        Self { most: most.clamp(1.0, Self::USUAL.most) }
    }

    /// The largest multiple of the plan.
    pub fn most(self) -> f64 {
        self.most
    }

    /// Samples at most.
    pub fn most_of(self, planned: u64) -> u64 {
        (planned as f64 * self.most) as u64
    }

    /// Samples after which one looks next, when so many are there: each eighth of the plan from a quarter on, and beyond it each time that
    /// they have grown by an eighth.
    pub fn next_look(self, planned: u64, taken: u64) -> u64 {
        let plan = planned as f64;
        let up_to_it = (2..=8).map(|eighths| f64::from(eighths) / 8.0);
        let beyond = std::iter::successors(Some(1.125), |times| Some(times * 1.125)).take_while(|times| *times < self.most);
        let mut looks = up_to_it.chain(beyond).map(|times| (plan * times).ceil() as u64);
        looks.find(|look| *look > taken).unwrap_or_else(|| self.most_of(planned))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn looks_come_at_each_eighth_and_then_grow_by_one() {
        let mut looks = vec![0];
        while looks.last().is_none_or(|look| *look < 4000) {
            looks.push(Stretch::USUAL.next_look(1000, *looks.last().unwrap()));
        }
        assert_eq!(looks[1..9], [250, 375, 500, 625, 750, 875, 1000, 1125]);
        assert_eq!(looks.last(), Some(&4000));
        // Without the zero that they begin with; one more where the stream is broken off.
        assert_eq!(looks.len() as u32, Stretch::LOOKS);
    }

    #[test]
    fn a_small_budget_leaves_the_plan_and_a_large_one_no_more_than_the_usual() {
        assert_eq!([0.2, 1.0, 2.5, 9.0].map(|most| Stretch::up_to(most).most_of(1000)), [1000, 1000, 2500, 4000]);
        assert_eq!(Stretch::up_to(1.0).next_look(1000, 1000), 1000);
    }
}
