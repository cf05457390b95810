//! Our own sender and reflector on one virtual clock, with a line of the test's making between them.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::net::SocketAddr;
use std::time::{Duration, Instant};

use super::account::{Account, Reflector as Kind};
use super::reflector::{Admission, Config as ReflectorConfig, Reflector, Request};
use super::schedule::Spacing;
use super::sender::{Config, Sender};
use crate::unit::{Stamp, StampSource};
use crate::wire::stamp::{Key, Reflected};

/// What the line does to a packet: the delays of the copies that arrive.
#[derive(Debug, Clone)]
pub(crate) enum Fate {
    Lost,
    Arrives(Vec<Duration>),
}

impl Fate {
    pub(crate) fn after<const N: usize>(delays: [Duration; N]) -> Self {
        Self::Arrives(delays.to_vec())
    }
}

type Rule = fn(u64, f64) -> Fate;

/// The rule of each direction: number of the packet on that way, a uniform random number; gives its fate.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) there: Rule,
    pub(crate) back: Rule,
}

/// A stream of packets 20 ms apart with the usual wait and closing.
pub(crate) fn stream(count: u64) -> Config {
    Config {
        count: Some(count),
        interval: Duration::from_millis(20),
        spacing: Spacing::Periodic { phase: 0 },
        wait: Duration::from_secs(2),
        overtaken: None,
        closing: 20,
        ssid: 0,
        key: None,
        reply_dscp: Some(46),
        payload_octets: 0,
    }
}

pub(crate) struct Sim {
    config: Config,
    line: Line,
    kind: Kind,
    stateless: bool,
    reflector_takes: Duration,
    near_step: Option<(Duration, i64)>,
    far_step: Option<(Duration, i64)>,
    far_drift: f64,
    user_stamps: fn(u32) -> bool,
    send_fails: fn(u64) -> bool,
    seed: u64,
    /// Fates by number instead of the line's rule, there and back, as far as they go.
    fates: [Vec<Fate>; 2],
}

const SECRET: &[u8] = b"simulated session's key of 32 oc";
/// The virtual clocks' start; the reflector's runs an hour ahead.
const EPOCH: i64 = 1_700_000_000_000_000_000;
const FAR_AHEAD: i64 = 3_600_000_000_000;

enum Event {
    AtReflector(Vec<u8>),
    AtSender(Vec<u8>),
}

struct Open;

impl Admission for Open {
    fn key(&self, ssid: u16) -> Option<Key> {
        (ssid == 9).then(|| Key::new(SECRET))
    }

    fn allows(&self, _source: SocketAddr) -> bool {
        true
    }
}

impl Sim {
    pub(crate) fn new(config: Config) -> Self {
        let clean: Rule = |_, _| Fate::after([Duration::from_millis(1)]);
        Self {
            config,
            line: Line { there: clean, back: clean },
            kind: Kind::Stateful,
            stateless: false,
            reflector_takes: Duration::from_micros(20),
            near_step: None,
            far_step: None,
            far_drift: 0.0,
            user_stamps: |_| false,
            send_fails: |_| false,
            seed: 1,
            fates: [Vec::new(), Vec::new()],
        }
    }

    pub(crate) fn line(mut self, line: Line) -> Self {
        self.line = line;
        self
    }

    /// What becomes of each packet, there and back, by its number on that way; the line's rule goes on behind.
    pub(crate) fn fates(mut self, there: Vec<Fate>, back: Vec<Fate>) -> Self {
        self.fates = [there, back];
        self
    }

    pub(crate) fn reflector(mut self, kind: Kind) -> Self {
        self.kind = kind;
        self
    }

    pub(crate) fn stateless(mut self) -> Self {
        self.stateless = true;
        self
    }

    pub(crate) fn reflector_takes_us(mut self, us: u64) -> Self {
        self.reflector_takes = Duration::from_micros(us);
        self
    }

    pub(crate) fn near_step(mut self, at_ms: u64, by_ms: i64) -> Self {
        self.near_step = Some((Duration::from_millis(at_ms), by_ms * 1_000_000));
        self
    }

    pub(crate) fn far_step(mut self, at_ms: u64, by_ms: i64) -> Self {
        self.far_step = Some((Duration::from_millis(at_ms), by_ms * 1_000_000));
        self
    }

    pub(crate) fn far_drift_ppm(mut self, ppm: f64) -> Self {
        self.far_drift = ppm * 1e-6;
        self
    }

    pub(crate) fn user_stamps(mut self, which: fn(u32) -> bool) -> Self {
        self.user_stamps = which;
        self
    }

    pub(crate) fn send_fails(mut self, which: fn(u64) -> bool) -> Self {
        self.send_fails = which;
        self
    }

    pub(crate) fn authenticated(mut self) -> Self {
        self.config.ssid = 9;
        self.config.key = Some(Key::new(SECRET));
        self
    }

    pub(crate) fn seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }

    fn near(&self, elapsed: Duration, source: StampSource) -> Stamp {
        let step = self.near_step.map_or(0, |(at, by)| if elapsed >= at { by } else { 0 });
        Stamp { unix_ns: EPOCH + elapsed.as_nanos() as i64 + step, source, adapter_ns: None }
    }

    fn far(&self, elapsed: Duration) -> Stamp {
        let step = self.far_step.map_or(0, |(at, by)| if elapsed >= at { by } else { 0 });
        let gained = (elapsed.as_nanos() as f64 * self.far_drift) as i64;
        Stamp {
            unix_ns: EPOCH + FAR_AHEAD + elapsed.as_nanos() as i64 + step + gained,
            source: StampSource::Kernel,
            adapter_ns: None,
        }
    }

    /// Runs until the sender is done.
    pub(crate) fn run(self) -> Account {
        let start = Instant::now();
        let stateless = self.stateless;
        let mut sender = Sender::new(start, self.config.clone());
        let mut reflector = Reflector::new(ReflectorConfig::default());
        let mut random = Random(self.seed);
        // Time, tie-breaker, index into `events`.
        let mut queue: BinaryHeap<Reverse<(Duration, u64)>> = BinaryHeap::new();
        let mut events: Vec<Option<Event>> = Vec::new();
        let mut now = Duration::ZERO;
        let (mut there, mut back, mut attempts) = (0, 0, 0);
        let peer: SocketAddr = "192.0.2.50:40000".parse().expect("address");
        loop {
            let at = start + now;
            while let Some(Reverse((due, index))) = queue.peek().copied().filter(|Reverse((due, _))| *due <= now) {
                queue.pop();
                match events[index as usize].take() {
                    Some(Event::AtReflector(bytes)) => {
                        let request = Request {
                            from: peer,
                            bytes: &bytes,
                            received: self.far(due),
                            ttl: Some(60),
                            traffic_class: Some(46 << 2),
                        };
                        let mut reply = reflector.on_packet(start + due, request, &Open).expect("admitted");
                        let sent = due + self.reflector_takes;
                        let mut bytes = reply.at(self.far(sent)).to_vec();
                        if stateless {
                            let number = Reflected::parse(&bytes, None).expect("readable").repr.sender_sequence;
                            bytes[..4].copy_from_slice(&number.to_be_bytes());
                        }
                        let fate = self.fates[1].get(back as usize).cloned();
                        let by_rule = (self.line.back)(back, random.uniform());
                        if let Fate::Arrives(delays) = fate.unwrap_or(by_rule) {
                            for delay in delays {
                                queue.push(Reverse((sent + delay, events.len() as u64)));
                                events.push(Some(Event::AtSender(bytes.clone())));
                            }
                        }
                        back += 1;
                    }
                    Some(Event::AtSender(bytes)) => {
                        let stamp = self.near(due, StampSource::Kernel);
                        sender.on_packet(start + due, stamp, &bytes, Some(60), Some(46 << 2));
                    }
                    None => {}
                }
            }
            while let Some(outgoing) = sender.transmit(at, self.near(now, StampSource::User)) {
                let (sequence, bytes) = (outgoing.sequence, outgoing.bytes.to_vec());
                attempts += 1;
                if (self.send_fails)(attempts) {
                    sender.on_send_failed(sequence);
                    continue;
                }
                sender.on_sent(at);
                if !(self.user_stamps)(sequence) {
                    sender.on_transmit_stamp(sequence, self.near(now, StampSource::Kernel), at);
                }
                let fate = self.fates[0].get(there as usize).cloned();
                let by_rule = (self.line.there)(there, random.uniform());
                if let Fate::Arrives(delays) = fate.unwrap_or(by_rule) {
                    for delay in delays {
                        queue.push(Reverse((now + delay, events.len() as u64)));
                        events.push(Some(Event::AtReflector(bytes.clone())));
                    }
                }
                there += 1;
            }
            if sender.is_done(at) {
                // What is still under way arrives too: a socket's queue is read out before the account.
                return Account::of(sender.into_notes(), self.kind);
            }
            let wake = sender.next_wake().map(|wake| wake.saturating_duration_since(start));
            let arrival = queue.peek().map(|Reverse((due, _))| *due);
            now = [wake, arrival].into_iter().flatten().min().expect("a sender that isn't done wants to wake").max(now);
        }
    }
}

/// SplitMix64, as in the schedule: only that the same seed gives the same line.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}
