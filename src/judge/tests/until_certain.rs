//! 10,000 made-up visits whose streams end once the verdicts on them are certain: what they conclude wrongly is no more frequent than stated. And what that saves
//! and costs, as packets of what was planned.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

use super::visits::{STATED, VISITS, at_most};
use super::*;
use crate::metric::quantile;
use crate::metric::sampling::Sampling;
use crate::unit::Stretch;
use crate::unit::chance::Chance;

/// A depth: packets that are planned, and the limit of loss that they are for.
#[derive(Debug, Clone, Copy)]
struct Depth {
    planned: u64,
    limit: f64,
}

const QUICK: Depth = Depth { planned: 300, limit: 0.02 };
const HANDOFF: Depth = Depth { planned: 1000, limit: 0.005 };
/// Its limit on delay is the same.
const LIMIT_MS: f64 = 30.0;

/// A stream that goes on: what it lost each way, and its delays.
struct Stream {
    sent: u64,
    lost: [u64; 2],
    delays: Vec<f64>,
}

impl Stream {
    fn new() -> Self {
        Self { sent: 0, lost: [0; 2], delays: Vec::new() }
    }

    fn go_on(&mut self, chance: &mut Chance, to: u64, ratio: f64, ms: f64) {
        let scale = ms / 20_f64.ln();
        for _ in self.sent..to {
            for lost in &mut self.lost {
                *lost += u64::from(chance.uniform() < ratio);
            }
            self.delays.push(-scale * (1.0 - chance.uniform()).ln());
        }
        self.sent = to;
        // What was sorted before is one run of the sort.
        self.delays.sort_by(f64::total_cmp);
    }

    /// Readings as check twoway makes them, of independent packets.
    fn readings(&self, sampling: Sampling) -> Vec<Reading> {
        let loss = |lost: u64, direction| {
            let interval = sampling.share(lost, self.sent, 1.0);
            Reading::new("twoway.loss_ratio", lost as f64 / self.sent as f64, self.sent, interval).toward(direction)
        };
        let delay = quantile::of_sorted(&self.delays, 0, 0.95).unwrap();
        let interval = quantile::interval_of_sorted(&self.delays, 0, 0.95, sampling);
        vec![
            loss(self.lost[0], Direction::Down),
            loss(self.lost[1], Direction::Up),
            Reading::new("twoway.round_trip_p95", delay, self.sent, interval),
        ]
    }
}

/// What became of some visits.
#[derive(Debug, Default)]
struct Ended {
    fails: usize,
    passes: usize,
    /// Of the single verdicts: loss down, loss up, delay.
    fails_of_each: [usize; 3],
    passes_of_each: [usize; 3],
    /// Packets sent, as a share of what was planned for all.
    packets: f64,
}

/// Visits to a line with this loss each way and this 95th percentile of delay, each until all is certain or to the bound.
fn visits(count: usize, depth: Depth, ratio: f64, ms: f64) -> Ended {
    let Depth { planned, limit } = depth;
    let profile = profile_with(
        &(criterion("twoway.loss_ratio", &format!("direction = \"down\"\nat_most = {limit}"))
            + &criterion("twoway.loss_ratio", &format!("direction = \"up\"\nat_most = {limit}"))
            + &criterion("twoway.round_trip_p95", &format!("at_most = {LIMIT_MS}"))),
    );
    let settling = settling(&profile, Setting::default(), None, "twoway").unwrap();
    let (mut chance, stretch, sampling) = (Chance(20_261_127), Stretch::USUAL, Sampling::sequential(0.95, planned));
    let mut ended = Ended::default();
    let mut sent = 0;
    for _ in 0..count {
        let mut stream = Stream::new();
        let readings = loop {
            stream.go_on(&mut chance, stretch.next_look(planned, stream.sent), ratio, ms);
            let readings = stream.readings(sampling);
            if settling.is_settled(&readings) || stream.sent >= stretch.most_of(planned) {
                break readings;
            }
        };
        sent += stream.sent;
        let judgements = judge(&profile, Setting::default(), None, &[("twoway", &done(readings))]);
        let whole = overall(&judgements);
        ended.fails += usize::from(whole == Verdict::Fail);
        ended.passes += usize::from(whole == Verdict::Pass);
        for (at, judgement) in judgements.iter().enumerate() {
            ended.fails_of_each[at] += usize::from(judgement.verdict == Verdict::Fail);
            ended.passes_of_each[at] += usize::from(judgement.verdict == Verdict::Pass);
        }
    }
    ended.packets = sent as f64 / (count as u64 * planned) as f64;
    println!("loss {ratio}, delay {ms} ms, {depth:?}: {ended:?} of {count}");
    ended
}

/// A line that stands on its limits is the hardest case both ways: it meets them, and any better line fails less often; one that is worse by next to nothing misses them, and any
/// line beyond passes less often. The two are one simulation.
#[test]
fn whenever_streams_end_no_more_visits_conclude_wrongly_than_stated() {
    let ended = visits(VISITS, QUICK, QUICK.limit, LIMIT_MS);
    for count in ended.fails_of_each.iter().chain(&ended.passes_of_each) {
        assert!(*count <= at_most(STATED), "{ended:?}");
    }
    // Three musts without a correction for their number, as with a fixed number of packets: three times as often at most.
    assert!(ended.fails <= at_most(3.0 * STATED), "{ended:?}");
    // All three would have to pass wrongly.
    assert!(ended.passes <= at_most(STATED), "{ended:?}");
}

/// What it saves and costs; docs/methods.md has the figures.
#[test]
fn bad_lines_end_early_good_ones_about_as_planned_and_only_near_ones_go_on() {
    const FEW: usize = 300;
    for depth in [QUICK, HANDOFF] {
        let Depth { limit, .. } = depth;
        let good = visits(FEW, depth, 0.0, 15.0);
        assert_eq!((good.passes, good.fails), (FEW, 0));
        assert!(good.packets <= 1.01, "{good:?}");
        let sound = visits(FEW, depth, 0.1 * limit, 15.0);
        assert!(sound.fails == 0 && sound.passes > FEW * 9 / 10 && sound.packets < 2.5, "{sound:?}");
        let bad = visits(FEW, depth, 12.0 * limit, 15.0);
        assert_eq!((bad.passes, bad.fails), (0, FEW));
        assert!(bad.packets < 0.3, "{bad:?}");
        let slow = visits(FEW, depth, 0.0, 60.0);
        assert_eq!((slow.passes, slow.fails), (0, FEW));
        assert!(slow.packets < 0.4, "{slow:?}");
        let near = visits(FEW, depth, 0.7 * limit, 15.0);
        assert!(near.packets > 2.0 && near.fails == 0, "{near:?}");
    }
}
