//! Whether a hop that leaves probes unanswered loses them or limits how often it answers.
//!
//! It knows no socket. A line that loses packets loses the same share of many as of few. A router that limits its errors (RFC
//! 1812 section 4.3.2.8, RFC 4443 section 2.4 (f)) gives the same number a second, however many are asked for. So each hop is
//! probed fast and then slowly. The hard thing: a token bucket lets a burst through first; so the fast probes come first, and
//! their beginning does not count.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use super::path_flows::{FlowProbe, FlowProber, Marks, Named};
use crate::metric::two_shares::chance_of_so_few;

/// How to probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PaceSettings {
    /// Where the path goes.
    pub destination: IpAddr,
    /// UDP destination port.
    pub destination_port: u16,
    /// The hops to ask.
    pub hops: Vec<u8>,
    /// How long an answer is waited for.
    pub waiting_time: Duration,
    /// Tells our data from others'.
    pub cookie: u64,
}

/// From one fast probe of a hop to the next; 50 a second.
pub const FAST_GAP: Duration = Duration::from_millis(20);
/// From one slow probe of a hop to the next; 4 a second.
pub const SLOW_GAP: Duration = Duration::from_millis(250);
/// Fast probes of a hop, and of these the first that do not count: a second, in which a usual bucket (six; common practice)
/// runs empty.
pub const FAST: u32 = 250;
const LEAD: u32 = 50;
/// Slow probes of a hop: with one answer a second six, which chance does not explain.
pub const SLOW: u32 = 24;
/// Between the hops, so that they are not asked at once.
const STAGGER: Duration = Duration::from_millis(3);
/// A share of answers that falls with the pace by chance has at most this probability.
const SURE: f64 = 0.001;

/// Probes and answers of one pace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PaceCount {
    /// Sent.
    pub sent: u32,
    /// Answered in time.
    pub answered: u32,
}

/// What a hop did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HopPace {
    /// Hop, from 1.
    pub hop: u8,
    /// Of the fast probes that count.
    pub fast: PaceCount,
    /// Of the slow probes.
    pub slow: PaceCount,
}

/// What that means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pattern {
    /// It answered all.
    Answers,
    /// It answers so many a second, and no more when more are asked for.
    Limits,
    /// It leaves the same share unanswered at both paces: lost on the line, or left out by chance.
    Loses,
    /// Neither shows.
    Unclear,
}

impl HopPace {
    /// Answers a second at the fast pace.
    pub fn fast_rate(&self) -> f64 {
        f64::from(self.fast.answered) / (FAST_GAP * (FAST - LEAD)).as_secs_f64()
    }

    /// Answers a second at the slow pace.
    pub fn slow_rate(&self) -> f64 {
        f64::from(self.slow.answered) / (SLOW_GAP * SLOW).as_secs_f64()
    }

    /// What it means.
    pub fn pattern(&self) -> Pattern {
        let Self { fast, slow, .. } = *self;
        if fast.sent == 0 || slow.sent == 0 || fast.answered + slow.answered == 0 {
            return Pattern::Unclear;
        }
        if fast.answered == fast.sent && slow.answered == slow.sent {
            return Pattern::Answers;
        }
        let pair = |count: PaceCount| (u64::from(count.answered), u64::from(count.sent));
        if chance_of_so_few(pair(fast), pair(slow)) < SURE {
            Pattern::Limits
        } else if self.fast_rate() > 4.0 * self.slow_rate() {
            // Of the twelve and a half times as many probes a router that limits would answer as many.
            Pattern::Loses
        } else {
            Pattern::Unclear
        }
    }
}

/// The machine.
#[derive(Debug)]
pub struct PaceMachine {
    marks: Marks,
    hops: Vec<u8>,
    waiting_time: Duration,
    start: Instant,
    /// Probes handed out, by hop in the order of the settings.
    next: Vec<u32>,
    probes: Vec<Probe>,
}

#[derive(Debug)]
struct Probe {
    at: usize,
    is_fast: bool,
    counts: bool,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Open(Instant),
    Answered,
    Unanswered,
    NotSent,
}

impl PaceMachine {
    /// A machine that starts at `start`.
    pub fn new(settings: PaceSettings, start: Instant) -> Self {
        let PaceSettings { destination, destination_port, hops, waiting_time, cookie } = settings;
        let marks = Marks { destination, destination_port, cookie };
        Self { marks, next: vec![0; hops.len()], hops, waiting_time, start, probes: Vec::new() }
    }

    /// What each hop did; open probes count as unanswered.
    pub fn report(&self) -> Vec<HopPace> {
        let count = |at: usize, is_fast: bool| {
            let of = self.probes.iter().filter(|p| p.at == at && p.is_fast == is_fast && p.counts && p.state != State::NotSent);
            let (mut sent, mut answered) = (0, 0);
            for probe in of {
                sent += 1;
                answered += u32::from(probe.state == State::Answered);
            }
            PaceCount { sent, answered }
        };
        self.hops
            .iter()
            .enumerate()
            .map(|(at, hop)| HopPace { hop: *hop, fast: count(at, true), slow: count(at, false) })
            .collect()
    }

    /// When a hop's next probe is due; `None` when it has had all.
    fn due(&self, at: usize) -> Option<Instant> {
        let number = self.next[at];
        let offset = if number < FAST { FAST_GAP * number } else { FAST_GAP * FAST + SLOW_GAP * (number - FAST) };
        (number < FAST + SLOW).then(|| self.start + STAGGER * at as u32 + offset)
    }
}

impl FlowProber for PaceMachine {
    fn transmit(&mut self, now: Instant) -> Option<FlowProbe> {
        let at = (0..self.hops.len()).find(|at| self.due(*at).is_some_and(|due| due <= now))?;
        let number = self.next[at];
        self.next[at] += 1;
        let id = self.probes.len();
        let is_fast = number < FAST;
        let state = State::Open(now + self.waiting_time);
        self.probes.push(Probe { at, is_fast, counts: !is_fast || number >= LEAD, state });
        Some(FlowProbe { id, flow: 0, hop_limit: self.hops[at], bytes: self.marks.data(id, self.hops[at]) })
    }

    fn on_send_failed(&mut self, id: usize) {
        if let Some(probe) = self.probes.get_mut(id) {
            probe.state = State::NotSent;
        }
    }

    fn on_packet(&mut self, now: Instant, from: IpAddr, bytes: &[u8]) {
        let Some((named, _)) = self.marks.read(from, bytes) else { return };
        let id = match named {
            Named::Number(id) => Some(id),
            // Any open probe of the hop: only how many are answered counts.
            Named::Cut { length, .. } => {
                let hop = Marks::hop_of(length);
                self.probes.iter().rposition(|p| Some(self.hops[p.at]) == hop && matches!(p.state, State::Open(_)))
            }
        };
        if let Some(probe) = id.and_then(|id| self.probes.get_mut(id))
            && matches!(probe.state, State::Open(deadline) if now <= deadline)
        {
            probe.state = State::Answered;
        }
    }

    fn on_wake(&mut self, now: Instant) {
        for probe in &mut self.probes {
            if matches!(probe.state, State::Open(deadline) if deadline <= now) {
                probe.state = State::Unanswered;
            }
        }
    }

    fn next_wake(&self) -> Option<Instant> {
        let send = (0..self.hops.len()).filter_map(|at| self.due(at)).min();
        let open =
            || self.probes.iter().filter_map(|p| if let State::Open(deadline) = p.state { Some(deadline) } else { None }).min();
        send.or_else(open)
    }
}

#[cfg(test)]
mod tests {
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};

    use super::*;
    use crate::unit::Family;
    use crate::wire::icmp::{self, extension::Extensions};

    /// Runs one hop; `answers` is asked at each probe with the time since the start.
    fn run(mut answers: impl FnMut(Duration) -> bool) -> HopPace {
        let start = Instant::now();
        let destination: IpAddr = [203, 0, 113, 10].into();
        let waiting_time = Duration::from_secs(1);
        let settings = PaceSettings { destination, destination_port: 60_000, hops: vec![3], waiting_time, cookie: 7 };
        let mut machine = PaceMachine::new(settings, start);
        let mut now = start;
        while let Some(wake) = machine.next_wake() {
            now = now.max(wake);
            machine.on_wake(now);
            while let Some(probe) = machine.transmit(now) {
                if !answers(now - start) {
                    continue;
                }
                let length = 8 + probe.bytes.len() as u16;
                let mut whole = vec![0x45, 0, 0, 0, 0, 0, 0, 0, 1, 17, 0, 0, 192, 0, 2, 50, 203, 0, 113, 10];
                for word in [50_000, 60_000, length, 0] {
                    whole.extend(u16::to_be_bytes(word));
                }
                whole.extend(&probe.bytes);
                let quoted = if probe.id % 2 == 0 { &whole[..] } else { &whole[..28] };
                let error = icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], quoted, &Extensions::default());
                machine.on_packet(now, [192, 0, 2, 1].into(), &error);
            }
        }
        machine.report()[0]
    }

    /// A token bucket of six, filled at a rate, as common kernels have (common practice).
    fn bucket(per_second: f64) -> impl FnMut(Duration) -> bool {
        let (mut tokens, mut filled_at) = (6.0, Duration::ZERO);
        move |at| {
            tokens = f64::min(6.0, tokens + (at - filled_at).as_secs_f64() * per_second);
            filled_at = at;
            let passes = tokens >= 1.0;
            tokens -= f64::from(u8::from(passes));
            passes
        }
    }

    #[test]
    fn a_token_bucket_gives_the_same_answers_a_second_at_both_paces() {
        for per_second in [1.0, 2.0, 3.5, 10.0, 25.0] {
            let pace = run(bucket(per_second));
            assert_eq!(pace.pattern(), Pattern::Limits, "{per_second}: {pace:?}");
            // A second's answers are whole ones.
            assert!((pace.fast_rate() - per_second).abs() <= 0.5, "{per_second}: {}", pace.fast_rate());
        }
    }

    #[test]
    fn loss_is_the_same_share_at_both_paces() {
        let mut taken_for_limit = 0;
        for seed in 0..500_u64 {
            let share = [0.02, 0.1, 0.3, 0.5][seed as usize % 4];
            let mut rng = StdRng::seed_from_u64(seed);
            let pace = run(|_| !rng.random_bool(share));
            taken_for_limit += u32::from(pace.pattern() == Pattern::Limits);
            assert!(matches!(pace.pattern(), Pattern::Loses | Pattern::Limits | Pattern::Answers), "{share}: {pace:?}");
        }
        // 0.1 % of 500 is a half; a binomial exceeds 6 with a chance of 10^-6.
        assert!(taken_for_limit <= 6, "{taken_for_limit} of 500");
    }

    #[test]
    fn all_and_nothing_are_no_pattern() {
        assert_eq!(run(|_| true).pattern(), Pattern::Answers);
        assert_eq!(run(|_| false).pattern(), Pattern::Unclear);
        assert_eq!(run(|_| true).fast, PaceCount { sent: 200, answered: 200 });
    }
}
