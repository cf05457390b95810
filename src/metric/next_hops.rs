//! How many flows prove that all equal-cost next hops of a router were seen.
//!
//! A router that spreads flows over its next hops by a hash sends each new flow to any of them alike. Then seeing all is the
//! coupon collector's problem: after `n` flows to `k + 1` next hops, how likely was one missed? It knows no packets.

/// Flows to probe before a number of next hops is believed.
///
/// `probes(k)` flows that show only `k` next hops exclude that there are `k + 1`, so that the whole procedure (go on while the
/// rule asks for more) misses one of `K` equal next hops with a probability of at most `alpha`, for each `K` up to the most
/// that was asked for. Augustin, Friedman and Teixeira, "Measuring load-balanced paths in the Internet" (2007), and Veitch,
/// Augustin, Friedman and Teixeira, "Failure control in multipath route tracing" (2009), give the rule and a table for 95 %
/// (from memory).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoppingRule {
    /// The entry of `k` next hops, from 1.
    probes: Vec<u32>,
}

impl StoppingRule {
    /// The rule for a probability `alpha` (above 0, below 1) of missing one, for up to `most` next hops and then no further.
    pub fn new(alpha: f64, most: usize) -> Self {
        let alpha = alpha.clamp(1e-9, 0.5);
        let mut probes: Vec<u32> = Vec::with_capacity(most);
        for hops in 2..=most + 1 {
            probes.push(least(hops, &probes, alpha));
        }
        Self { probes }
    }

    /// Flows that must show no more than `found` next hops; for more than the rule was made for, its last entry.
    pub fn probes(&self, found: usize) -> u32 {
        let last = self.probes.len().saturating_sub(1);
        self.probes.get(found.saturating_sub(1).min(last)).copied().unwrap_or(0)
    }
}

/// The least number of flows at which a procedure that has seen all but one of `hops` may stop.
///
/// Walks the chances of having seen `j` of them after `n` flows; where the rule so far would have stopped is failure. What
/// is left of `alpha` bounds the last step.
fn least(hops: usize, rule: &[u32], alpha: f64) -> u32 {
    // chances[j]: j next hops seen and not stopped.
    let mut chances = vec![0.0; hops + 1];
    chances[1] = 1.0;
    let mut stopped = 0.0;
    let mut n = 1;
    loop {
        for (found, at) in rule.iter().enumerate().map(|(index, at)| (index + 1, *at)) {
            if at == n {
                stopped += std::mem::take(&mut chances[found]);
            }
        }
        let pending: f64 = chances[1..hops].iter().sum();
        let is_past = rule.last().is_none_or(|at| n > *at);
        // Earlier stops can't be undone here; they are far below `alpha`, but no loop may depend on it.
        if is_past && (stopped + pending <= alpha || pending <= alpha * 1e-3) {
            return n;
        }
        for found in (1..=hops).rev() {
            let stays = chances[found] * found as f64 / hops as f64;
            let comes = if found == 1 { 0.0 } else { chances[found - 1] * (hops - found + 1) as f64 / hops as f64 };
            chances[found] = stays + comes;
        }
        n += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chance that `n` flows miss at least one of `hops`, by inclusion and exclusion (coupon collector; textbook formula).
    fn missed(hops: u32, n: u32) -> f64 {
        let mut choose = 1.0;
        let mut sum = 0.0;
        for i in 1..hops {
            choose = choose * f64::from(hops - i + 1) / f64::from(i);
            let term = choose * (1.0 - f64::from(i) / f64::from(hops)).powi(n as i32);
            sum += if i % 2 == 1 { term } else { -term };
        }
        sum
    }

    /// The table for 95 % of Augustin, Friedman and Teixeira (2007), its first entries from memory, and the textbook formula.
    #[test]
    fn the_rule_at_95_per_cent_is_the_published_table() {
        const PUBLISHED: [u32; 10] = [6, 11, 16, 21, 27, 33, 38, 44, 51, 57];
        let rule = StoppingRule::new(0.05, 16);
        for (index, published) in PUBLISHED.iter().enumerate() {
            let found = index as u32 + 1;
            let by_formula = (1..).find(|n| missed(found + 1, *n) <= 0.05).unwrap();
            assert_eq!(by_formula, *published, "{found} found");
            // Ours also counts what was missed by stopping earlier, so it may ask for a flow more and never for one less.
            let ours = rule.probes(index + 1);
            assert!((*published..=published + 2).contains(&ours), "{found} found: {ours}, published {published}");
        }
        assert_eq!((rule.probes(1), rule.probes(2), rule.probes(3)), (6, 11, 16));
        assert_eq!(rule.probes(40), rule.probes(16), "no further");
    }

    /// Worked by hand: of two next hops n flows miss one with 2 / 2^n.
    #[test]
    fn two_next_hops_take_one_flow_more_than_the_logarithm() {
        for (alpha, flows) in [(0.05, 6), (0.01, 8), (0.001, 11)] {
            assert_eq!(StoppingRule::new(alpha, 1).probes(1), flows, "{alpha}");
        }
    }

    #[test]
    fn each_entry_asks_for_more_than_the_one_before() {
        for alpha in [0.2, 0.05, 0.003, 1e-6] {
            let rule = StoppingRule::new(alpha, 32);
            assert!((1..32).all(|found| rule.probes(found) < rule.probes(found + 1)), "{alpha}: {rule:?}");
        }
    }
}
