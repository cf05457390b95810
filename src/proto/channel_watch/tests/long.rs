//! RTP over many turns of its sequence numbers: counts stay exact, and memory stays where it is.

use super::super::flow::{Flow, Report, Verdict};
use crate::wire::rtp::Header;

/// A datagram of 20 Mbit/s each 526 us.
const SPACING_NS: i64 = 526_400;

fn header(number: u64) -> Header {
    let timestamp = (number as i64 * SPACING_NS * 9 / 100_000) as u32;
    Header { payload_type: 33, sequence: number as u16, timestamp, ssrc: 5, ..Header::default() }
}

fn run(count: u64, keep: impl Fn(u64) -> bool) -> (Flow, Report) {
    let mut flow = Flow::default();
    for number in (0..count).filter(|number| keep(*number)) {
        let verdict = flow.on_packet(number as i64 * SPACING_NS, &header(number), 1316);
        assert!(matches!(verdict, Verdict::Next { .. }), "{number}: {verdict:?}");
    }
    let report = flow.report().unwrap();
    (flow, report)
}

#[test]
fn many_turns_of_the_numbers_lose_none_of_the_count() {
    // Nearly six turns. Single losses, bursts of ten, and one outage of 3500, which is beyond RFC 3550's gap.
    let is_lost = |number: u64| {
        number > 100
            && (number.is_multiple_of(1009) || number % 50_000 < 10 && number > 50_000 || (200_000..203_500).contains(&number))
    };
    let count = 390_000;
    let lost = (0..count - 1).filter(|number| is_lost(*number)).count() as u64;
    let (_, report) = run(count, |number| !is_lost(number));
    assert_eq!((report.lost, report.expected, report.restarts, report.reordered), (lost, count, 0, 0));
    assert_eq!((report.counted.lost(), report.longest_loss), (lost as i64, 3500));
}

#[test]
fn losses_that_cluster_count_for_less() {
    let (_, single) = run(50_000, |number| number % 100 != 50);
    let (_, bursts) = run(50_000, |number| number % 1000 < 490 || number % 1000 >= 500);
    assert_eq!((single.lost, bursts.lost), (500, 500));
    assert!(single.loss_effect < 1.1, "{}", single.loss_effect);
    // Runs of ten: ten losses tell what one does.
    assert!((8.0..=10.5).contains(&bursts.loss_effect), "{}", bursts.loss_effect);
}

#[test]
fn memory_does_not_grow_with_the_time() {
    // The structure's own words of its sizes: what it holds after one turn and after four is the same.
    let held = |flow: &Flow| format!("{flow:?}").len();
    let (one, _) = run(70_000, |_| true);
    let (four, _) = run(280_000, |_| true);
    assert!(held(&four) < held(&one) * 2, "{} {}", held(&four), held(&one));
}
