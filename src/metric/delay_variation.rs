//! Packet delay variation in both forms of RFC 5481: against the smallest delay (PDV) and against the packet before (IPDV).
//!
//! Delays come in sending order, `None` where the packet was lost, in one unit of the caller's choice (ours:
//! nanoseconds). The clocks of the two ends need not agree: a constant offset cancels in both forms, so delays may be
//! negative. The hard thing is what is undefined: a lost packet must never enter as a zero.

/// Delay of each packet above the smallest of the interval, `PDV(i) = D(i) - D(min)` (RFC 5481 section 4.2).
///
/// Never negative; `None` where the packet was lost.
pub fn pdv(delays: &[Option<i64>]) -> Vec<Option<i64>> {
    let Some(min) = delays.iter().copied().flatten().min() else { return vec![None; delays.len()] };
    delays.iter().map(|delay| delay.map(|delay| delay.saturating_sub(min))).collect()
}

/// Delay of each packet less that of the one sent just before it (RFC 3393 section 2, RFC 5481 section 4.1).
///
/// `None` for the first, and where this packet or the one before was lost.
pub fn ipdv(delays: &[Option<i64>]) -> Vec<Option<i64>> {
    let mut previous = None;
    delays
        .iter()
        .map(|&delay| {
            let difference = delay.zip(previous).map(|(now, before): (i64, i64)| now.saturating_sub(before));
            previous = delay;
            difference
        })
        .collect()
}

/// Largest less smallest of the defined values; `None` when there are none.
pub fn range(values: &[Option<i64>]) -> Option<i64> {
    let defined = || values.iter().copied().flatten();
    Some(defined().max()?.saturating_sub(defined().min()?))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const U: Option<i64> = None;
    const L: Option<i64> = None;

    fn s<const N: usize>(values: [i64; N]) -> [Option<i64>; N] {
        values.map(Some)
    }

    #[test]
    fn the_worked_examples_of_rfc_5481_come_out() {
        type Row<'a> = (&'a str, &'a [Option<i64>], &'a [Option<i64>], &'a [Option<i64>]);
        let v = Some;
        let rows: [Row<'_>; 4] = [
            ("Figure 1", &s([20, 10, 20, 25, 20]), &[U, v(-10), v(10), v(5), v(-5)], &s([10, 0, 10, 15, 10])),
            ("Figure 3", &[v(3), L, v(5), L, v(4), L, v(3), L, v(4)], &[U; 9], &[v(0), U, v(2), U, v(1), U, v(0), U, v(1)]),
            (
                "Figure 4",
                &[v(3), v(4), L, L, L, L, L, v(5), v(4), v(3)],
                &[U, v(1), U, U, U, U, U, U, v(-1), v(-1)],
                &[v(0), v(1), U, U, U, U, U, v(2), v(1), v(0)],
            ),
            (
                "Figure 5",
                &s([4, 4, 4, 4, 9, 9, 9, 9, 9]),
                &[U, v(0), v(0), v(0), v(5), v(0), v(0), v(0), v(0)],
                &s([0, 0, 0, 0, 5, 5, 5, 5, 5]),
            ),
        ];
        for (source, delays, want_ipdv, want_pdv) in rows {
            assert_eq!(ipdv(delays), want_ipdv, "IPDV, RFC 5481 {source}");
            assert_eq!(pdv(delays), want_pdv, "PDV, RFC 5481 {source}");
        }
        // Figure 1 prints the ranges: IPDV 20, PDV 15.
        let delays = s([20, 10, 20, 25, 20]);
        assert_eq!((range(&ipdv(&delays)), range(&pdv(&delays))), (Some(20), Some(15)));
    }

    #[test]
    fn a_burst_drains_as_rfc_5481_section_5_2_says() {
        // A burst queues 85 ms before a stream of one packet each 20 ms; the queue drains in between.
        let delays: Vec<_> = [85, 65, 45, 25, 5, 0].iter().map(|queue| Some(queue + 7)).collect();
        assert_eq!(pdv(&delays), s([85, 65, 45, 25, 5, 0]));
    }

    #[test]
    fn ipdv_of_rfc_4737_table_1_is_82_down_and_up() {
        // Sent every 20 ms, delay 68 ms, packet 4 takes 150 ms: by sending number +82 at 4 and -82 at 5.
        let delays = s([68, 68, 68, 150, 68, 68, 68, 68, 68, 68]);
        let mut want = vec![Some(0); 10];
        (want[0], want[3], want[4]) = (None, Some(82), Some(-82));
        assert_eq!(ipdv(&delays), want);
    }

    #[test]
    fn nothing_received_varies_nothing() {
        assert_eq!(pdv(&[L, L]), [U, U]);
        assert_eq!(range(&pdv(&[L, L])), None);
        assert_eq!(ipdv(&[]), []);
    }

    proptest! {
        #[test]
        fn a_clock_offset_changes_neither(delays in prop::collection::vec(prop::option::of(-1_000_000i64..1_000_000), 0..50), offset in -1_000_000_000i64..1_000_000_000) {
            let moved: Vec<_> = delays.iter().map(|d| d.map(|d| d + offset)).collect();
            prop_assert_eq!(pdv(&delays), pdv(&moved));
            prop_assert_eq!(ipdv(&delays), ipdv(&moved));
            prop_assert!(pdv(&delays).iter().flatten().all(|&v| v >= 0));
        }
    }
}
