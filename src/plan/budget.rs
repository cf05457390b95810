//! Time and data of a plan, and what to leave out when the data budget or the consent does not cover it.
//!
//! Pure: the expected time is found by running [`super::order::Progress`] on the steps' costs.

use std::time::Duration;

use super::order::{Progress, Turn};
use super::{Class, Need, Plan, Spec, Step, Volume};
use crate::unit::Stretch;

/// What bounds a plan beside its depth.
#[derive(Debug, Clone, Default)]
pub struct Bounds {
    /// Octets that the visit may move; `None` is unbounded.
    pub max_octets: Option<u64>,
    /// False when nobody agreed to filling the line.
    pub load_agreed: bool,
    /// Only these checks and what they need; `None` is all.
    pub only: Option<Vec<String>>,
    /// Checks that can't run for a reason known beforehand, with the reason.
    pub without: Vec<(&'static str, String)>,
    /// Checks that end once what rests on their figures is certain, and go on beyond their plan while it is not.
    pub until_certain: Vec<&'static str>,
}

/// Chooses the steps. Left out, each with its reason: loads without consent, what exceeds the data budget in the order
/// of the registry, and (silently) what [`Bounds::only`] does not ask for.
pub fn plan(specs: &[Spec], volume: &Volume, bounds: &Bounds) -> Plan {
    let mut plan = Plan { steps: Vec::new(), left_out: Vec::new() };
    let mut octets = 0_u64;
    for spec in wanted(specs, bounds.only.as_deref()) {
        let cost = (spec.cost)(volume);
        let reason = if let Some((_, reason)) = bounds.without.iter().find(|(name, _)| *name == spec.name) {
            Some(reason.clone())
        } else if spec.class == Class::Load && !bounds.load_agreed {
            Some("filling the line was not agreed to; ask the customer, then run again with --yes".to_owned())
        } else {
            let left = bounds.max_octets.map(|max| max.saturating_sub(octets));
            left.filter(|left| cost.octets > *left).map(|left| {
                format!("would move up to {}, but only {} of the data budget are left", megabytes(cost.octets), megabytes(left))
            })
        };
        match reason {
            Some(reason) => plan.left_out.push((spec, reason)),
            None => {
                octets += cost.octets;
                plan.steps.push(Step { spec, cost, stretch: None });
            }
        }
    }
    leave_out_what_can_never_start(&mut plan);
    stretch(&mut plan, bounds);
    plan
}

/// No check goes on longer than this to be certain *(ours)*: a far end forgets who asks nothing of it for a quarter of an hour, and so does a technician.
const PATIENCE: Duration = Duration::from_secs(600);

/// Lets checks go on until all is certain, in the order of the registry, as far as patience and the data budget leave room once every check has its own.
fn stretch(plan: &mut Plan, bounds: &Bounds) {
    let mut left = bounds.max_octets.map(|max| max.saturating_sub(plan.octets()));
    for step in plan.steps.iter_mut().filter(|step| bounds.until_certain.contains(&step.spec.name)) {
        let by_time = PATIENCE.as_secs_f64() / step.cost.time.as_secs_f64();
        let by_data = left.map_or(f64::INFINITY, |left| 1.0 + left as f64 / step.cost.octets as f64);
        step.stretch = Some(Stretch::up_to(by_time.min(by_data)));
        left = left.map(|left| left.saturating_sub(step.most().octets - step.cost.octets));
    }
}

/// Leaves out steps that need what only left-out steps would have given, with the reason of those.
fn leave_out_what_can_never_start(plan: &mut Plan) {
    loop {
        let given: Vec<Need> = plan.steps.iter().flat_map(|s| s.spec.gives).copied().collect();
        let missing = |step: &Step| step.spec.needs.iter().copied().find(|need| !given.contains(need));
        let Some((at, need)) = plan.steps.iter().enumerate().find_map(|(at, step)| Some((at, missing(step)?))) else { return };
        let why = plan.left_out.iter().find(|(spec, _)| spec.gives.contains(&need)).map(|(_, reason)| reason.clone());
        let reason = why.map_or_else(|| format!("needs {}", need.words()), |why| format!("needs {}: {why}", need.words()));
        let step = plan.steps.remove(at);
        plan.left_out.push((step.spec, reason));
    }
}

/// The wanted specs and, transitively, those that give what they need.
fn wanted(specs: &[Spec], only: Option<&[String]>) -> Vec<Spec> {
    let Some(only) = only else { return specs.to_vec() };
    let mut keep: Vec<bool> = specs.iter().map(|s| only.iter().any(|name| name == s.name)).collect();
    // Who fills the line has to know what the test set can do.
    let fills = specs.iter().zip(&keep).any(|(s, k)| *k && s.class == Class::Load);
    keep.iter_mut().zip(specs).for_each(|(k, s)| *k |= fills && s.class == Class::First);
    loop {
        let needed: Vec<_> = specs.iter().zip(&keep).filter(|(_, k)| **k).flat_map(|(s, _)| s.needs).collect();
        let more: Vec<bool> =
            specs.iter().zip(&keep).map(|(s, k)| *k || s.gives.iter().any(|give| needed.contains(&give))).collect();
        if more == keep {
            return specs.iter().zip(keep).filter(|(_, k)| *k).map(|(s, _)| *s).collect();
        }
        keep = more;
    }
}

/// Octets in decimal megabytes, for people.
pub fn megabytes(octets: u64) -> String {
    match octets {
        0..1_000_000 => format!("{:.1} MB", octets as f64 / 1e6),
        1_000_000..10_000_000_000 => format!("{:.0} MB", octets as f64 / 1e6),
        _ => format!("{:.1} GB", octets as f64 / 1e9),
    }
}

impl Plan {
    /// Octets moved at most.
    pub fn octets(&self) -> u64 {
        self.steps.iter().map(|s| s.most().octets).sum()
    }

    /// Expected time on a healthy line: the steps started as [`Progress`] starts them, each taking its cost's time.
    pub fn time(&self) -> Duration {
        self.time_with(|step| step.cost.time)
    }

    /// The same where each step that may go on does so to its end.
    pub fn longest_time(&self) -> Duration {
        self.time_with(|step| step.most().time)
    }

    fn time_with(&self, of: impl Fn(&Step) -> Duration) -> Duration {
        let mut progress = Progress::new(self);
        let mut now = Duration::ZERO;
        let mut running: Vec<(Duration, usize)> = Vec::new();
        loop {
            for turn in progress.turns() {
                if let Turn::Start(i) = turn {
                    running.push((now + of(&self.steps[i]), i));
                }
            }
            let Some(next) = running.iter().enumerate().min_by_key(|(_, (end, _))| *end).map(|(at, _)| at) else { return now };
            let (end, index) = running.swap_remove(next);
            now = end;
            progress.ended(index, self.steps[index].spec.gives);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Cost;
    use super::*;
    use crate::unit::Depth;

    const VOLUME: Volume = Volume {
        depth: Depth::Quick,
        load_time: Duration::from_secs(3),
        sold_down_mbit: 100.0,
        sold_up_mbit: 40.0,
        classes_mbit: None,
        tv: None,
        sizes: crate::plan::Sizes::NONE,
    };

    fn specs() -> Vec<Spec> {
        fn cost(seconds: u64, octets: u64) -> Cost {
            Cost { time: Duration::from_secs(seconds), octets }
        }
        vec![
            Spec { name: "link", needs: &[], gives: &[Need::Carrier], class: Class::Free, cost: |_| cost(0, 0) },
            Spec {
                name: "dhcp4",
                needs: &[Need::Carrier],
                gives: &[Need::Address],
                class: Class::Quiet,
                cost: |_| cost(1, 2_000),
            },
            Spec { name: "echo", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost: |_| cost(4, 50_000) },
            Spec { name: "dns", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost: |_| cost(2, 20_000) },
            Spec { name: "throughput", needs: &[Need::Address], gives: &[], class: Class::Load, cost: |_| cost(8, 70_000_000) },
        ]
    }

    fn names(plan: &Plan) -> Vec<&str> {
        plan.steps.iter().map(|s| s.spec.name).collect()
    }

    #[test]
    fn quiet_checks_share_their_time_and_the_load_adds_its_own() {
        let plan = plan(&specs(), &VOLUME, &Bounds { load_agreed: true, ..Bounds::default() });
        assert_eq!(plan.time(), Duration::from_secs(1 + 4 + 8));
        assert_eq!(plan.octets(), 70_072_000);
    }

    #[test]
    fn one_check_brings_what_it_needs_and_nothing_else() {
        let only = Some(vec!["dns".to_owned()]);
        assert_eq!(names(&plan(&specs(), &VOLUME, &Bounds { only, ..Bounds::default() })), ["link", "dhcp4", "dns"]);
    }

    #[test]
    fn a_load_brings_the_look_at_the_test_set_which_runs_alone() {
        let mut specs = specs();
        let half = |_: &Volume| Cost { time: Duration::from_millis(500), octets: 0 };
        specs.push(Spec { name: "selftest", needs: &[], gives: &[], class: Class::First, cost: half });
        let only = |name: &str| {
            let only = Some(vec![name.to_owned()]);
            plan(&specs, &VOLUME, &Bounds { load_agreed: true, only, ..Bounds::default() })
        };
        assert_eq!(names(&only("dns")), ["link", "dhcp4", "dns"]);
        let load = only("throughput");
        assert_eq!(names(&load), ["link", "dhcp4", "throughput", "selftest"]);
        assert_eq!(load.time(), Duration::from_millis(500 + 1000 + 8000));
    }

    #[test]
    fn what_needs_a_left_out_check_is_left_out_with_its_reason() {
        let without = vec![("dhcp4", "switched off".to_owned())];
        let plan = plan(&specs(), &VOLUME, &Bounds { load_agreed: true, without, ..Bounds::default() });
        assert_eq!(names(&plan), ["link"]);
        assert!(plan.left_out.iter().any(|(s, why)| s.name == "dns" && why == "needs an IP address: switched off"));
    }

    #[test]
    fn what_goes_on_until_all_is_certain_takes_what_the_others_leave() {
        let bounds = |max_octets| Bounds { max_octets, until_certain: vec!["echo"], ..Bounds::default() };
        let echo = |plan: &Plan| plan.steps.iter().find(|step| step.spec.name == "echo").copied().unwrap();
        let free = plan(&specs(), &VOLUME, &bounds(None));
        assert_eq!((free.octets(), free.time()), (2_000 + 4 * 50_000 + 20_000, Duration::from_secs(1 + 4)));
        assert_eq!((free.longest_time(), echo(&free).most().time), (Duration::from_secs(1 + 16), Duration::from_secs(16)));
        // dns comes behind it and keeps its own; 25,000 octets are half of echo's plan.
        let tight = plan(&specs(), &VOLUME, &bounds(Some(97_000)));
        assert_eq!(names(&tight), ["link", "dhcp4", "echo", "dns"]);
        assert_eq!((tight.octets(), echo(&tight).stretch), (97_000, Some(Stretch::up_to(1.5))));
        assert_eq!(plan(&specs(), &VOLUME, &Bounds::default()).steps[2].stretch, None);
        let mut long = specs();
        long[2].cost = |_| Cost { time: Duration::from_secs(400), octets: 50_000 };
        assert_eq!(echo(&plan(&long, &VOLUME, &bounds(None))).stretch, Some(Stretch::up_to(1.5)), "ten minutes are enough");
    }

    #[test]
    fn a_load_without_consent_or_data_is_left_out_with_the_reason() {
        let no_consent = plan(&specs(), &VOLUME, &Bounds::default());
        assert_eq!(names(&no_consent), ["link", "dhcp4", "echo", "dns"]);
        assert!(no_consent.left_out[0].1.contains("--yes"));
        let small = plan(&specs(), &VOLUME, &Bounds { load_agreed: true, max_octets: Some(1_000_000), ..Bounds::default() });
        assert!(small.octets() <= 1_000_000);
        assert_eq!(small.left_out[0].1, "would move up to 70 MB, but only 0.9 MB of the data budget are left");
    }
}
