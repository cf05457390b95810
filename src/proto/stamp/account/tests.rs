use super::*;
use crate::proto::stamp::sim::{Fate, Line, Sim, stream};

const MS: i64 = 1_000_000;

fn pass(ms: u64) -> Fate {
    Fate::after([Duration::from_millis(ms)])
}

fn ways(account: &Account) -> &Ways {
    account.ways.as_ref().expect("directions told apart")
}

#[test]
fn a_clean_line_loses_nothing_and_shows_its_delay_without_the_reflector_s_own() {
    let account = Sim::new(stream(200)).line(Line { there: |_, _| pass(7), back: |_, _| pass(13) }).reflector_takes_us(450).run();
    assert_eq!((account.sent, account.lost, account.late, account.discarded), (200, 0, 0, 0));
    assert_eq!(account.stamped_by, Some(StampSource::Kernel));
    // NTP stamps are of 2^-32 s, a quarter of a nanosecond.
    assert!(account.round_trip.iter().all(|rt| rt.is_some_and(|rt| (rt - 20 * MS).abs() <= 1)));
    let Ways { forward, backward, undetermined, clock_steps, .. } = ways(&account);
    assert_eq!((forward.sent, forward.lost, backward.sent, backward.lost), (200, 0, 200, 0));
    assert_eq!((*undetermined, *clock_steps), (0, 0));
    assert!(forward.variation.iter().chain(&backward.variation).all(|v| v.is_some_and(|v| v <= 2)));
    assert_eq!((account.tally.clone(), account.seen.dscp_at_reflector.clone()), (Tally::default(), BTreeMap::from([(46, 200)])));
}

#[test]
fn losses_of_the_two_directions_are_told_apart_exactly() {
    let there = |i: u64, _: f64| if i % 10 == 3 { Fate::Lost } else { pass(5) };
    let back = |i: u64, _: f64| if i % 25 == 7 { Fate::Lost } else { pass(5) };
    let account = Sim::new(stream(500)).line(Line { there, back }).run();
    let Ways { forward, backward, undetermined, .. } = ways(&account);
    assert_eq!((forward.sent, forward.lost), (500, 50));
    assert_eq!((backward.sent, backward.lost), (450, 18), "450 were reflected, every 25th of them was lost");
    assert_eq!((account.lost, *undetermined), (68, 0));
}

#[test]
fn a_lost_tail_is_told_apart_by_closing_packets() {
    // The stream's last three are lost on the way there; the packets after them come through.
    let there = |i: u64, _: f64| if (97..100).contains(&i) { Fate::Lost } else { pass(5) };
    let account = Sim::new(stream(100)).line(Line { there, back: |_, _| pass(5) }).run();
    let Ways { forward, backward, undetermined, .. } = ways(&account);
    assert_eq!((forward.lost, backward.lost, *undetermined), (3, 0, 0));
    assert_eq!((account.sent, account.lost), (100, 3), "closing packets are not part of the stream");
    assert!(forward.sent >= 100 && forward.sent <= 104, "{}", forward.sent);
}

#[test]
fn a_far_end_that_dies_leaves_the_rest_undetermined() {
    let there = |i: u64, _: f64| if i >= 60 { Fate::Lost } else { pass(5) };
    let account = Sim::new(stream(100)).line(Line { there, back: |_, _| pass(5) }).run();
    let Ways { forward, backward, undetermined, .. } = ways(&account);
    assert_eq!((account.lost, *undetermined), (40, 40));
    assert_eq!((forward.sent, forward.lost, backward.sent, backward.lost), (60, 0, 60, 0));
}

#[test]
fn nothing_answered_tells_no_direction() {
    let account = Sim::new(stream(50)).line(Line { there: |_, _| Fate::Lost, back: |_, _| pass(1) }).run();
    assert_eq!((account.sent, account.lost, account.stamped_by), (50, 50, None));
    assert!(account.ways.is_none());
}

#[test]
fn answers_after_the_wait_are_late_and_count_as_lost() {
    let back = |i: u64, _: f64| if i == 4 { pass(2_500) } else { pass(5) };
    let account = Sim::new(stream(200)).line(Line { there: |_, _| pass(5), back }).run();
    assert_eq!((account.lost, account.late), (1, 1));
    assert_eq!(account.round_trip[4], None);
    assert_eq!(ways(&account).backward.lost, 0, "it did arrive");
}

#[test]
fn reordering_and_copies_are_seen_in_their_direction() {
    // Every 20th packet takes 50 ms more on the way there: it is overtaken by two (20 ms apart). On the way back every
    // 30th comes twice.
    let there = |i: u64, _: f64| if i % 20 == 10 { pass(55) } else { pass(5) };
    let back = |i: u64, _: f64| {
        if i % 30 == 5 { Fate::after([Duration::from_millis(5), Duration::from_millis(6)]) } else { pass(5) }
    };
    let account = Sim::new(stream(300)).line(Line { there, back }).run();
    let Ways { forward, backward, .. } = ways(&account);
    assert_eq!(forward.reordering.reordered.len(), 15);
    assert!(
        forward.reordering.reordered.iter().all(|r| r.extent == 2 && r.late_time == 30 * MS),
        "50 - 20 ms after the first that overtook it"
    );
    assert_eq!((backward.reordering.reordered.len(), backward.duplication.replicated), (0, 10));
    assert_eq!((forward.duplication.replicated, forward.lost, backward.lost), (0, 0, 0));

    let account = Sim::new(stream(300)).line(Line { there: back, back: there }).run();
    let Ways { forward, backward, .. } = ways(&account);
    assert_eq!((forward.duplication.replicated, forward.duplication.copies), (10, 310));
    assert_eq!((forward.reordering.reordered.len(), forward.lost, backward.lost), (0, 0, 0));
    assert!(backward.reordering.reordered.len() >= 14);
}

#[test]
fn a_step_of_the_own_clock_discards_samples_and_no_more() {
    // The clock is set half a second ahead while packets are under way: those have one stamp of either kind.
    let account = Sim::new(stream(300)).line(Line { there: |_, _| pass(30), back: |_, _| pass(30) }).near_step(3_000, 500).run();
    assert_eq!(account.lost, 0);
    assert!((3..=4).contains(&account.discarded), "60 ms at one packet in 20 ms: {}", account.discarded);
    assert!(account.round_trip.iter().flatten().all(|rt| (rt - 60 * MS).abs() <= 1));
    let ways = ways(&account);
    assert_eq!(ways.clock_steps, 1);
    assert!(ways.forward.variation.iter().flatten().all(|v| *v <= 2), "the step is cut out of the variation");
    assert!(ways.outside_stretch > 100);
}

#[test]
fn a_step_of_the_reflector_s_clock_is_cut_out_of_the_variation() {
    let account = Sim::new(stream(300)).line(Line { there: |_, _| pass(5), back: |_, _| pass(5) }).far_step(2_000, -800).run();
    assert_eq!((account.lost, account.discarded), (0, 0));
    let ways = ways(&account);
    assert_eq!(ways.clock_steps, 1);
    assert!(ways.forward.variation.iter().chain(&ways.backward.variation).flatten().all(|v| *v <= 2));
}

#[test]
fn drift_of_the_reflector_s_clock_does_not_show_as_variation() {
    // 100 ppm over 10 s would be a millisecond. Delays vary by up to 3 ms, evenly.
    let vary = |_: u64, u: f64| Fate::after([Duration::from_micros(5_000 + (u * 3_000.0) as u64)]);
    let account = Sim::new(stream(500)).line(Line { there: vary, back: vary }).far_drift_ppm(100.0).run();
    let ways = ways(&account);
    let drift = ways.drift.expect("drift");
    assert!(drift.is_certain(), "{drift:?}");
    // What is left of 100 ppm is the windows' own noise: the best of 25 exchanges is within 3 ms / 5 of the least round
    // trip, so 0.3 ms over most of 10 s.
    assert!((drift.rate * 1e6 - 100.0).abs() < 40.0, "{drift:?}");
    let most = ways.forward.variation.iter().flatten().max().expect("samples");
    assert!(*most < 3 * MS + 400_000, "largest variation {most} ns");
}

#[test]
fn the_few_samples_without_a_kernel_stamp_are_left_out_of_the_delays() {
    let line = || Line { there: |_, _| pass(5), back: |_, _| pass(5) };
    let account = Sim::new(stream(100)).line(line()).user_stamps(|sequence| sequence % 20 == 0).run();
    assert_eq!((account.unstamped, account.stamped_by, account.lost), (5, Some(StampSource::Kernel), 0));
    let account = Sim::new(stream(100)).line(line()).user_stamps(|_| true).run();
    assert_eq!((account.unstamped, account.stamped_by), (0, Some(StampSource::User)));
}

#[test]
fn a_stateless_reflector_s_numbers_tell_no_direction() {
    let there = |i: u64, _: f64| if i % 10 == 3 { Fate::Lost } else { pass(5) };
    let sim = || Sim::new(stream(100)).line(Line { there, back: |_, _| pass(5) });
    assert!(sim().stateless().reflector(Reflector::Unknown).run().ways.is_none());
    assert!(sim().reflector(Reflector::Unknown).run().ways.is_some(), "other numbers than ours prove its own count");
}

#[test]
fn own_failures_to_send_are_no_loss() {
    let account = Sim::new(stream(100))
        .line(Line { there: |_, _| pass(5), back: |_, _| pass(5) })
        .send_fails(|attempt| attempt % 7 == 0)
        .run();
    assert_eq!((account.sent, account.lost), (100, 0));
    assert!(account.tally.send_failures > 10);
    assert_eq!(ways(&account).forward.lost, 0);
}

#[test]
fn an_authenticated_stream_gives_the_same_account() {
    let there = |i: u64, _: f64| if i % 10 == 3 { Fate::Lost } else { pass(5) };
    let account = Sim::new(stream(200)).line(Line { there, back: |_, _| pass(5) }).authenticated().run();
    let Ways { forward, backward, .. } = ways(&account);
    assert_eq!((account.lost, forward.lost, backward.lost, account.tally.forged), (20, 20, 0, 0));
    assert_eq!(account.seen.dscp_at_reflector.len(), 1);
}

#[test]
fn intervals_cover_the_true_loss_as_often_as_they_say() {
    // 400 seeded streams of 300 packets, 2 % lost there and 5 % back, independently. The exact interval covers at least
    // 95 %, so the misses are at most binomial(400, 0.05): P(more than 33) < 0.0015 (mean 20, deviation 4.4, three of
    // them is 33). Two directions are looked at, so a right program fails here once in some hundred changes of the
    // seeds, and they are fixed. That the interval isn't so wide as to be useless: at least one miss is expected
    // (P(none) of 0.05^0 0.97^400 = 5e-6, the exact interval's true coverage being near 97 % here).
    use crate::metric::loss_interval::clopper_pearson;
    let (mut missed_there, mut missed_back) = (0, 0);
    for seed in 0..400 {
        let there = |_: u64, u: f64| if u < 0.02 { Fate::Lost } else { pass(5) };
        let back = |_: u64, u: f64| if u < 0.05 { Fate::Lost } else { pass(5) };
        let account = Sim::new(stream(300)).seed(seed).line(Line { there, back }).run();
        let Ways { forward, backward, .. } = ways(&account);
        for (way, truth, missed) in [(forward, 0.02, &mut missed_there), (backward, 0.05, &mut missed_back)] {
            let interval = clopper_pearson(way.lost, way.sent, 0.95);
            let covered = interval.low.is_some_and(|low| low <= truth) && interval.high.is_some_and(|high| truth <= high);
            *missed += u32::from(!covered);
        }
    }
    for (missed, way) in [(missed_there, "there"), (missed_back, "back")] {
        assert!((1..=33).contains(&missed), "{missed} of 400 intervals of the way {way} miss the true ratio");
    }
}
