//! A criterion's limits as numbers, with the arithmetic in words where they follow from the sold rate.

use super::sold::{ip_rate, sold_rate};
use super::verdict::Limits;
use crate::profile::{Bound, Criterion, Profile};
use crate::reading::words::significant;
use crate::unit::Family;

/// The limits in the unit of the reading; `family` is that of the reading, IPv4 when it has none.
pub(super) fn limits_for(profile: &Profile, criterion: &Criterion, family: Option<Family>) -> Limits {
    let (at_least, computed) = match criterion.at_least {
        None => (None, None),
        Some(Bound::Absolute(value)) => (Some(value), None),
        Some(Bound::ShareOfSold(share)) => {
            // The profile's own checks refuse a share without a sold rate and a direction.
            let family = family.unwrap_or(Family::Ipv4);
            let words = |arithmetic: String| format!("{} per cent of this: {arithmetic}", significant(share * 100.0));
            let sold = criterion.direction.and_then(|direction| match criterion.reading.name {
                "capacity.ip_rate" => ip_rate(profile, direction, family).map(|term| (term.mbit, term.words)),
                _ => sold_rate(profile, direction, family).map(|sold| (sold.payload_mbit, sold.arithmetic)),
            });
            sold.map(|(mbit, arithmetic)| (share * mbit, words(arithmetic))).unzip()
        }
    };
    Limits { at_least, at_most: criterion.at_most, computed }
}
