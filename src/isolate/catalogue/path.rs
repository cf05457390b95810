//! Faults on the way: reach, loss, delay, rate.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

const NEARBY: &[&str] = &[
    "ask what else is connected, unplug it or switch its Wi-Fi off, and repeat",
    "repeat at the gateway with a short known-good cable, then at the terminal or modem itself",
];

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
    Fault {
        id: "route-refused",
        title: "a router on the path refuses to carry packets on",
        place: Place::Always(Segment::Network),
        prior: 8.0,
        shows: &[(RouteRefused, 0.97), (FarEndSilent, 0.8), (BeyondSilent, 0.2)],
        next: &["hand the router's address and its answer in this record to the operations centre"],
    },
    Fault {
        id: "gateway-unreachable",
        title: "the next hop does not answer",
        place: Place::NextToThePort,
        prior: 20.0,
        shows: &[
            (GatewaySilent, 0.98),
            (ProviderSilent, 0.97),
            (BeyondSilent, 0.98),
            (FarEndSilent, 0.97),
            (AllResolversDead, 0.95),
            (Ipv6Dead, 0.3),
        ],
        next: &[
            "restart the device at the other end of the cable, then repeat",
            "compare address and route with what the device shows",
        ],
    },
    Fault {
        id: "access-down",
        title: "the gateway works, but nothing behind it answers: the access line is down or not logged in",
        place: Place::Always(Segment::Access),
        prior: 60.0,
        shows: &[
            (ProviderSilent, 0.95),
            (BeyondSilent, 0.99),
            (FarEndSilent, 0.98),
            (AllResolversDead, 0.9),
            (RouteRefused, 0.4),
        ],
        next: &[
            "look at the gateway's or modem's line lamp and WAN status: no sync, no light or no login",
            "plug in at the terminal or modem and repeat, to tell the gateway's WAN side from the line",
            "give the operations centre the time and the line status",
        ],
    },
    Fault {
        id: "network-down",
        title: "the access line works, but nothing behind the provider's first hop answers",
        place: Place::Always(Segment::Network),
        prior: 15.0,
        shows: &[
            (ProviderSilent, 0.15),
            (BeyondSilent, 0.98),
            (FarEndSilent, 0.98),
            (AllResolversDead, 0.8),
            (RouteRefused, 0.3),
        ],
        next: &["ask the operations centre for known outages and give it the last hop that answers"],
    },
    Fault {
        id: "routing-loop",
        title: "routers send packets round in a circle",
        place: Place::Always(Segment::Network),
        prior: 5.0,
        shows: &[(PathLoops, 0.98), (BeyondSilent, 0.7), (FarEndSilent, 0.9)],
        next: &["hand the path in this record to the operations centre"],
    },
    Fault {
        id: "one-way-loses",
        title: "one of several equal ways in the network loses packets: some connections suffer and others do not",
        place: Place::Always(Segment::Network),
        prior: 2.0,
        shows: &[(OneWayLoses, 0.95), (LossToFarEnd, 0.3), (DownTooSlow, 0.1), (UpTooSlow, 0.1)],
        next: &[
            "hand the next hop and the flows' ports in this record to the operations centre: a retest from another port may look fine",
        ],
    },
    Fault {
        id: "home-loss",
        title: "packets are lost before the gateway, in the home",
        place: Place::BehindGatewayOnly,
        prior: 60.0,
        shows: &[
            (LossToGateway, 0.95),
            (LossToProvider, 0.93),
            (LossToFarEnd, 0.95),
            (TvLoss, 0.7),
            (LossBesideTvHome, 0.9),
            (LossBesideTvLine, 0.9),
            (DownTooSlow, 0.5),
            (UpTooSlow, 0.5),
        ],
        next: NEARBY,
    },
    Fault {
        id: "access-loss",
        title: "packets are lost on the access line",
        place: Place::Always(Segment::Access),
        prior: 80.0,
        shows: &[
            (LossToProvider, 0.93),
            (LossToFarEnd, 0.95),
            (TvLoss, 0.7),
            (LossBesideTvLine, 0.9),
            (DownTooSlow, 0.5),
            (UpTooSlow, 0.3),
            (LowMargin, 0.4),
            (LineErrors, 0.5),
            (LightOutOfRange, 0.1),
        ],
        next: &[
            "repeat at the terminal or modem to rule the gateway out",
            "read the line's own counters (errored seconds on copper, received optical power on fibre) and look at splices, plugs and bends",
            "keep your eyes away from open fibre ends and follow the operator's rules for work on powered pairs",
        ],
    },
    Fault {
        id: "network-loss",
        title: "packets are lost behind the provider's first hop",
        place: Place::Always(Segment::Network),
        prior: 30.0,
        shows: &[(LossToFarEnd, 0.96), (TvLoss, 0.5), (LossBesideTvLine, 0.9), (DownTooSlow, 0.4), (UpTooSlow, 0.3)],
        next: &[
            "repeat against a second far end if there is one",
            "hand this record to the operations centre: the line itself is clean",
        ],
    },
    Fault {
        id: "home-delay",
        title: "the delay arises before the gateway, in the home",
        place: Place::BehindGatewayOnly,
        prior: 30.0,
        shows: &[(DelayTooLong, 0.85), (DelayInHome, 0.95)],
        next: NEARBY,
    },
    Fault {
        id: "access-delay",
        title: "the delay arises on the access line",
        place: Place::Always(Segment::Access),
        prior: 30.0,
        shows: &[(DelayTooLong, 0.9), (DelayInAccess, 0.95)],
        next: &[
            "see that nothing in the home fills the line, then repeat",
            "ask for the line's profile: interleaving on copper, a full shared segment on fibre",
        ],
    },
    Fault {
        id: "network-delay",
        title: "the delay arises behind the provider's first hop",
        place: Place::Always(Segment::Network),
        prior: 30.0,
        shows: &[(DelayTooLong, 0.9), (DelayInNetwork, 0.95)],
        next: &[
            "see that the far end is in this region",
            "hand this record to the operations centre: route or congestion behind the access line",
        ],
    },
    Fault {
        id: "access-slow-down",
        title: "the access line carries less than was sold downstream",
        place: Place::Always(Segment::Access),
        prior: 100.0,
        shows: &[(DownTooSlow, 0.97), (DelayUnderLoad, 0.2)],
        next: &[
            "compare with the rate that the modem or terminal shows for the line, and with the profile provisioned",
            "repeat at the terminal or modem to rule the gateway out",
        ],
    },
    Fault {
        id: "access-slow-up",
        title: "the access line carries less than was sold upstream",
        place: Place::Always(Segment::Access),
        prior: 60.0,
        shows: &[(UpTooSlow, 0.97), (DelayUnderLoad, 0.2)],
        next: &[
            "compare with the rate that the modem or terminal shows for the line, and with the profile provisioned",
            "repeat at the terminal or modem to rule the gateway out",
        ],
    },
    Fault {
        id: "access-slow",
        title: "the access line carries less than was sold in both directions",
        place: Place::Always(Segment::Access),
        prior: 60.0,
        shows: &[(DownTooSlow, 0.97), (UpTooSlow, 0.97), (DelayUnderLoad, 0.2)],
        next: &[
            "compare with the rates that the modem or terminal shows for the line, and with the profile provisioned: a smaller tier is usual",
            "repeat at the terminal or modem to rule the gateway out",
        ],
    },
    Fault {
        id: "small-policer",
        title: "the provider's policer lets too little pass at once, and TCP stays below its rate",
        place: Place::Always(Segment::Network),
        prior: 15.0,
        shows: &[(PolicerCutsBursts, 0.97), (DownTooSlow, 0.7), (UpTooSlow, 0.3)],
        next: &[
            "hand rate and burst of this record to the operations centre: a larger burst, or a shaper in the policer's place, gives the rate that was sold",
        ],
    },
    Fault {
        id: "other-traffic",
        title: "other devices used the line during the test",
        place: Place::BehindGatewayOnly,
        prior: 60.0,
        shows: &[(CrossTraffic, 0.95), (DownTooSlow, 0.2), (UpTooSlow, 0.2)],
        next: &["unplug or switch off everything else and repeat"],
    },
    Fault {
        id: "deep-queue",
        title: "a queue that is too deep fills under load and delays everything",
        place: Place::Always(Segment::Access),
        prior: 60.0,
        shows: &[(DelayUnderLoad, 0.97)],
        next: &[
            "switch queue management on at the gateway if it has it",
            "ask whether the provider's shaper manages its queue (RFC 7567)",
        ],
    },
    Fault {
        id: "ipv6-broken",
        title: "IPv6 is broken beside a working IPv4",
        place: Place::Always(Segment::Access),
        prior: 40.0,
        shows: &[(Ipv6Dead, 0.97), (RouteRefused, 0.2)],
        next: &[
            "at a gateway: see that it has a delegated prefix and that its IPv6 firewall lets echoes out",
            "repeat at the terminal or modem; if IPv6 fails there as well, hand it to the operations centre",
        ],
    },
    Fault {
        id: "rogue-router",
        title: "a second IPv6 router wants to be the default one and leads nowhere",
        place: Place::NextToThePort,
        prior: 8.0,
        shows: &[(RogueRouter, 0.97), (Ipv6Dead, 0.5), (RouteRefused, 0.1)],
        next: &[
            "find the device with the hardware address in this record: a laptop that shares its connection or a second gateway is usual",
            "switch its router advertisements off or unplug it, then repeat",
        ],
    },
    Fault {
        id: "ipv6-router-dead",
        title: "the IPv6 router that wants to be the default one does not answer",
        place: Place::NextToThePort,
        prior: 8.0,
        shows: &[(Ipv6RouterDead, 0.98), (Ipv6Dead, 0.9), (RouteRefused, 0.1)],
        next: &[
            "restart the device with the router's hardware address in this record, then repeat",
            "see whether a switch or access point in between holds neighbour solicitations back",
        ],
    },
    Fault {
        id: "no-prefix",
        title: "the provider delegates no IPv6 prefix",
        place: Place::Always(Segment::Network),
        prior: 20.0,
        shows: &[(NoPrefix, 0.98), (Ipv6Dead, 0.6)],
        next: &[
            "at a gateway: see that it asks for a prefix (DHCPv6 with IA_PD) and for none longer than the provider has",
            "hand the server's answer in this record to the operations centre: the line has no prefix provisioned",
        ],
    },
];
