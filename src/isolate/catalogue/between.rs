//! Faults of what stands between: address translators, and links that carry no large packets.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "double-nat",
        title: "two address translators stand in a row in the home",
        place: Place::BehindGatewayOnly,
        prior: 80.0,
        shows: &[(DoubleTranslation, 0.95)],
        next: &[
            "see whether the customer's own router is plugged in behind the provider's gateway, or the other way round",
            "switch one of the two to bridging, or plug in before the second, then repeat",
        ],
    },
    Fault {
        id: "carrier-nat",
        title: "the provider translates addresses too, so nobody outside can reach the customer over IPv4",
        place: Place::Always(Segment::Network),
        prior: 60.0,
        shows: &[(CarrierTranslation, 0.97)],
        next: &[
            "see whether a public IPv4 address belongs to what was sold, and have it provisioned if so",
            "what the customer wants reached from outside can use IPv6 where it works",
        ],
    },
    Fault {
        id: "mtu-blackhole",
        title: "large packets vanish without a word: a link carries less than it says, and its errors are filtered or never sent",
        place: Place::Always(Segment::Access),
        prior: 20.0,
        shows: &[
            (MtuBlackhole, 0.98),
            (DownTooSlow, 0.7),
            (UpTooSlow, 0.7),
            (FarEndSilent, 0.2),
            (DelayUnderLoad, 0.1),
            (QueueDown, 0.6),
            (QueueUp, 0.6),
        ],
        next: &[
            "repeat at the terminal or modem to rule the gateway out",
            "compare the MTU of the gateway's WAN side with the service's encapsulation (PPPoE takes 8 octets, a VLAN tag 4)",
            "hand the size and direction in this record to the operations centre",
        ],
    },
    Fault {
        id: "small-mtu",
        title: "the path carries smaller packets than sold",
        place: Place::Always(Segment::Access),
        prior: 40.0,
        shows: &[(SmallMtu, 0.97), (DownTooSlow, 0.05), (UpTooSlow, 0.05)],
        next: &[
            "compare the MTU of the gateway's WAN side with the service's encapsulation (PPPoE takes 8 octets, a tunnel more)",
            "ask whether the service should carry the larger size (RFC 4638 over PPPoE)",
        ],
    },
];
