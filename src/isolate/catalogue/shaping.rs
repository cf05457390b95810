//! Faults of how the provider shapes, shares and queues.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "wrong-tier",
        title: "another tier than the one sold is configured: both rates are exactly those of that tier",
        place: Place::Always(Segment::Network),
        prior: 30.0,
        shows: &[(RateOfAnotherTier, 0.95), (DownTooSlow, 0.9), (UpTooSlow, 0.8)],
        next: &[
            "hand the rates of this record and the tier they match to the operations centre: the order and the configuration differ",
            "have it configured anew and repeat: nothing on the line needs work",
        ],
    },
    Fault {
        id: "per-flow-shaper",
        title: "each connection is held to a rate of its own, so that one alone stays far below what was sold",
        place: Place::Always(Segment::Network),
        prior: 10.0,
        shows: &[(SingleFlowShaped, 0.97), (DownTooSlow, 0.3), (UpTooSlow, 0.2)],
        next: &[
            "see whether a device in the home shares the line out by connection, then repeat at the terminal or modem",
            "hand the rates of one and of several streams in this record to the operations centre",
        ],
    },
    Fault {
        id: "deep-queue-up",
        title: "the queue toward the line, in the gateway or modem, is too deep: whoever sends delays everybody",
        place: Place::NextToThePort,
        prior: 40.0,
        shows: &[(DelayUnderLoad, 0.97), (QueueUp, 0.97)],
        next: &[
            "switch queue management on at the gateway, or limit its sending rate to a little below the line's, and repeat",
            "repeat at the terminal or modem: a queue that is there too is not the gateway's",
        ],
    },
    Fault {
        id: "deep-queue-down",
        title: "the provider's queue toward the customer is too deep: whoever receives delays everybody",
        place: Place::Always(Segment::Access),
        prior: 25.0,
        shows: &[(DelayUnderLoad, 0.97), (QueueDown, 0.97)],
        next: &["ask whether the provider's shaper manages its queue (RFC 7567)"],
    },
    Fault {
        id: "evening-congestion",
        title: "the network behind the line is full at this hour (suspected: one visit can't show it)",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        // What it shows of our own load it shows of nobody's too: the delay stands without any.
        shows: &[
            (EveningHour, 0.9995),
            (DownTooSlow, 0.8),
            (DelayTooLong, 0.9),
            (DelayInNetwork, 0.9),
            (DelayVaries, 0.6),
            (VariationInNetwork, 0.9),
            (LossToFarEnd, 0.3),
            (UpTooSlow, 0.2),
        ],
        next: &[
            "repeat in the morning, from the same port, and compare the two records: what is gone then was the hour's",
            "hand both records to the operations centre, with the hour",
        ],
    },
    Fault {
        id: "half-of-flows-lost",
        title: "one of several equal ways in the network carries nothing: some connections never come about, others are whole",
        place: Place::Always(Segment::Network),
        prior: 2.0,
        shows: &[(OneWayLoses, 0.95), (FlowsVanish, 0.95), (LossToFarEnd, 0.2), (FarEndSilent, 0.3), (AllResolversDead, 0.1)],
        next: &[
            "hand the flows' ports in this record to the operations centre: a member of a bundle or one of several equal routes is dead, and a retest from another port may look fine",
        ],
    },
];
