//! Prerequisites and interference: which step may start now.
//!
//! A pure state machine over a [`Plan`]: the visit asks what may start, and tells what has ended. It knows no time.
//!
//! Rules: a step starts as soon as all its needs are given and no step that could still add to them is open (an address of each IP
//! version, so that both are measured side by side); it is blocked once every step that could give a need has ended without
//! giving it. A quiet step never runs beside a load. Loads run one at a time, and only after every quiet
//! step has ended or is blocked, so that each visit has its idle figures before the line is filled. Free steps mind nothing. While a
//! step of class first is open, none of another class starts.

use super::{Class, Need, Plan};

/// Where each step of a plan stands.
#[derive(Debug)]
pub struct Progress {
    states: Vec<State>,
    needs: Vec<&'static [Need]>,
    gives: Vec<&'static [Need]>,
    classes: Vec<Class>,
    have: Vec<Need>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Waiting,
    Running,
    Ended,
}

/// What the visit is to do with a step now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// Start the step with this index.
    Start(usize),
    /// The step can't run any more, since nothing gave what it needs; it counts as ended.
    Blocked(usize, Need),
}

impl Progress {
    /// All steps waiting.
    pub fn new(plan: &Plan) -> Self {
        Self {
            states: vec![State::Waiting; plan.steps.len()],
            needs: plan.steps.iter().map(|s| s.spec.needs).collect(),
            gives: plan.steps.iter().map(|s| s.spec.gives).collect(),
            classes: plan.steps.iter().map(|s| s.spec.class).collect(),
            have: Vec::new(),
        }
    }

    /// What may start or is blocked now; started steps count as running and blocked ones as ended from here on.
    pub fn turns(&mut self) -> Vec<Turn> {
        let mut turns = Vec::new();
        loop {
            // Blocking a step can block those that need what it would have given: repeat until nothing changes.
            while let Some((index, need)) = self.first_blocked() {
                self.states[index] = State::Ended;
                turns.push(Turn::Blocked(index, need));
            }
            self.start_all(&mut turns, |this, need| this.have.contains(&need) && !this.may_still_come(need));
            if self.states.contains(&State::Running) {
                return turns;
            }
            // Steps that wait for one another in a circle would wait for good: what there is has to do.
            self.start_all(&mut turns, |this, need| this.have.contains(&need));
            if self.states.contains(&State::Running) {
                return turns;
            }
            let Some((index, need)) = self.first_in_a_circle() else { return turns };
            self.states[index] = State::Ended;
            turns.push(Turn::Blocked(index, need));
        }
    }

    /// Tells that a running step has ended and what it gave.
    pub fn ended(&mut self, index: usize, gave: &[Need]) {
        self.states[index] = State::Ended;
        self.have.extend(gave);
    }

    /// True when no step waits or runs.
    pub fn is_over(&self) -> bool {
        self.states.iter().all(|s| *s == State::Ended)
    }

    fn first_blocked(&self) -> Option<(usize, Need)> {
        self.states.iter().enumerate().filter(|(_, s)| **s == State::Waiting).find_map(|(index, _)| {
            let missing = self.needs[index].iter().find(|need| !self.have.contains(need) && !self.may_still_come(**need))?;
            Some((index, *missing))
        })
    }

    fn first_in_a_circle(&self) -> Option<(usize, Need)> {
        self.states.iter().enumerate().filter(|(_, s)| **s == State::Waiting).find_map(|(index, _)| {
            let missing = self.needs[index].iter().find(|need| !self.have.contains(need))?;
            Some((index, *missing))
        })
    }

    fn may_still_come(&self, need: Need) -> bool {
        (0..self.states.len()).any(|i| self.states[i] != State::Ended && self.gives[i].contains(&need))
    }

    fn start_all(&mut self, turns: &mut Vec<Turn>, is_met: impl Fn(&Self, Need) -> bool) {
        for index in 0..self.states.len() {
            let is_due = self.states[index] == State::Waiting && self.needs[index].iter().all(|need| is_met(self, *need));
            if is_due && self.class_may_start(index) {
                self.states[index] = State::Running;
                turns.push(Turn::Start(index));
            }
        }
    }

    fn class_may_start(&self, index: usize) -> bool {
        let running = |class| (0..self.states.len()).any(|i| self.states[i] == State::Running && self.classes[i] == class);
        let open = |class| (0..self.states.len()).any(|i| self.states[i] != State::Ended && self.classes[i] == class);
        if self.classes[index] != Class::First && open(Class::First) {
            return false;
        }
        match self.classes[index] {
            Class::Free | Class::First => true,
            Class::Quiet => !running(Class::Load),
            Class::Load => !open(Class::Quiet) && !running(Class::Load),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Cost, Spec, Step};
    use super::*;
    use proptest::prelude::*;

    fn step(name: &'static str, needs: &'static [Need], gives: &'static [Need], class: Class) -> Step {
        Step { spec: Spec { name, needs, gives, class, cost: |_| Cost::default() }, cost: Cost::default(), stretch: None }
    }

    fn visit() -> Plan {
        use Need::{Address, Carrier, FarEnd};
        let steps = vec![
            step("link", &[], &[Carrier], Class::Free),
            step("dhcp4", &[Carrier], &[Address], Class::Quiet),
            step("dns", &[Address], &[], Class::Quiet),
            step("farend", &[Address], &[FarEnd], Class::Free),
            step("twoway", &[FarEnd], &[], Class::Quiet),
            step("throughput", &[FarEnd], &[], Class::Load),
        ];
        Plan { steps, left_out: Vec::new() }
    }

    #[test]
    fn who_needs_an_address_waits_for_both_who_can_give_one_and_one_is_enough() {
        use Need::{Address, Carrier};
        let steps = vec![
            step("link", &[], &[Carrier], Class::Free),
            step("dhcp4", &[Carrier], &[Address], Class::Quiet),
            step("ipv6", &[Carrier], &[Address], Class::Quiet),
            step("echo", &[Address], &[], Class::Quiet),
        ];
        for (four, six) in [(&[Address][..], &[][..]), (&[], &[Address]), (&[Address], &[Address]), (&[], &[])] {
            let mut progress = Progress::new(&Plan { steps: steps.clone(), left_out: Vec::new() });
            assert_eq!(progress.turns(), [Turn::Start(0)]);
            progress.ended(0, &[Carrier]);
            assert_eq!(progress.turns(), [Turn::Start(1), Turn::Start(2)]);
            progress.ended(1, four);
            assert_eq!(progress.turns(), [], "the other may still add its own");
            progress.ended(2, six);
            let want = if four.is_empty() && six.is_empty() { Turn::Blocked(3, Address) } else { Turn::Start(3) };
            assert_eq!(progress.turns(), [want]);
        }
    }

    #[test]
    fn checks_start_as_soon_as_their_needs_are_met_and_loads_come_last() {
        let mut progress = Progress::new(&visit());
        assert_eq!(progress.turns(), [Turn::Start(0)]);
        progress.ended(0, &[Need::Carrier]);
        assert_eq!(progress.turns(), [Turn::Start(1)]);
        progress.ended(1, &[Need::Address]);
        assert_eq!(progress.turns(), [Turn::Start(2), Turn::Start(3)]);
        progress.ended(3, &[Need::FarEnd]);
        assert_eq!(progress.turns(), [Turn::Start(4)], "the load waits for the quiet ones");
        progress.ended(2, &[]);
        assert_eq!(progress.turns(), []);
        progress.ended(4, &[]);
        assert_eq!(progress.turns(), [Turn::Start(5)]);
        progress.ended(5, &[]);
        assert!(progress.is_over());
    }

    #[test]
    fn a_dead_line_blocks_all_that_needs_it_with_the_missing_need() {
        let mut progress = Progress::new(&visit());
        progress.turns();
        progress.ended(0, &[]);
        let turns = progress.turns();
        assert_eq!(turns[0], Turn::Blocked(1, Need::Carrier));
        assert!(turns.contains(&Turn::Blocked(2, Need::Address)) && turns.contains(&Turn::Blocked(5, Need::FarEnd)));
        assert!(progress.is_over());
    }

    proptest! {
        /// Whatever the steps and whichever of them fail: the visit ends, each step has exactly one turn, no quiet step runs
        /// beside a load, and never two loads.
        #[test]
        fn every_plan_ends_without_a_quiet_step_beside_a_load(
            kinds in proptest::collection::vec((0usize..4, 0usize..4, 0usize..4, any::<bool>()), 1..9),
            order in proptest::collection::vec(any::<prop::sample::Index>(), 64),
        ) {
            const SETS: [&[Need]; 4] = [&[], &[Need::Carrier], &[Need::Address], &[Need::FarEnd]];
            const CLASSES: [Class; 4] = [Class::Quiet, Class::Load, Class::Free, Class::First];
            let steps: Vec<Step> = kinds.iter().map(|k| step("x", SETS[k.0], SETS[k.1], CLASSES[k.2])).collect();
            let plan = Plan { steps, left_out: Vec::new() };
            let mut progress = Progress::new(&plan);
            let mut running: Vec<usize> = Vec::new();
            let mut turned = vec![0; kinds.len()];
            let mut order = order.iter();
            loop {
                for turn in progress.turns() {
                    match turn {
                        Turn::Start(i) => { running.push(i); turned[i] += 1; }
                        Turn::Blocked(i, _) => turned[i] += 1,
                    }
                }
                let count = |class| running.iter().filter(|i| CLASSES[kinds[**i].2] == class).count();
                prop_assert!(count(Class::Load) <= 1);
                prop_assert!(count(Class::Load) == 0 || count(Class::Quiet) == 0);
                prop_assert!(count(Class::First) == 0 || count(Class::First) == running.len());
                if running.is_empty() { break; }
                let pick = order.next().map_or(0, |i| i.index(running.len()));
                let done = running.swap_remove(pick);
                progress.ended(done, if kinds[done].3 { SETS[kinds[done].1] } else { &[] });
            }
            prop_assert!(progress.is_over());
            prop_assert!(turned.iter().all(|turns| *turns == 1));
        }
    }
}
