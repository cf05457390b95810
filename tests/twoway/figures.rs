//! The figures against what the practice line was told to do, and did by its own count.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::twoway::{Ended, Form, measure};
use doorstep::metric::quantile::{interval_of_sorted, of_sorted};
use doorstep::practice::{Impairment, Impairments, LineConfig};
use doorstep::reading::{Outcome, Reading, Status};
use doorstep::unit::{Direction, Ratio, StampSource};
use tokio_util::sync::CancellationToken;

use crate::support::{FAR_END_V4, FAR_END_V6, FarEnd, bare, build, on_laptop, run, stream, warm_up};

fn ratio(value: f64) -> Ratio {
    Ratio::new(value).expect("a share")
}

fn reading<'a>(outcome: &'a Outcome, name: &str, direction: Option<Direction>) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.direction == direction);
    found.unwrap_or_else(|| panic!("{name} {direction:?} in {outcome:?}"))
}

#[test]
fn losses_of_the_two_directions_are_told_apart_as_the_line_counted_them() {
    let losing = |share| Impairment::losing(ratio(share));
    let access = Impairments { up: losing(0.05), down: losing(0.02) };
    let line = build(LineConfig { access, seed: 11, ..bare() });
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    let before = line.counters()[0];
    let result = run(&line, stream(&far_end, FAR_END_V4.into(), Form::Offered, 2000, Duration::from_millis(2)));
    let after = line.counters()[0];
    assert_eq!(line.own_drops(), 0, "this machine can't carry the line; nothing is shown");
    let account = &result.account;
    let ways = account.ways.as_ref().expect("the reflector counts");
    assert_eq!((result.ended.clone(), ways.undetermined), (Ended::Complete, 0));
    // The line counts frames: closing packets and a neighbour's question now and then ride along, so it may have lost
    // a few that are not of the stream; the stream can't have lost more than the line, up to a misjudged tail.
    for (way, lost) in [(&ways.forward, after.up.lost - before.up.lost), (&ways.backward, after.down.lost - before.down.lost)] {
        assert!(way.lost <= lost && way.lost + 3 >= lost, "{} counted by us, {lost} by the line", way.lost);
    }
    assert_eq!(account.lost, ways.forward.lost + ways.backward.lost);
    // 5 % and 2 % of 2000 lie some 11 of their standard deviations apart: that they aren't swapped needs no luck.
    assert!(ways.forward.lost > ways.backward.lost);
}

#[test]
fn delay_and_its_variation_show_in_the_direction_that_has_them() {
    let up = Impairment::delayed(Duration::from_millis(8));
    let down = Impairment { delay: Duration::from_millis(12), variation: Duration::from_millis(6), ..Impairment::default() };
    let line = build(LineConfig { access: Impairments { up, down }, seed: 5, ..bare() });
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    // Spaced wider than the variation, so that no packet waits for the one ahead: even between 0 and 6 ms.
    let result = run(&line, stream(&far_end, FAR_END_V4.into(), Form::Offered, 400, Duration::from_millis(10)));
    let account = &result.account;
    assert_eq!(account.stamped_by, Some(StampSource::Kernel));
    let ways = account.ways.as_ref().expect("the reflector counts");
    // What the line holds back can't be seen shorter.
    let trips = account.round_trip_sorted_ms();
    assert!(trips[0] >= 20.0, "smallest round trip {} ms", trips[0]);
    let variation = ways.backward.variation_sorted_ms();
    let median = interval_of_sorted(&variation, 0, 0.5, 0.999);
    // The true median is 3 ms; a busy machine adds to single packets, hardly to the median: 0.7 ms are left for it. The
    // interval at 99.9 % accounts for the draw.
    let (low, high) = (median.low.expect("400 samples"), median.high.expect("400 samples"));
    assert!(low <= 3.7 && high >= 3.0 - 0.1, "median of the variation down {low} to {high} ms");
    let quiet = of_sorted(&ways.forward.variation_sorted_ms(), 0, 0.5).expect("samples");
    assert!(quiet < 1.0, "median of the variation up {quiet} ms, of which the line was told none");
}

#[test]
fn the_outcome_has_every_reading_per_direction_and_says_how_it_was_taken() {
    for (address, form, words) in [
        (IpAddr::V4(FAR_END_V4), Form::Offered, "authenticated"),
        (FAR_END_V4.into(), Form::Unauthenticated, "unauthenticated"),
        (FAR_END_V6.into(), Form::Offered, "authenticated"),
    ] {
        let line = build(bare());
        let far_end = FarEnd::start(&line, address);
        warm_up(&line, &far_end, address);
        let config = stream(&far_end, address, form, 400, Duration::from_millis(5));
        let outcome = on_laptop(&line, move || measure(config, CancellationToken::new(), Arc::new(|_| {}), 0.95));
        assert_eq!((outcome.status, outcome.reason.as_deref()), (Status::Done, None), "{outcome:?}");
        for direction in [Direction::Up, Direction::Down] {
            let loss = reading(&outcome, "twoway.loss_ratio", Some(direction));
            assert_eq!((loss.value, loss.low), (0.0, Some(0.0)));
            // 1 - 0.025^(1/400), and a few closing packets more.
            assert!(loss.samples >= 400 && loss.high.is_some_and(|high| high > 0.0085 && high < 0.00919));
            for name in ["delay_variation_p95", "delay_variation_p999", "jitter", "reordered_ratio", "duplicate_ratio"] {
                reading(&outcome, &format!("twoway.{name}"), Some(direction));
            }
        }
        for name in ["min", "p50", "p95", "p99"] {
            let trip = reading(&outcome, &format!("twoway.round_trip_{name}"), None);
            assert_eq!((trip.stamped_by, trip.samples), (Some(StampSource::Kernel), 400));
            assert!(trip.limited_by.is_empty());
        }
        assert_eq!(outcome.facts["form"], words);
        assert_eq!((outcome.facts["dscp_sent"].clone(), outcome.facts["dscp_at_reflector"]["46"].is_u64()), (46.into(), true));
        assert_eq!(outcome.series.len(), 3);
        assert!(outcome.flaws.is_empty(), "{:?}", outcome.flaws);
        assert!(outcome.series.iter().all(|s| s.values.len() == 400 && s.at_ms.len() == 400));
    }
}
