//! The faults: where each lies, what it shows and what to do about it.
//!
//! Likelihoods and prior weights are estimates from experience of the trade (common practice, no published source); they
//! order explanations. To add a fault, add an entry, and if it shows something new, a symptom and how it is observed.

use super::model::Symptom::{self, *};
use crate::unit::{Position, Segment};

/// One fault.
#[derive(Debug, Clone, Copy)]
pub struct Fault {
    /// Stable kebab-case name.
    pub id: &'static str,
    /// In words, fit to stand behind "likely:".
    pub title: &'static str,
    /// Where it lies.
    pub place: Place,
    /// Weight before anything is seen: how many of 10,000 visited lines have it.
    pub prior: f64,
    /// What it shows, and with which probability when it is looked for.
    pub shows: &'static [(Symptom, f64)],
    /// What the technician does next, in order.
    pub next: &'static [&'static str],
}

/// Where a fault lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Always there.
    Always(Segment),
    /// In the home when the agent is plugged in behind the gateway, else on the access line: what is next to the port.
    NextToThePort,
    /// In the home; can't be seen from the terminal's own port.
    BehindGatewayOnly,
}

impl Fault {
    /// The segment for an agent at this position; `None` when it can't be there.
    pub fn segment(&self, position: Position) -> Option<Segment> {
        match self.place {
            Place::Always(segment) => Some(segment),
            Place::NextToThePort if position.is_behind_gateway() => Some(Segment::Home),
            Place::NextToThePort => Some(Segment::Access),
            Place::BehindGatewayOnly => position.is_behind_gateway().then_some(Segment::Home),
        }
    }
}

/// How often a symptom appears without any fault of the catalogue: an event of its own, or a check that errs.
pub const fn stray(symptom: Symptom) -> f64 {
    match symptom {
        // Ordinary at many homes: resolvers in gateways, a neighbouring download, one late lookup.
        ResolverIsGateway => 0.5,
        CrossTraffic | PortErrors | ResolverSlow | DelayUnderLoad => 0.03,
        // Proven on an interval, so wrong now and then.
        LossToGateway | LossToProvider | LossToFarEnd | DelayTooLong | DownTooSlow | UpTooSlow => 0.001,
        // Plain events: a check would have to err.
        _ => 0.0005,
    }
}

const NEARBY: &[&str] = &[
    "ask what else is connected, unplug it or switch its Wi-Fi off, and repeat",
    "repeat at the gateway with a short known-good cable, then at the terminal or modem itself",
];

/// All faults.
pub const FAULTS: &[Fault] = &[
    Fault {
        id: "no-carrier",
        title: "no carrier: cable, port or the device at its other end is dead",
        place: Place::NextToThePort,
        prior: 60.0,
        shows: &[(NoCarrier, 0.999)],
        next: &[
            "swap the Ethernet cable for a known-good one and try another LAN port",
            "see that the device at the other end has power and its port lamp is lit",
            "plug the test set into a device that is known to work, to rule out its own port",
        ],
    },
    Fault {
        id: "port-too-slow",
        title: "the port came up slower than the service sold, so it can't be proven here",
        place: Place::Always(Segment::TestSet),
        prior: 120.0,
        shows: &[(PortTooSlow, 0.98), (BoundByTestSet, 0.85), (PortErrors, 0.1)],
        next: &[
            "swap the cable: a cable with only two good pairs gives 100 Mbit/s",
            "see that both the port and the test set's adapter can run at the sold rate, then repeat",
        ],
    },
    Fault {
        id: "half-duplex",
        title: "the port runs half duplex: one side has a fixed setting",
        place: Place::NextToThePort,
        prior: 10.0,
        shows: &[
            (HalfDuplex, 0.99),
            (PortErrors, 0.6),
            (LossToGateway, 0.4),
            (LossToFarEnd, 0.4),
            (DownTooSlow, 0.6),
            (UpTooSlow, 0.6),
        ],
        next: &["set both ends of the cable to automatic negotiation and repeat"],
    },
    Fault {
        id: "cable-errors",
        title: "frames arrive damaged at the port: cable, plug or adapter",
        place: Place::NextToThePort,
        prior: 30.0,
        shows: &[(PortErrors, 0.97), (LossToGateway, 0.6), (LossToProvider, 0.6), (LossToFarEnd, 0.7), (DownTooSlow, 0.4)],
        next: &["swap the Ethernet cable and look at the plugs, then repeat", "try another port of the device"],
    },
    Fault {
        id: "carrier-drops",
        title: "carrier comes and goes: a loose plug, a broken cable or a device that restarts",
        place: Place::NextToThePort,
        prior: 25.0,
        shows: &[(CarrierLost, 0.97), (PortErrors, 0.2), (LossToGateway, 0.5), (LossToProvider, 0.5), (LossToFarEnd, 0.5)],
        next: &["swap the Ethernet cable and see that the plugs click in", "watch whether the device at the other end restarts"],
    },
    Fault {
        id: "test-set-too-slow",
        title: "the test set could not keep up",
        place: Place::Always(Segment::TestSet),
        prior: 60.0,
        shows: &[(BoundByTestSet, 0.97)],
        next: &["close other programs, use mains power and a built-in or USB 3 adapter, then repeat", "use a stronger test set"],
    },
    Fault {
        id: "no-address",
        title: "nobody hands out an address",
        place: Place::NextToThePort,
        prior: 60.0,
        shows: &[(NoOffer, 0.995)],
        next: &[
            "restart the device at the other end and wait until it is up, then repeat",
            "at a gateway: see that its DHCP server is on; at a terminal or modem: ask whether the port and the subscriber are provisioned, \
             and whether the line wants PPPoE or a VLAN tag",
        ],
    },
    Fault {
        id: "address-refused",
        title: "an address is offered, but then refused or not confirmed",
        place: Place::NextToThePort,
        prior: 15.0,
        shows: &[(LeaseRefused, 0.98)],
        next: &[
            "free the old lease: restart the gateway or have the operations centre clear the subscriber's leases",
            "ask whether the line is locked to another hardware address",
        ],
    },
    Fault {
        id: "second-address-server",
        title: "a second DHCP server answers in the home",
        place: Place::BehindGatewayOnly,
        prior: 25.0,
        shows: &[(SecondServer, 0.97), (OneResolverDead, 0.1)],
        next: &["find the other server (a second gateway plugged in by its LAN port is usual) and switch its DHCP off"],
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
        shows: &[(ProviderSilent, 0.95), (BeyondSilent, 0.99), (FarEndSilent, 0.98), (AllResolversDead, 0.9)],
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
        shows: &[(ProviderSilent, 0.15), (BeyondSilent, 0.98), (FarEndSilent, 0.98), (AllResolversDead, 0.8)],
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
        id: "home-loss",
        title: "packets are lost before the gateway, in the home",
        place: Place::BehindGatewayOnly,
        prior: 60.0,
        shows: &[(LossToGateway, 0.95), (LossToProvider, 0.93), (LossToFarEnd, 0.95), (DownTooSlow, 0.5), (UpTooSlow, 0.5)],
        next: NEARBY,
    },
    Fault {
        id: "access-loss",
        title: "packets are lost on the access line",
        place: Place::Always(Segment::Access),
        prior: 80.0,
        shows: &[(LossToProvider, 0.93), (LossToFarEnd, 0.95), (DownTooSlow, 0.5), (UpTooSlow, 0.3)],
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
        shows: &[(LossToFarEnd, 0.96), (DownTooSlow, 0.4), (UpTooSlow, 0.3)],
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
        id: "resolvers-dead",
        title: "names do not resolve: no resolver of the provider answers",
        place: Place::Always(Segment::Network),
        prior: 15.0,
        shows: &[(AllResolversDead, 0.98)],
        next: &[
            "set another resolver on the test set for a trial: if names resolve then, hand the resolver's address to the operations centre",
        ],
    },
    Fault {
        id: "gateway-resolver-dead",
        title: "names do not resolve: the gateway's own resolver fails",
        place: Place::BehindGatewayOnly,
        prior: 20.0,
        shows: &[(AllResolversDead, 0.98), (ResolverIsGateway, 0.99)],
        next: &["restart the gateway", "see which resolvers the gateway itself was given, and ask them directly"],
    },
    Fault {
        id: "one-resolver-dead",
        title: "one of the resolvers handed out does not answer, so that lookups hang by turns",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        shows: &[(OneResolverDead, 0.98), (ResolverSlow, 0.2)],
        next: &[
            "hand the dead resolver's address to the operations centre",
            "see whether the gateway hands out a resolver set by hand",
        ],
    },
    Fault {
        id: "resolver-lies",
        title: "a resolver gives answers that are not true",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        shows: &[(ResolverLies, 0.98)],
        next: &[
            "see whether the gateway or a filter that the customer ordered changes answers",
            "else tell the operations centre which name was answered how",
        ],
    },
    Fault {
        id: "gateway-resolver-lies",
        title: "the gateway's resolver gives answers that are not true",
        place: Place::BehindGatewayOnly,
        prior: 20.0,
        shows: &[(ResolverLies, 0.98), (ResolverIsGateway, 0.99)],
        next: &["see the gateway's resolver and filter settings, and compare with the provider's own resolver"],
    },
    Fault {
        id: "resolver-slow",
        title: "lookups are slow at the resolver",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        shows: &[(ResolverSlow, 0.95)],
        next: &["compare with another resolver; if that one is quick, hand the figures to the operations centre"],
    },
    Fault {
        id: "far-end-gone",
        title: "the far end is down; the line can't be blamed for it",
        place: Place::Always(Segment::FarEnd),
        prior: 30.0,
        shows: &[(FarEndSilent, 0.98)],
        next: &["see that the far end runs and that address and port are right", "repeat against another far end"],
    },
    Fault {
        id: "reflector-gone",
        title: "the far end is up, but its two-way reflector does not answer, or UDP to it is filtered",
        place: Place::Always(Segment::FarEnd),
        prior: 20.0,
        shows: &[(ReflectorSilent, 0.98)],
        next: &[
            "see that the far end's reflector runs and that no firewall before it holds UDP back",
            "repeat against another far end",
        ],
    },
    Fault {
        id: "far-end-busy",
        title: "the far end is full or slow",
        place: Place::Always(Segment::FarEnd),
        prior: 40.0,
        shows: &[(FarEndBusy, 0.6), (BoundByFarEnd, 0.7)],
        next: &["repeat in a few minutes, or against another far end"],
    },
    Fault {
        id: "far-end-refuses",
        title: "the far end does not accept this agent's token",
        place: Place::Always(Segment::FarEnd),
        prior: 20.0,
        shows: &[(FarEndRefuses, 0.99)],
        next: &["get the current token from whoever runs the far end"],
    },
    Fault {
        id: "far-end-is-another",
        title: "what answers is not the far end that was asked for",
        place: Place::Always(Segment::FarEnd),
        prior: 10.0,
        shows: &[(FarEndIsAnother, 0.99)],
        next: &[
            "compare the fingerprint with whoever runs the far end: it may have a new certificate",
            "if theirs is unchanged, something on the path answers in its place; do not send the token again until that is clear",
        ],
    },
    Fault {
        id: "ipv6-broken",
        title: "IPv6 is broken beside a working IPv4",
        place: Place::Always(Segment::Access),
        prior: 40.0,
        shows: &[(Ipv6Dead, 0.97)],
        next: &[
            "at a gateway: see that it has a delegated prefix and that its IPv6 firewall lets echoes out",
            "repeat at the terminal or modem; if IPv6 fails there as well, hand it to the operations centre",
        ],
    },
];
