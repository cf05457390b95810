//! Faults that the access line's own figures tell, where somebody typed them in.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "sync-below-sold",
        title: "the access line's own rate is lower than what was sold",
        place: Place::Always(Segment::Access),
        prior: 20.0,
        shows: &[(SyncBelowSold, 0.98), (DownTooSlow, 0.7), (UpTooSlow, 0.4), (LowMargin, 0.3), (LineErrors, 0.3)],
        next: &[
            "compare the line's rate with the attainable one and with the profile provisioned: a smaller profile is usual",
            "where the attainable rate is low too: take off extension wiring, try the first socket, then hand the line over for \
             work on the pair",
            "work on pairs has hazards of its own (ringing and feeding voltage): follow the operator's rules",
        ],
    },
    Fault {
        id: "line-disturbed",
        title: "the access line is disturbed: little margin or many errored seconds",
        place: Place::Always(Segment::Access),
        prior: 30.0,
        shows: &[(LowMargin, 0.7), (LineErrors, 0.8)],
        next: &[
            "try the first socket without extension wiring, and another power supply of the modem",
            "look at the counters again after 15 minutes; hand the line over with both readings if they rose",
        ],
    },
    Fault {
        id: "optical-level",
        title: "the light that arrives lies outside of the terminal's range",
        place: Place::Always(Segment::Access),
        prior: 20.0,
        shows: &[(LightOutOfRange, 0.97)],
        next: &[
            "look for sharp bends and unclean plugs; inspect and clean them as the operator's rules say",
            "keep your eyes away from open fibre ends",
            "hand the measured level to the operations centre: splitter, splice or drop cable",
        ],
    },
];
