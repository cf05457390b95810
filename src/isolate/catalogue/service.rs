//! Faults of resolvers and of the far end.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
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
        shows: &[(FarEndSilent, 0.98), (RouteRefused, 0.15)],
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
        id: "captive-portal",
        title: "a portal holds the line back until somebody logs in, agrees or pays",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        shows: &[(CaptivePortal, 0.97), (FarEndSilent, 0.6), (FarEndIsAnother, 0.1), (AllResolversDead, 0.05)],
        next: &[
            "open any page over plain HTTP in a browser and read what the portal wants",
            "ask the operations centre whether the account is active and out of its walled garden",
            "see whether the gateway itself has a guest network or a filter switched on for this port",
        ],
    },
    Fault {
        id: "transparent-proxy",
        title: "somebody in between takes part in plain HTTP without being asked",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        shows: &[(TransparentProxy, 0.97)],
        next: &[
            "repeat at the terminal or modem: a filter in the gateway or in a device of the home shows only behind it",
            "ask the operations centre whether the service passes a proxy or a filter, and hand it the lines in this record",
        ],
    },
    Fault {
        id: "voice-service-dead",
        title: "the voice service's SIP servers do not answer on this line",
        place: Place::Always(Segment::Network),
        prior: 20.0,
        shows: &[(VoiceServiceSilent, 0.98)],
        next: &[
            "compare the domain in the profile with the customer's contract",
            "hand the addresses and times in this record to the operations centre: the servers are down, or keep this line out",
            "see whether the gateway has a filter for SIP (port 5060) switched on",
        ],
    },
    Fault {
        id: "voice-account-refused",
        title: "the voice service answers, and its registrar does not take the account",
        place: Place::Always(Segment::Network),
        prior: 25.0,
        shows: &[(VoiceAccountRefused, 0.98)],
        next: &[
            "see that name and password are those of this line's account, and do not try others: accounts are locked after some",
            "ask the operations centre whether the account is active, and free to register from this line",
        ],
    },
    Fault {
        id: "gateway-rewrites-sip",
        title: "the gateway rewrites SIP (an application layer gateway), so that registrations and calls fail by turns",
        place: Place::BehindGatewayOnly,
        prior: 25.0,
        shows: &[(SipRewritten, 0.97), (VoiceAccountRefused, 0.1)],
        next: &[
            "switch off the gateway's help for SIP (often called SIP ALG) and repeat",
            "repeat at the terminal or modem: what is rewritten there too is rewritten in the network",
        ],
    },
    Fault {
        id: "network-rewrites-sip",
        title: "somebody in the network rewrites SIP",
        place: Place::Always(Segment::Network),
        prior: 5.0,
        shows: &[(SipRewritten, 0.97)],
        next: &["hand the changed lines in this record to the operations centre"],
    },
];
