use proptest::prelude::*;

use super::*;

#[test]
fn the_ten_packets_of_rfc_3357_section_6_come_out() {
    let lost = [2, 5, 7, 9, 10];
    let pattern = LossPattern::of((1..=10).map(|packet| lost.contains(&packet)));
    assert_eq!(pattern.distances, [0, 3, 2, 2, 1]);
    assert_eq!(pattern.periods, [1, 1, 1, 2]);
    assert_eq!(pattern.between_periods, [0, 3, 2, 2]);
    // Delta 2: three of five losses.
    assert_eq!(pattern.noticeable_rate(2), Some(0.6));
}

#[test]
fn loss_periods_of_rfc_3357_begin_where_it_says() {
    let pattern = LossPattern::of("rrrxrrxxxrxrrxxx".chars().map(|c| c == 'x'));
    assert_eq!(pattern.period_starts, [3, 6, 10, 13]);
    assert_eq!(pattern.periods, [1, 3, 1, 3]);
}

#[test]
fn loss_distance_of_rfc_3357_between_20_and_50_is_30() {
    let pattern = LossPattern::of((0..60).map(|packet| packet == 20 || packet == 50));
    assert_eq!(pattern.distances, [0, 30]);
}

#[test]
fn no_loss_has_no_pattern() {
    let pattern = LossPattern::of([false; 5]);
    assert_eq!(pattern, LossPattern::default());
    assert_eq!(pattern.noticeable_rate(2), None);
}

fn fates(pattern: &str) -> Vec<Fate> {
    pattern
        .chars()
        .map(|c| match c {
            '1' => Fate::Received,
            '0' => Fate::Lost,
            _ => Fate::Discarded,
        })
        .collect()
}

#[test]
fn the_stream_of_rfc_3611_appendix_a_2_comes_out() {
    // The RFC says 64 packets but prints 63; its gap of 290 ms needs one more received at the end, which is added here.
    let stream = fates("11110111111111111111111X111X1011110111111111111111111X1111111111");
    assert_eq!(stream.len(), 64);
    let got = BurstGap::of(&stream, RECOMMENDED_GMIN);
    assert_eq!((got.lost, got.discarded), (3, 3));
    // Burst of 120 ms (12 packets of 10 ms) with density 0.33; gaps of 230 and 290 ms with density 0.04.
    assert_eq!(got.bursts, Stretches { count: 1, packets: 12, bad: 4 });
    assert_eq!(got.gaps, Stretches { count: 2, packets: 52, bad: 2 });
    // Report fields are shares in 1/256; the printed ones come from rounded percentages, so one unit either way.
    for (share, printed) in [(3.0 / 64.0, 12.0), (got.bursts.density(), 84.0), (got.gaps.density(), 10.0)] {
        let field: f64 = share * 256.0;
        assert!((field - printed).abs() < 1.5, "{field} against {printed}");
    }
}

#[test]
fn an_isolated_loss_is_part_of_the_gap() {
    let mut stream = vec![Fate::Received; 40];
    stream[20] = Fate::Lost;
    let got = BurstGap::of(&stream, RECOMMENDED_GMIN);
    assert_eq!((got.bursts.count, got.gaps), (0, Stretches { count: 1, packets: 40, bad: 1 }));
}

#[test]
fn a_stream_that_is_all_lost_is_one_burst() {
    let got = BurstGap::of(&[Fate::Lost; 9], RECOMMENDED_GMIN);
    assert_eq!((got.bursts, got.gaps), (Stretches { count: 1, packets: 9, bad: 9 }, Stretches::default()));
}

proptest! {
    #[test]
    fn every_packet_is_in_a_burst_or_a_gap(pattern in prop::collection::vec(0u8..3, 0..200), gmin in 1u64..20) {
        let stream: Vec<_> = pattern.iter().map(|p| [Fate::Received, Fate::Lost, Fate::Discarded][usize::from(*p)]).collect();
        let got = BurstGap::of(&stream, gmin);
        prop_assert_eq!(got.bursts.packets + got.gaps.packets, stream.len() as u64);
        prop_assert_eq!(got.bursts.bad + got.gaps.bad, got.lost + got.discarded);
        prop_assert!(got.gaps.bad <= got.gaps.packets && got.gaps.count <= got.bursts.count + 1);
        // RFC 3611 section 4.7.2: in a gap at most one in Gmin + 1 is bad, edges of the stream apart.
        prop_assert!(got.gaps.bad <= got.gaps.packets.div_ceil(gmin + 1) + got.gaps.count);
    }
}
