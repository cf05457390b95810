use proptest::prelude::*;

use super::*;

fn arrivals(order: &[u64], times: Option<&[i64]>) -> Vec<Arrival> {
    order
        .iter()
        .enumerate()
        .map(|(i, &sequence)| Arrival { sequence, at: times.map_or(i as i64, |t| t[i]), octets: 100 })
        .collect()
}

/// Sequence, extent, late time, byte offset, n-reordering.
type Want = (u64, u64, i64, u64, u64);

fn got(reordering: &Reordering) -> Vec<Want> {
    reordering.reordered.iter().map(|r| (r.sequence, r.extent, r.late_time, r.byte_offset, r.n_reordering)).collect()
}

#[test]
fn table_1_of_rfc_4737_one_packet_four_places_late() {
    let seen = arrivals(&[1, 2, 3, 5, 6, 7, 8, 4, 9, 10], Some(&[68, 88, 108, 148, 168, 188, 208, 210, 228, 248]));
    let reordering = Reordering::of(&seen, 1);
    assert_eq!(got(&reordering), [(4, 4, 62, 400, 4)]);
    assert_eq!(reordering.ratio(), Some(0.1));
    assert_eq!((reordering.degree(3), reordering.degree(5)), (Some(0.1), Some(0.0)));
}

#[test]
fn table_2_of_rfc_4737_two_packets_overtaken_by_one() {
    let seen = arrivals(&[1, 2, 3, 4, 7, 5, 6, 8, 9, 10], Some(&[68, 88, 108, 128, 188, 189, 190, 208, 228, 248]));
    assert_eq!(got(&Reordering::of(&seen, 1)), [(5, 1, 1, 100, 1), (6, 2, 2, 100, 0)]);
}

#[test]
fn table_3_of_rfc_4737_three_packets_overtaken_by_four() {
    let seen = arrivals(&[1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11], Some(&[68, 88, 108, 188, 208, 228, 248, 250, 252, 256, 268]));
    assert_eq!(got(&Reordering::of(&seen, 1)), [(4, 4, 62, 400, 4), (5, 5, 64, 400, 0), (6, 6, 68, 400, 0)]);
}

#[test]
fn table_4_of_rfc_4737_gaps_and_free_runs() {
    let seen = arrivals(&[1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16], None);
    let reordering = Reordering::of(&seen, 1);
    let extents: Vec<_> = reordering.reordered.iter().map(|r| (r.sequence, r.extent)).collect();
    assert_eq!(extents, [(4, 2), (5, 3), (11, 2)]);
    // Section 4.5: discontinuities at packet 6 (j = 4) and packet 12 (j' = 11), gap 7.
    assert_eq!(reordering.discontinuities, [(3, 2), (10, 1)]);
    assert_eq!(reordering.gaps(), [7]);
    // Section 4.6: runs of 5, 0 and 5.
    assert_eq!((reordering.free_runs.runs, reordering.free_runs.squares), (3, 50));
}

#[test]
fn note_of_rfc_4737_section_5_3_only_the_first_is_n_reordered() {
    let reordering = Reordering::of(&arrivals(&[1, 2, 3, 7, 8, 9, 4, 5, 6], None), 1);
    let n: Vec<_> = reordering.reordered.iter().map(|r| (r.sequence, r.extent, r.n_reordering)).collect();
    assert_eq!(n, [(4, 3, 3), (5, 4, 0), (6, 5, 0)]);
}

#[test]
fn free_run_counters_of_rfc_4737_section_4_6() {
    let mut even = FreeRuns::default();
    let mut uneven = FreeRuns::default();
    for (counters, runs) in [(&mut even, [11, 11, 11]), (&mut uneven, [1, 1, 31])] {
        for run in runs {
            for _ in 0..run {
                counters.on_arrival(Order::InOrder);
            }
            counters.on_arrival(Order::Reordered);
        }
    }
    assert_eq!((even.packets, even.runs, even.in_order, even.squares), (36, 3, 33, 363));
    assert_eq!((even.mean(), even.mean_per_packet()), (Some(11.0), Some(11.0)));
    assert_eq!((uneven.packets, uneven.runs, uneven.in_order, uneven.squares), (36, 3, 33, 963));
    let per_packet = uneven.mean_per_packet().expect("runs");
    assert!((per_packet - 29.18).abs() < 0.005, "q/a {per_packet}");
    // Printed 2.65: 29.18/11 = 2.653.
    assert!((per_packet / uneven.mean().expect("runs") - 2.65).abs() < 0.005);
}

#[test]
fn loss_alone_is_no_reordering() {
    let reordering = Reordering::of(&arrivals(&[0, 1, 4, 5, 9], None), 0);
    assert_eq!((reordering.reordered.len(), reordering.discontinuities.len()), (0, 2));
    assert_eq!(Reordering::of(&[], 0).ratio(), None);
}

/// The definitions of RFC 4737 sections 3.3, 4.2 and 5.3, taken literally.
fn naive(seen: &[Arrival]) -> Vec<Want> {
    let mut found = Vec::new();
    let mut next_expected = 0;
    for (i, arrival) in seen.iter().enumerate() {
        if arrival.sequence >= next_expected {
            next_expected = arrival.sequence + 1;
            continue;
        }
        let j = (0..i).find(|&j| seen[j].sequence > arrival.sequence).expect("one is larger");
        let octets = seen[j..i].iter().filter(|a| a.sequence > arrival.sequence).map(|a| a.octets).sum();
        let n = seen[..i].iter().rev().take_while(|a| a.sequence > arrival.sequence).count() as u64;
        found.push((arrival.sequence, (i - j) as u64, arrival.at - seen[j].at, octets, n));
    }
    found
}

proptest! {
    #[test]
    fn agrees_with_the_definitions_on_any_order(order in Just((0u64..40).collect::<Vec<_>>()).prop_shuffle(), keep in 1usize..40) {
        let seen = arrivals(&order[..keep], None);
        prop_assert_eq!(got(&Reordering::of(&seen, 0)), naive(&seen));
    }
}
