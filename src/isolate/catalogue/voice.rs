//! Faults that speech shows: a delay that varies, and a marking that gets lost.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "home-jitter",
        title: "the delay varies in the home more than a telephone's buffer holds",
        place: Place::BehindGatewayOnly,
        prior: 30.0,
        shows: &[
            (DelayVaries, 0.95),
            (VariationInHome, 0.9),
            (DelayTooLong, 0.5),
            (DelayUnderLoad, 0.3),
            (QueueDown, 0.8),
            (QueueUp, 0.8),
        ],
        next: &[
            "see whether a radio or a power-line link lies between this port and the gateway, and repeat at the gateway itself by cable",
            "unplug what else is connected, one after the other, and repeat",
        ],
    },
    Fault {
        id: "access-jitter",
        title: "the delay varies on the access line more than a telephone's buffer holds",
        place: Place::Always(Segment::Access),
        prior: 30.0,
        shows: &[
            (DelayVaries, 0.95),
            (VariationInAccess, 0.9),
            (DelayTooLong, 0.5),
            (DelayUnderLoad, 0.5),
            (QueueDown, 0.8),
            (QueueUp, 0.8),
            (DownTooSlow, 0.2),
            (UpTooSlow, 0.2),
            (LineErrors, 0.3),
        ],
        next: &[
            "see that nothing in the home fills the line, then repeat at the terminal or modem",
            "ask for the line's retransmission and interleaving settings, and for its errored seconds (copper), or for how full the shared segment is (fibre, coax)",
            "hand the calls' figures in this record to the operations centre",
        ],
    },
    Fault {
        id: "network-jitter",
        title: "the delay varies behind the provider's first hop more than a telephone's buffer holds",
        place: Place::Always(Segment::Network),
        prior: 20.0,
        shows: &[
            (DelayVaries, 0.95),
            (VariationInNetwork, 0.9),
            (DelayTooLong, 0.5),
            (DelayUnderLoad, 0.3),
            (QueueDown, 0.8),
            (QueueUp, 0.8),
        ],
        next: &[
            "repeat against a second far end if there is one",
            "hand this record to the operations centre: the line itself is steady",
        ],
    },
    Fault {
        id: "marking-lost",
        title: "speech does not keep the marking that was sold with it",
        place: Place::Always(Segment::Network),
        prior: 15.0,
        shows: &[(MarkingLost, 0.97)],
        next: &[
            "repeat at the terminal or modem: a gateway may mark anew what it does not know as its own telephone's",
            "hand both code points and the direction in this record to the operations centre",
        ],
    },
];
