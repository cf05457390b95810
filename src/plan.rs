//! The plan of a visit: which checks, in which order, beside what, for how long and with how much data.
//!
//! Pure: a [`Plan`] can be printed before anything is sent. It does not know the checks themselves, only their
//! [`Spec`]s, and no clock or socket.

pub mod budget;
pub mod order;
pub mod sizes;

use std::time::Duration;

use serde::{Deserialize, Serialize};

pub use self::sizes::Sizes;
pub use crate::unit::Depth;
use crate::unit::Stretch;

/// Something that one check learns and another needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Need {
    /// The port has carrier.
    Carrier,
    /// A PPPoE session's port is there.
    Session,
    /// The interface has an IPv4 address and a route.
    Address,
    /// The far end's control session is open.
    FarEnd,
}

impl Need {
    /// In words, for the reason of a `not-tested`.
    pub fn words(self) -> &'static str {
        match self {
            Self::Carrier => "carrier on the port",
            Self::Session => "a PPPoE session",
            Self::Address => "an IP address",
            Self::FarEnd => "a session with the far end",
        }
    }
}

/// How a check and the line's load get along.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Class {
    /// Needs an unloaded line; quiet checks run side by side.
    Quiet,
    /// Fills the line; runs alone among quiet and load checks.
    Load,
    /// Disturbs nothing and minds nothing.
    Free,
    /// Runs before all others, none of which starts meanwhile: it asks the test set itself.
    First,
}

/// What a check declares about itself.
#[derive(Debug, Clone, Copy)]
pub struct Spec {
    /// Name of the check: `echo`.
    pub name: &'static str,
    /// What must be known before it can start.
    pub needs: &'static [Need],
    /// What it finds out for others when it succeeds.
    pub gives: &'static [Need],
    /// Interference class.
    pub class: Class,
    /// Time and data it takes.
    pub cost: fn(&Volume) -> Cost,
}

/// What the size of a check depends on.
#[derive(Debug, Clone)]
pub struct Volume {
    /// Depth of the visit.
    pub depth: Depth,
    /// Length of one load phase after its start-up.
    pub load_time: Duration,
    /// Sold downstream rate in Mbit/s; what a load phase may be expected to move at most.
    pub sold_down_mbit: f64,
    /// Sold upstream rate in Mbit/s.
    pub sold_up_mbit: f64,
    /// Mbit/s of IP that the profile's own classes of service take each way; `None` leaves the usual ones.
    pub classes_mbit: Option<f64>,
    /// TV channels to listen to.
    pub tv: Option<TvVolume>,
    /// By how much more than usual checks sample.
    pub sizes: Sizes,
}

/// What listening to TV channels takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TvVolume {
    /// Channels that the profile names.
    pub channels: usize,
    /// Mbit/s of IP that the most that are listened to at once take.
    pub mbit: f64,
    /// Changes of channel at most.
    pub changes: u32,
    /// How long channels are held at the deepest test.
    pub hold: Duration,
}

impl Volume {
    /// A load may reach this share of what was sold: a line may give more than its name says.
    pub const MARGIN: f64 = 1.25;
    /// Rate that is planned for where none was sold, Mbit/s.
    const ASSUMED_MBIT: f64 = 1000.0;

    /// Octets that loads of this time each way may move together.
    pub fn octets(&self, time: Duration) -> u64 {
        let way = |mbit: f64| {
            let mbit = if mbit > 0.0 { mbit * Self::MARGIN } else { Self::ASSUMED_MBIT };
            (mbit * 1e6 / 8.0 * time.as_secs_f64()) as u64
        };
        way(self.sold_down_mbit) + way(self.sold_up_mbit)
    }
}

/// Time and data of one step.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Cost {
    /// Expected time on a healthy line.
    pub time: Duration,
    /// Octets moved at most, both directions, at the sold rate.
    pub octets: u64,
}

/// One planned check.
#[derive(Debug, Clone, Copy)]
pub struct Step {
    /// The check's declaration.
    pub spec: Spec,
    /// What it will take as planned.
    pub cost: Cost,
    /// How far it may go, where it ends once what rests on its figures is certain.
    pub stretch: Option<Stretch>,
}

impl Step {
    /// Time and data if it takes so many times what is planned.
    pub fn stretched(&self, times: f64) -> Cost {
        Cost { time: self.cost.time.mul_f64(times), octets: (self.cost.octets as f64 * times) as u64 }
    }

    /// Time and data at most.
    pub fn most(&self) -> Cost {
        self.stretch.map_or(self.cost, |stretch| self.stretched(stretch.most()))
    }
}

/// The steps of a visit in registry order; [`order::Progress`] says when each may start.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The steps.
    pub steps: Vec<Step>,
    /// Checks left out before the start, with the reason.
    pub left_out: Vec<(Spec, String)>,
}
