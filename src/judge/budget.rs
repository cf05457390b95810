//! What the line's own rate can give as TCP payload, step by step, beside what the port carries and what was sold.
//!
//! The line's rate was typed in, so the result is an expectation to hold measured figures against, never a verdict.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::sold::{Term, of_line, of_port, of_sold};
use crate::line::{Encapsulation, FullPacket, LineFacts, TcpOptions, Technology, frame_rate};
use crate::profile::Profile;
use crate::reading::words::grouped;
use crate::unit::{Direction, Family};

/// The speed budget of one direction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RateBudget {
    /// Which way.
    pub direction: Direction,
    /// The line's rate as typed in, Mbit/s.
    pub line_mbit: f64,
    /// The largest TCP payload rate that the line's rate can give, Mbit/s.
    pub line_payload_mbit: f64,
    /// The largest that line, port and what was sold let through together, Mbit/s.
    pub expected_mbit: f64,
    /// Which of them is the smallest.
    pub bound_by: BoundBy,
    /// The arithmetic, a step to each entry.
    pub steps: Vec<String>,
}

/// What bounds an expected rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BoundBy {
    /// The access line's rate.
    Line,
    /// The handoff port.
    Port,
    /// The rate sold.
    Sold,
}

impl BoundBy {
    fn words(self) -> &'static str {
        match self {
            Self::Line => "the line's own rate",
            Self::Port => "the port",
            Self::Sold => "what was sold",
        }
    }
}

/// The budgets of the directions whose line rate was typed in, over one IP version.
pub fn budgets(profile: Option<&Profile>, facts: &LineFacts, family: Family) -> Vec<RateBudget> {
    let service = profile.map_or_else(Encapsulation::default, |p| p.line.clone());
    let budget = |direction| budget(&service, profile, facts, direction, family);
    [Direction::Down, Direction::Up].into_iter().filter_map(budget).collect()
}

/// TCP payload that the typed line rate can give, as a share of what the sold rate can give at the port.
pub fn share_of_sold(profile: &Profile, facts: &LineFacts, direction: Direction) -> Option<f64> {
    let sold = super::sold::sold_rate(profile, direction, Family::Ipv4)?.payload_mbit;
    let line = budget(&profile.line, Some(profile), facts, direction, Family::Ipv4)?.line_payload_mbit;
    (sold > 0.0).then(|| line / sold)
}

/// The TCP payload rate that line, port and what was sold let through together, as a limit can be set on it.
///
/// # Errors
/// Where the line agrees on its rate with the provider's side and nobody typed it in: what is missing, in words.
pub(super) fn expected(
    profile: &Profile,
    facts: Option<&LineFacts>,
    direction: Direction,
    family: Family,
) -> Result<Term, &'static str> {
    let technology = facts.map_or(profile.line.technology, |facts| facts.technology.carriage());
    let typed =
        facts.and_then(|facts| Some((facts.way(direction).rate_mbit?, facts.carried_as(&profile.line), facts.kind_in_words())));
    let line = match (typed, technology.fixed_mbit(direction)) {
        (Some((mbit, carried, name)), _) => Some(of_line(&carried, mbit, &name, family)),
        (None, Some(mbit)) => Some(of_line(&profile.line, mbit, "passive optical", family)),
        (None, None) if technology == Technology::Ethernet => None,
        (None, None) => return Err("the rate of the access line itself is not known"),
    };
    let terms = [line, Some(of_port(&profile.line, family)), of_sold(profile, direction, family)];
    // The port is always among them.
    terms.into_iter().flatten().min_by(|a, b| a.mbit.total_cmp(&b.mbit)).ok_or("nothing bounds the rate")
}

fn budget(
    service: &Encapsulation,
    profile: Option<&Profile>,
    facts: &LineFacts,
    direction: Direction,
    family: Family,
) -> Option<RateBudget> {
    let line_mbit = facts.way(direction).rate_mbit?;
    let carried = facts.carried_as(service);
    let packet = FullPacket::new(&carried, family, TcpOptions::TimeStamps);
    let line = of_line(&carried, line_mbit, &facts.kind_in_words(), family);
    let port = of_port(service, family);
    let sold = profile.and_then(|p| of_sold(p, direction, family));
    let frame = packet.port_frame();
    let frames = grouped(frame_rate(service.port_mbit, frame));
    let mut steps = vec![
        format!("a full packet takes {}", packet.sum_in_words()),
        packet.payload_in_words(),
        line.words.clone(),
        format!("{}, in {frames} frames of {} octets a second", port.words, grouped(f64::from(frame))),
    ];
    steps.extend(sold.as_ref().map(|term| term.words.clone()));
    let terms: [(BoundBy, Option<Term>); 3] =
        [(BoundBy::Line, Some(line.clone())), (BoundBy::Port, Some(port)), (BoundBy::Sold, sold)];
    let (bound_by, expected_mbit) =
        terms.into_iter().filter_map(|(by, term)| Some((by, term?.mbit))).min_by(|a, b| a.1.total_cmp(&b.1))?;
    steps.push(format!("the smallest is {}: expect at most {}", bound_by.words(), super::sold::rate(expected_mbit)));
    Some(RateBudget { direction, line_mbit, line_payload_mbit: line.mbit, expected_mbit, bound_by, steps })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{line, profile};

    fn facts(text: &str) -> LineFacts {
        line::parse(text, "test").unwrap()
    }

    #[test]
    fn the_steps_lead_from_the_sync_rate_to_the_expected_payload() {
        let tier = profile::load("vdsl-100-40").unwrap();
        let typed = facts("technology = \"vdsl2\"\nprofile = \"17a\"\n[down]\nrate = 90\n[up]\nrate = 45\n");
        let budgets = budgets(Some(&tier), &typed, Family::Ipv4);
        assert_eq!(
            budgets[0].steps,
            [
                "a full packet takes 1,492 IP + 8 PPPoE + 4 VLAN + 14 Ethernet + 4 frame check + 4 PTM flags and check = 1,526 \
                 octets, x 65 / 64 = 1,549.8",
                "1,492 - 20 IPv4 - 20 TCP - 12 TCP time stamps = 1,440 octets of TCP payload",
                "the VDSL2 17a line gives 90 Mbit/s x 1,440 / 1,549.8 = 83.6 Mbit/s of TCP payload",
                "the port carries no more than 1000 Mbit/s x 1,440 / 1,530 = 941.2 Mbit/s of TCP payload, in 81,699 frames of \
                 1,510 octets a second",
                "100 Mbit/s x 1,440 / 1,492 = 96.5 Mbit/s of TCP payload in what is sold (IP)",
                "the smallest is the line's own rate: expect at most 83.6 Mbit/s",
            ]
        );
        assert_eq!([budgets[0].bound_by, budgets[1].bound_by], [BoundBy::Line, BoundBy::Sold]);
        let share = share_of_sold(&tier, &typed, Direction::Down).unwrap();
        assert!((share - (90.0 / 1549.84375) / (100.0 / 1492.0)).abs() < 1e-9, "{share}");
    }

    #[test]
    fn a_limit_is_set_on_the_smallest_of_line_port_and_sold_rate() {
        let tier = profile::load("vdsl-100-40").unwrap();
        let slow = facts("technology = \"vdsl2\"\n[down]\nrate = 90\n[up]\nrate = 45\n");
        let of = |facts, direction| expected(&tier, facts, direction, Family::Ipv4).map(|term| (term.mbit * 10.0).round() / 10.0);
        assert_eq!(of(Some(&slow), Direction::Down), Ok(83.6), "the line's 90 Mbit/s");
        assert_eq!(of(Some(&slow), Direction::Up), Ok(38.6), "40 x 1,440 / 1,492, what was sold");
        assert!(of(None, Direction::Down).is_err(), "a line that agrees on its rate, and nobody typed it in");
        // The fibre's rate is the standard's, and the port lets less through: 1000 x 1,448 / 1,538.
        let fibre = profile::load("fibre-1000-500").unwrap();
        let term = expected(&fibre, None, Direction::Down, Family::Ipv4).unwrap();
        assert!((term.mbit - 941.482).abs() < 0.001 && term.words.starts_with("the port carries"), "{term:?}");
    }

    #[test]
    fn without_a_tier_line_and_port_bound_it() {
        let typed = facts("technology = \"gpon\"\n[down]\nrate = 2488.32\n");
        let budgets = budgets(None, &typed, Family::Ipv6);
        assert_eq!(budgets.len(), 1);
        assert_eq!(budgets[0].bound_by, BoundBy::Port);
        assert!((budgets[0].line_payload_mbit - 2488.32 * 1428.0 / 1523.0).abs() < 1e-9);
        assert!((budgets[0].expected_mbit - 928.48).abs() < 0.005);
    }
}
