//! Whether more samples could change what follows from a check's figures, asked while it runs.
//!
//! The rule: enough is known once a limit that must be met is missed for certain, since then the visit fails whatever else comes; or once every limit on these
//! figures is met or missed for certain. Certain is what the verdict at the end goes by: the interval, which has to hold at every such moment
//! ([`crate::metric::sequential`]). Each criterion stands by itself here as there: no correction for their number.

use super::criterion::{on_interval, selects, softened};
use super::limit::Basis;
use super::provable::{self, Needs};
use super::verdict::{Limits, Verdict};
use crate::line::LineFacts;
use crate::profile::{Criterion, Profile, Setting, Severity};
use crate::reading::Reading;
use crate::reading::names::check_of;
use crate::unit::{Family, Interval};

/// What samples of one check can settle.
#[derive(Debug, Clone)]
pub struct Settling {
    open: Vec<Held>,
}

/// A criterion with its limits over either IP version.
#[derive(Debug, Clone)]
struct Held {
    criterion: Criterion,
    over_ipv4: Limits,
    over_ipv6: Limits,
}

/// The limits on this check's figures that samples can settle, in such a visit; `None` where there is none. Those of severity `note` are not waited for, nor
/// those that no number of samples proves.
pub fn settling(profile: &Profile, setting: Setting, facts: Option<&LineFacts>, check: &str) -> Option<Settling> {
    let basis = Basis { profile, facts };
    let held = |criterion: &Criterion| {
        let over = |family| basis.limits_for(criterion, Some(family)).ok();
        let (over_ipv4, over_ipv6) = (over(Family::Ipv4)?, over(Family::Ipv6)?);
        let is_provable = provable::needs(criterion, &over_ipv4, profile.confidence().into()) != Needs::Never;
        is_provable.then(|| Held { criterion: criterion.clone(), over_ipv4, over_ipv6 })
    };
    let applying =
        profile.criteria.iter().filter(|criterion| criterion.applies(setting) && check_of(criterion.reading.name) == check);
    let open: Vec<Held> = applying.filter(|criterion| criterion.severity != Severity::Note).filter_map(held).collect();
    (!open.is_empty()).then_some(Settling { open })
}

impl Settling {
    /// Whether it is settled what follows from these readings. A figure without any bound is not waited for: no number of samples gives it one.
    pub fn is_settled(&self, readings: &[Reading]) -> bool {
        let held = self.open.iter().flat_map(|held| held.held_against(readings));
        let (mut any, mut all) = (false, true);
        for (verdict, is_missed) in held {
            if is_missed {
                return true;
            }
            any = true;
            all &= verdict != Verdict::NotProven;
        }
        any && all
    }
}

impl Held {
    /// What the interval of each selected reading says, and whether the visit fails for it. A figure that something else bounded is settled too: more samples
    /// don't take that away.
    fn held_against<'a>(&'a self, readings: &'a [Reading]) -> impl Iterator<Item = (Verdict, bool)> + 'a {
        let selected = readings.iter().filter(|reading| selects(&self.criterion, reading));
        selected.filter(|reading| reading.low.is_some() || reading.high.is_some()).map(|reading| {
            let limits = if reading.family == Some(Family::Ipv6) { &self.over_ipv6 } else { &self.over_ipv4 };
            let interval = Interval { low: reading.low, high: reading.high, confidence: reading.confidence };
            let verdict = on_interval(interval, limits);
            let fails = softened(verdict, &self.criterion, reading) == Verdict::Fail;
            (verdict, fails && self.criterion.severity == Severity::Must)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::tests::{criterion, profile_with};
    use crate::reading::Limit;
    use crate::unit::Direction;

    fn loss(low: f64, high: Option<f64>) -> Reading {
        Reading::new("twoway.loss_ratio", low, 500, Interval { low: Some(low), high, confidence: 0.95 }).toward(Direction::Up)
    }

    fn delay(low: f64, high: f64) -> Reading {
        let interval = Interval { low: Some(low), high: Some(high), confidence: 0.95 };
        Reading::new("twoway.round_trip_p95", low, 500, interval)
    }

    fn of(criteria: &str) -> Option<Settling> {
        settling(&profile_with(criteria), Setting::default(), None, "twoway")
    }

    fn loss_and_delay() -> Settling {
        of(&(criterion("twoway.loss_ratio", "at_most = 0.01") + &criterion("twoway.round_trip_p95", "at_most = 50"))).unwrap()
    }

    #[test]
    fn a_missed_must_settles_and_else_all_have_to_be() {
        let settling = loss_and_delay();
        let (met, open, missed) = (loss(0.0, Some(0.009)), loss(0.0, None), loss(0.011, None));
        assert!(settling.is_settled(&[met.clone(), delay(10.0, 20.0)]));
        assert!(!settling.is_settled(&[open.clone(), delay(10.0, 20.0)]), "no upper bound yet");
        assert!(!settling.is_settled(&[met.clone(), delay(10.0, 60.0)]));
        assert!(settling.is_settled(&[missed, delay(10.0, 60.0)]), "the visit fails in any case");
        assert!(!settling.is_settled(&[met, open.toward(Direction::Down), delay(10.0, 20.0)]), "each direction for itself");
        assert!(!settling.is_settled(&[]));
    }

    #[test]
    fn what_the_test_set_bounded_ends_it_as_little_as_it_keeps_it_open() {
        let settling = loss_and_delay();
        let bounded = loss(0.02, Some(0.03)).limited_by(Limit::TestSet, "the receive queue dropped 9 packets");
        assert!(!settling.is_settled(&[bounded.clone(), delay(10.0, 60.0)]), "it is no failure of the line");
        assert!(settling.is_settled(&[bounded, delay(10.0, 20.0)]), "and more samples would not make it one");
    }

    #[test]
    fn what_no_sample_settles_is_not_asked_about() {
        assert!(of(&criterion("twoway.loss_ratio", "at_most = 0")).is_none(), "none lost is never proven");
        assert!(of(&criterion("dns.failure_ratio", "at_most = 0.1")).is_none(), "another check's");
        assert!(of(&criterion("twoway.loss_ratio", "at_most = 0.01\ndepth = [\"soak\"]")).is_none(), "another depth's");
        let note = criterion("twoway.loss_ratio", "at_most = 0.01").replace("must", "note");
        assert!(of(&note).is_none());
        // A description without an interval stays as it is, however long one looks.
        let settling =
            of(&(criterion("twoway.longest_loss", "at_most = 100") + &criterion("twoway.loss_ratio", "at_most = 0.01"))).unwrap();
        let none = Interval { low: None, high: None, confidence: 1.0 };
        assert!(settling.is_settled(&[Reading::new("twoway.longest_loss", 60.0, 500, none), loss(0.0, Some(0.009))]));
    }
}
