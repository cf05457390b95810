//! Faults of the test set that it finds out about itself.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "port-is-radio",
        title: "the test set is connected by radio, so the line itself can't be shown",
        place: Place::Always(Segment::TestSet),
        prior: 20.0,
        shows: &[(PortIsRadio, 0.99), (BoundByTestSet, 0.6)],
        next: &["plug the test set in by cable, switch its radio off, then repeat"],
    },
    Fault {
        id: "adapter-bus-slow",
        title: "the Ethernet adapter hangs on a USB that is slower than the port or the service",
        place: Place::Always(Segment::TestSet),
        prior: 30.0,
        shows: &[(AdapterBusSlow, 0.98), (BoundByTestSet, 0.6)],
        next: &[
            "plug the adapter into a socket of USB 3 (blue, or marked SS) of the test set itself, without a hub, then repeat",
            "use a built-in port or another adapter",
        ],
    },
    Fault {
        id: "cores-held-back",
        title: "the test set slows its cores down, against heat or to save power",
        place: Place::Always(Segment::TestSet),
        prior: 20.0,
        shows: &[(CoresHeldBack, 0.98), (BoundByTestSet, 0.5)],
        next: &["let the test set cool in the shade, free its vents, use mains power and full performance, then repeat"],
    },
    Fault {
        id: "time-stolen",
        title: "the test set is a guest on a busy host, which gives its time to others",
        place: Place::Always(Segment::TestSet),
        prior: 5.0,
        shows: &[(TimeStolen, 0.98), (BoundByTestSet, 0.5)],
        next: &["repeat on a machine of its own, or when its host is idle"],
    },
    Fault {
        id: "tunnel-on-test-set",
        title: "a tunnel (VPN) is up on the test set: a browser there shows the tunnel and not the line",
        place: Place::Always(Segment::TestSet),
        prior: 10.0,
        shows: &[(TunnelUp, 0.98)],
        next: &[
            "switch the tunnel off before anything is compared with a browser on this test set; this visit's figures did not go through it",
            "where the customer's own machine has one, repeat there without it",
        ],
    },
];
