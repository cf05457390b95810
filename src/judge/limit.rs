//! A criterion's limits as numbers, with the arithmetic in words where they follow from the sold rate or the speed budget.

use super::budget;
use super::sold::{ip_rate, sold_rate};
use super::verdict::Limits;
use crate::line::LineFacts;
use crate::profile::{Bound, Criterion, Profile};
use crate::reading::words::significant;
use crate::unit::Family;

/// What limits are computed from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Basis<'a> {
    pub(super) profile: &'a Profile,
    /// What was typed in about the access line.
    pub(super) facts: Option<&'a LineFacts>,
}

impl Basis<'_> {
    /// The limits in the unit of the reading; `family` is that of the reading, IPv4 when it has none.
    ///
    /// # Errors
    /// Where a limit can't be computed: what is missing, in words.
    pub(super) fn limits_for(self, criterion: &Criterion, family: Option<Family>) -> Result<Limits, &'static str> {
        let family = family.unwrap_or(Family::Ipv4);
        // The profile's own checks refuse a share without a direction, and one of the sold rate without such a rate.
        let computed = match (criterion.at_least, criterion.direction) {
            (Some(Bound::ShareOfSold(share)), Some(direction)) => {
                let sold = match criterion.reading.name {
                    "capacity.ip_rate" => ip_rate(self.profile, direction, family).map(|term| (term.mbit, term.words)),
                    _ => sold_rate(self.profile, direction, family).map(|sold| (sold.payload_mbit, sold.arithmetic)),
                };
                sold.map(|(mbit, arithmetic)| (share, mbit, arithmetic))
            }
            (Some(Bound::ShareOfBudget(share)), Some(direction)) => {
                let budget = budget::expected(self.profile, self.facts, direction, family)?;
                Some((share, budget.mbit, format!("{} (the smallest of line, port and what was sold)", budget.words)))
            }
            _ => None,
        };
        let words = |share: f64, arithmetic| format!("{} per cent of this: {arithmetic}", significant(share * 100.0));
        let (at_least, computed) = match (criterion.at_least, computed) {
            (Some(Bound::Absolute(value)), _) => (Some(value), None),
            (_, Some((share, mbit, arithmetic))) => (Some(share * mbit), Some(words(share, arithmetic))),
            _ => (None, None),
        };
        Ok(Limits { at_least, at_most: criterion.at_most, computed })
    }
}
