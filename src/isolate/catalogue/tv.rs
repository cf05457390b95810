//! Faults of TV by multicast.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "tv-no-querier",
        title: "nobody keeps the memberships of TV channels here, so that none comes",
        place: Place::NextToThePort,
        prior: 15.0,
        shows: &[(TvMissing, 0.97), (TvNoQuerier, 0.97)],
        next: &[
            "see that the gateway's multicast proxy (IGMP, MLD) or TV service is switched on, and that this port is one for TV",
            "see whether TV has a VLAN of its own on this port",
            "at the terminal: ask the operations centre whether the line has a multicast querier",
        ],
    },
    Fault {
        id: "tv-not-delivered",
        title: "joins of TV channels are heard here and bring nothing from the network",
        place: Place::Always(Segment::Network),
        prior: 15.0,
        // A query comes every 125 s by default: a short look may miss it.
        shows: &[(TvMissing, 0.97), (TvNoQuerier, 0.2)],
        next: &[
            "see that the TV service and these channels are active for this account",
            "hand group, source and version of the joins in this record to the operations centre: a filter or a missing multicast route",
        ],
    },
    Fault {
        id: "tv-other-vlan",
        title: "TV channels come in another VLAN than the one they are looked for in",
        place: Place::Always(Segment::Access),
        prior: 10.0,
        shows: &[(TvOtherVlan, 0.98), (TvMissing, 0.97), (TvNoQuerier, 0.8)],
        next: &[
            "set the VLAN that this record names for the port or the set-top box, or have the service profile of the line corrected",
        ],
    },
    Fault {
        id: "tv-forgotten",
        title: "a switch or gateway forgets who listens, so that TV channels end after a while",
        place: Place::NextToThePort,
        prior: 15.0,
        shows: &[(TvDropped, 0.97), (TvNoQuerier, 0.3)],
        next: &[
            "take switches between gateway and set-top box out of the way, one by one, and look again",
            "see that exactly one querier asks on this link, and that switches pass its queries on",
        ],
    },
    Fault {
        id: "tv-flooded",
        title: "TV channels that nobody asked for fill this port",
        place: Place::NextToThePort,
        prior: 15.0,
        shows: &[(TvFlooded, 0.97), (TvDoesNotStop, 0.3)],
        next: &[
            "switch snooping (IGMP, MLD) on in gateway and switches, or put switches without it out of TV's way",
            "a radio behind such a port suffers first: see whether the set-top box shares it",
        ],
    },
    Fault {
        id: "tv-does-not-stop",
        title: "TV channels go on after they were left",
        place: Place::NextToThePort,
        prior: 10.0,
        shows: &[(TvDoesNotStop, 0.97)],
        next: &[
            "see whether another set in the home watches the channel",
            "see that gateway and switches take leaves of this version",
        ],
    },
    Fault {
        id: "tv-loss",
        title: "packets of TV channels are lost in the network while others are not",
        place: Place::Always(Segment::Network),
        prior: 15.0,
        shows: &[(TvLoss, 0.97)],
        next: &[
            "compare the channels in this record: loss in all of them is the line's multicast, in one of them its source's",
            "hand the loss per channel and its times to the operations centre",
        ],
    },
    Fault {
        id: "tv-older-version",
        title: "memberships of TV channels are kept in an older version of IGMP or MLD than was sold",
        place: Place::NextToThePort,
        prior: 10.0,
        // Channels of one source can't be told apart then, and where reports are held to the version none comes.
        shows: &[(TvOlderVersion, 0.98), (TvMissing, 0.1)],
        next: &[
            "set the version of IGMP and MLD in the gateway's TV settings, or bring its firmware up to date",
            "see that no old switch or second gateway in the home asks in its place: the record has the querier's address",
            "at the terminal: have the version set at the line's multicast router",
        ],
    },
    Fault {
        id: "tv-several-queriers",
        title: "several routers ask for memberships of TV channels on this link",
        place: Place::NextToThePort,
        prior: 5.0,
        shows: &[(TvSeveralQueriers, 0.97), (TvDoubled, 0.2), (TvDropped, 0.1)],
        next: &["the record has their addresses: switch off the querier, or take away the device, that is not the gateway's"],
    },
    Fault {
        id: "tv-made-wrong",
        title: "a TV channel's stream is damaged where it is made, before it enters the network",
        place: Place::Always(Segment::Network),
        prior: 10.0,
        shows: &[(TvMadeWrong, 0.97), (TvRestarted, 0.1)],
        next: &[
            "look at another channel: when only this one is wrong, the line has nothing to do with it",
            "hand channel, flaw and time to the operations centre for its head end",
        ],
    },
    Fault {
        id: "tv-doubled",
        title: "packets of TV channels are sent or forwarded twice",
        place: Place::Always(Segment::Network),
        prior: 5.0,
        shows: &[(TvDoubled, 0.97)],
        next: &[
            "see that the home's cables and switches form no ring",
            "hand the channel to the operations centre: two sources, or two routers that both forward it",
        ],
    },
    Fault {
        id: "tv-restarted",
        title: "the source of a TV channel began anew while it was watched",
        place: Place::Always(Segment::Network),
        prior: 5.0,
        shows: &[(TvRestarted, 0.97)],
        next: &["hand channel and time to the operations centre: an encoder that restarts, or two sources that take turns"],
    },
    Fault {
        id: "tv-home-loss",
        title: "the home loses packets while TV channels are received, of TV and others alike",
        place: Place::BehindGatewayOnly,
        prior: 3.0,
        shows: &[(TvLoss, 0.95), (LossBesideTvHome, 0.9), (LossBesideTvLine, 0.9)],
        next: &[
            "take switches, radio bridges and adapters over power lines between here and the gateway out of the way, one by one",
            "see that snooping is on in them: channels of other sets may fill what lies between",
        ],
    },
    Fault {
        id: "tv-line-loss",
        title: "the line loses packets while TV channels are received, of TV and others alike",
        place: Place::Always(Segment::Access),
        prior: 3.0,
        shows: &[(TvLoss, 0.95), (LossBesideTvLine, 0.9)],
        next: &[
            "see that the line's rate leaves room for the channels: the sum of them stands in this record's plan",
            "repeat at the terminal or modem to rule the gateway out",
        ],
    },
];
