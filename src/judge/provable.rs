//! What a visit of a depth can prove of each criterion, before anything is sent.
//!
//! A share needs as many samples as clear the limit when none is lost; a quantile as many as give it a bound (order statistics). What stands near its
//! limit needs more: how many, only the visit can tell.

use super::limit::Basis;
use super::remedy::samples_to_bound;
use super::verdict::Limits;
use crate::metric::loss_interval;
use crate::metric::sampling::Sampling;
use crate::profile::{Criterion, Profile, Setting, Severity};
use crate::reading::words;

/// What one criterion needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// Its name.
    pub criterion: String,
    /// What follows when it is not met.
    pub severity: Severity,
    /// The reading.
    pub reading: String,
    /// Its limits in words.
    pub limit: String,
    /// What proves it.
    pub needs: Needs,
    /// Samples that the visit takes on a healthy line, where that is known; where they end once enough is known, those that were planned.
    pub has: Option<u64>,
    /// Samples at most, where they go on until enough is known.
    pub most: Option<u64>,
    /// Judged at this depth, access and position.
    pub applies: bool,
}

/// What proves a criterion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needs {
    /// So many samples at least, none of them lost or all of them within the limit.
    Samples(u64),
    /// Looking is enough, or the samples are spread over a time that the depth sets.
    Look,
    /// No number of samples: a share that must be zero is never proven to be.
    Never,
}

impl Proof {
    /// True where the visit can't prove it, however good the line is.
    pub fn is_out_of_reach(&self) -> bool {
        match self.needs {
            Needs::Samples(needs) => self.most.or(self.has).is_some_and(|has| has < needs),
            Needs::Look => false,
            Needs::Never => true,
        }
    }
}

/// What each criterion of a profile needs; `samples` tells how many a reading gets at this depth, `until_certain` how many at most where they go on until
/// enough is known.
pub fn proofs(
    profile: &Profile,
    setting: Setting,
    samples: impl Fn(&str) -> Option<u64>,
    until_certain: impl Fn(&str) -> Option<u64>,
) -> Vec<Proof> {
    let proof = |criterion: &Criterion| {
        let computed = Basis { profile, facts: None }.limits_for(criterion, criterion.family);
        let limits = computed.as_ref().cloned().unwrap_or_default();
        let in_words =
            || limits.in_words(criterion.reading.name, criterion.reading.unit).unwrap_or_else(|| "no limit".to_owned());
        let (has, most) = (samples(criterion.reading.name), until_certain(criterion.reading.name));
        let sampling = Sampling { confidence: profile.confidence(), planned: has.filter(|_| most.is_some()) };
        Proof {
            criterion: criterion.name.clone(),
            severity: criterion.severity,
            reading: criterion.reading.name.to_owned(),
            // The line's rate is typed in at the visit.
            limit: computed
                .as_ref()
                .map_or_else(|_| "a share of what the line's own rate can give (--line)".to_owned(), |_| in_words()),
            needs: needs(criterion, &limits, sampling),
            has,
            most,
            applies: criterion.applies(setting),
        }
    };
    profile.criteria.iter().map(proof).collect()
}

pub(super) fn needs(criterion: &Criterion, limits: &Limits, sampling: Sampling) -> Needs {
    let name = criterion.reading.name;
    if let Some(q) = words::quantile(name) {
        return samples_to_bound(q, sampling).map_or(Needs::Never, Needs::Samples);
    }
    // Shares of samples, told by their name; an upper limit of one holds for any.
    match limits.at_most.filter(|most| name.ends_with("_ratio") && *most < 1.0) {
        Some(most) => loss_interval::samples_to_clear(0.0, most, sampling).map_or(Needs::Never, Needs::Samples),
        None => Needs::Look,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile;
    use crate::unit::Depth;

    fn of(depth: Depth, has: u64) -> Vec<Proof> {
        let profile = profile::load("fibre-250-50").unwrap();
        proofs(&profile, Setting { depth, ..Setting::default() }, |name| name.starts_with("twoway.").then_some(has), |_| None)
    }

    fn named<'a>(proofs: &'a [Proof], name: &str) -> &'a Proof {
        proofs.iter().find(|proof| proof.criterion == name).unwrap()
    }

    /// ln(0.025) / ln(1 - 0.001) = 3687.04 and ln(0.025) / ln(1 - 0.005) = 735.9: exact two-sided intervals of 95 % without loss. The largest of n bounds
    /// the 99.9th percentile from n = 3688 on, since 0.999^3688 is below 0.025, and the 95th from 72 on.
    #[test]
    fn samples_are_those_of_the_exact_intervals() {
        let soak = of(Depth::Soak, 15_000);
        assert_eq!(named(&soak, "loss, long run").needs, Needs::Samples(3688));
        assert_eq!(named(&soak, "loss").needs, Needs::Samples(736));
        assert_eq!(named(&soak, "delay").needs, Needs::Samples(72));
        let variation = named(&soak, "delay variation, long run");
        assert!(matches!(variation.needs, Needs::Samples(n) if (3687..=3689).contains(&n)), "{variation:?}");
        assert_eq!((named(&soak, "carrier").needs, named(&soak, "carrier").has), (Needs::Look, None));
    }

    #[test]
    fn what_a_depth_can_t_prove_is_told_and_what_is_judged_elsewhere() {
        let quick = of(Depth::Quick, 300);
        assert!(named(&quick, "loss, long run").is_out_of_reach() && !named(&quick, "loss, long run").applies);
        assert!(named(&quick, "loss, quick look").applies && !named(&quick, "loss, quick look").is_out_of_reach());
        assert!(!named(&quick, "login").applies, "of another access");
        assert_eq!(named(&quick, "rate down").limit, "at least 217.2 Mbit/s", "250 x 0.9 x 1,448 / 1,500");
    }

    #[test]
    fn a_share_that_must_be_zero_is_out_of_reach() {
        let text = "name = \"t\"\ntitle = \"t\"\n[[criterion]]\nname = \"c\"\nreading = \"twoway.loss_ratio\"\nat_most = 0\nseverity = \"must\"\nbasis = \"x\"\n";
        let profile = profile::parse(text, "test").unwrap_or_else(|error| panic!("{error}"));
        let proof = &proofs(&profile, Setting { depth: Depth::Soak, ..Setting::default() }, |_| Some(1_000_000), |_| None)[0];
        assert!(proof.is_out_of_reach(), "{proof:?}");
    }
}
