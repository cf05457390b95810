//! 10,000 made-up visits on lines whose truth is known: false fails and false passes are no more frequent than stated.

use super::*;
use crate::metric::quantile;
use crate::unit::chance::Chance;

pub(super) const VISITS: usize = 10_000;
/// Each verdict uses one end of a 95 % interval.
pub(super) const STATED: f64 = 0.025;

impl Chance {
    fn loss(&mut self, ratio: f64, direction: Direction) -> Reading {
        let lost = (0..1000).filter(|_| self.uniform() < ratio).count() as u64;
        Reading::new("twoway.loss_ratio", lost as f64 / 1000.0, 1000, clopper_pearson(lost, 1000, 0.95)).toward(direction)
    }

    /// The 95th percentile of 300 exponential delays whose true one is `ms`.
    fn delay(&mut self, ms: f64) -> Reading {
        let scale = ms / 20_f64.ln();
        let mut sample: Vec<f64> = (0..300).map(|_| -scale * (1.0 - self.uniform()).ln()).collect();
        sample.sort_by(f64::total_cmp);
        let interval = quantile::interval_of_sorted(&sample, 0, 0.95, 0.95);
        Reading::new("twoway.round_trip_p95", quantile::of_sorted(&sample, 0, 0.95).unwrap(), 300, interval)
    }
}

/// How many of the visits end so, and how many of their single verdicts on each criterion: loss down, loss up, delay.
fn ended(wanted: Verdict, ratio: f64, ms: f64) -> (usize, [usize; 3]) {
    let profile = profile_with(
        &(criterion("twoway.loss_ratio", "direction = \"down\"\nat_most = 0.005")
            + &criterion("twoway.loss_ratio", "direction = \"up\"\nat_most = 0.005")
            + &criterion("twoway.round_trip_p95", "at_most = 30")),
    );
    let mut chance = Chance(20_261_126);
    let (mut visits, mut each) = (0, [0; 3]);
    for _ in 0..VISITS {
        let outcome = done(vec![chance.loss(ratio, Direction::Down), chance.loss(ratio, Direction::Up), chance.delay(ms)]);
        let judgements = judge(&profile, Setting::default(), None, &[("twoway", &outcome)]);
        visits += usize::from(overall(&judgements) == wanted);
        for (count, judgement) in each.iter_mut().zip(&judgements) {
            *count += usize::from(judgement.verdict == wanted);
        }
    }
    (visits, each)
}

/// The most that chance makes of 10,000 at a share, but for 1 in 30,000: four deviations of the binomial.
pub(super) fn at_most(share: f64) -> usize {
    let n = VISITS as f64;
    (n * share + 4.0 * (n * share * (1.0 - share)).sqrt()) as usize
}

/// A line that stands on its limits meets them: the hardest case, since any better line fails less often.
#[test]
fn a_line_that_meets_its_limits_fails_no_more_often_than_stated() {
    let (visits, each) = ended(Verdict::Fail, 0.005, 30.0);
    assert!(each.iter().all(|count| *count <= at_most(STATED)), "{each:?}");
    // Three musts: each by itself, so the visit as a whole three times as often at most. Reports say so.
    assert!(visits <= at_most(3.0 * STATED), "{visits}");
    // A line that is some way inside, as sound lines are, does not fail at all.
    assert_eq!(ended(Verdict::Fail, 0.001, 20.0), (0, [0; 3]));
}

#[test]
fn a_line_that_misses_its_limits_passes_no_more_often_than_stated() {
    let (visits, each) = ended(Verdict::Pass, 0.005_001, 30.001);
    assert!(each.iter().all(|count| *count <= at_most(STATED)), "{each:?}");
    // All three would have to pass wrongly.
    assert!(visits <= at_most(STATED), "{visits}");
    assert_eq!(ended(Verdict::Pass, 0.02, 60.0), (0, [0; 3]));
}
