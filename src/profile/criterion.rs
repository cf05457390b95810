//! One limit of a profile: the figures that it selects, where it holds, and what follows when it is missed.
//!
//! Types only; [`super::checked`] reads them, the judge holds readings against them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::reading::Target;
use crate::reading::names::NameSpec;
use crate::unit::{AccessKind, Depth, Direction, Family, Load, Position};

/// What follows when a criterion is not met.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// The visit fails.
    Must,
    /// It is reported as a failure, but the visit does not fail for it.
    Should,
    /// It is reported beside the figure.
    Note,
}

impl Severity {
    /// The word as it stands in profiles and records.
    pub fn word(self) -> &'static str {
        match self {
            Self::Must => "must",
            Self::Should => "should",
            Self::Note => "note",
        }
    }
}

/// Which targets a criterion selects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TargetChoice {
    /// The gateway.
    Gateway,
    /// The provider's first hop.
    ProviderHop,
    /// The far end.
    FarEnd,
    /// Each resolver.
    EveryResolver,
    /// Each DHCP server.
    EveryServer,
}

impl TargetChoice {
    /// True when the criterion applies to a reading with this target.
    pub fn matches(self, target: Option<&Target>) -> bool {
        matches!(
            (self, target),
            (Self::Gateway, Some(Target::Gateway))
                | (Self::ProviderHop, Some(Target::ProviderHop))
                | (Self::FarEnd, Some(Target::FarEnd))
                | (Self::EveryResolver, Some(Target::Resolver(_)))
                | (Self::EveryServer, Some(Target::Server(_)))
        )
    }
}

/// A limit as the profile gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bound {
    /// In the unit of the reading.
    Absolute(f64),
    /// A share of the TCP payload rate that the sold rate can give on this handoff.
    ShareOfSold(f64),
    /// A share of the speed budget: the smallest TCP payload rate of what the access line's own rate, the handoff port and
    /// what was sold can give.
    ShareOfBudget(f64),
}

/// One limit of a profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Criterion {
    /// Name, unique in the profile.
    pub name: String,
    /// The figure that it limits.
    pub reading: &'static NameSpec,
    /// Only readings of these targets; `None` takes all.
    pub target: Option<TargetChoice>,
    /// Only readings of this direction; `None` takes all.
    pub direction: Option<Direction>,
    /// Only readings of this IP version; `None` takes all.
    pub family: Option<Family>,
    /// Only readings under this load; `None` takes those of the idle line, and for `throughput` figures all.
    pub load: Option<Load>,
    /// The figure must not be smaller.
    pub at_least: Option<Bound>,
    /// The figure must not be larger.
    pub at_most: Option<f64>,
    /// What follows when it is not met.
    pub severity: Severity,
    /// Where the limit comes from.
    pub basis: String,
    /// Depths at which it is judged; empty means all.
    pub depths: Vec<Depth>,
    /// Positions at which it is judged; empty means all.
    pub positions: Vec<Position>,
    /// Only on lines of this access; `None` is all.
    pub access: Option<AccessKind>,
}

/// Where and how hard a visit is: what decides which limits apply.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Setting {
    /// How hard it tests.
    pub depth: Depth,
    /// How the line gives its service.
    pub access: AccessKind,
    /// Where the agent is plugged in.
    pub position: Position,
}

impl Criterion {
    /// Whether it is judged in such a visit.
    pub fn applies(&self, setting: Setting) -> bool {
        (self.depths.is_empty() || self.depths.contains(&setting.depth))
            && (self.positions.is_empty() || self.positions.contains(&setting.position))
            && self.access.is_none_or(|wanted| wanted == setting.access)
    }
}
