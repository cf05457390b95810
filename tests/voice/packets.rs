//! Speech packets as tshark reads them.

use std::collections::BTreeMap;

use doorstep::practice::topology::LAPTOP_PORT;
use doorstep::practice::{LineConfig, Node};
use doorstep::unit::{CallTerms, Codec};

use crate::capture::Capture;
use crate::{calls, view};

#[test]
fn packets_are_rtp_with_numbers_and_times_in_step_each_way() {
    let line = view::line(LineConfig::default());
    for (codec, kind, octets) in [(Codec::G711ALaw, "8", 160), (Codec::G729A, "18", 20)] {
        let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "udp");
        calls(&line, CallTerms { calls: 2, codec, ..CallTerms::default() });
        let fields = [
            "rtp.ssrc",
            "rtp.seq",
            "rtp.timestamp",
            "rtp.p_type",
            "rtp.marker",
            "rtp.version",
            "udp.length",
            "ip.dsfield.dscp",
            "frame.time_epoch",
        ];
        let rows = capture.end_as(&["--enable-heuristic", "rtp_udp"], fields);
        let mut streams = BTreeMap::<String, Vec<[String; 9]>>::new();
        for row in rows.into_iter().filter(|row| !row[0].is_empty()) {
            streams.entry(row[0].clone()).or_default().push(row);
        }
        // Two calls and the one to compare with, both ways.
        assert_eq!(streams.len(), 6, "{:?}", streams.keys());
        let (mut marked, mut first) = (0, 0);
        for rows in streams.values() {
            // A busy machine's capture misses one now and then; what it missed shows in the numbers.
            assert!((140..=150).contains(&rows.len()), "{}", rows.len());
            let number = |row: &[String; 9], at: usize| row[at].parse::<f64>().expect("a number");
            marked += usize::from(rows[0][7] == "46");
            for (place, pair) in rows.windows(2).enumerate() {
                let (one, next) = (&pair[0], &pair[1]);
                let steps = (number(next, 1) - number(one, 1)).rem_euclid(65_536.0);
                assert!((1.0..=10.0).contains(&steps), "{place}: {steps}");
                assert_eq!((number(next, 2) - number(one, 2)).rem_euclid(4_294_967_296.0), 160.0 * steps, "{place}");
                assert_eq!([&next[3], &next[5], &next[6]], [kind, "2", &(8 + 12 + octets).to_string()], "{next:?}");
                assert_eq!(next[7], rows[0][7]);
                assert!(["0", "False"].contains(&next[4].as_str()), "{next:?}");
            }
            // A clock of 8000 a second: 160 samples take 20 ms, whatever a busy machine does to the first or last packet.
            let last = &rows[rows.len() - 1];
            let (took, packets) =
                (number(last, 8) - number(&rows[0], 8), (number(last, 1) - number(&rows[0], 1)).rem_euclid(65_536.0));
            assert!((packets * 0.02 - 0.1..packets * 0.02 + 0.3).contains(&took), "{took} for {packets}");
            first += usize::from(["1", "True"].contains(&rows[0][4].as_str()));
        }
        assert!(first >= 5, "the first of each stream is marked: {first}");
        assert_eq!(marked, 4);
    }
}
