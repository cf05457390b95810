//! Faults of the test set, the port and the address.

use super::{Fault, Place};
use crate::isolate::model::Symptom::*;
use crate::unit::Segment;

/// The entries.
pub(super) const FAULTS: &[Fault] = &[
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
            (PortErrors, 0.3),
            (LossToGateway, 0.2),
            (LossToFarEnd, 0.2),
            (DownTooSlow, 0.3),
            (UpTooSlow, 0.3),
        ],
        next: &["set both ends of the cable to automatic negotiation and repeat"],
    },
    Fault {
        id: "duplex-mismatch",
        title: "the port runs full duplex and its other end half: frames get damaged as soon as there is load",
        place: Place::NextToThePort,
        prior: 3.0,
        shows: &[(PortErrors, 0.95), (DownTooSlow, 0.8), (UpTooSlow, 0.8), (LossToGateway, 0.1), (LossToFarEnd, 0.1)],
        next: &[
            "see how the port at the other end is set: where one end is fixed, the other must be fixed to the same, and automatic at both is right",
            "repeat with automatic negotiation at both ends",
        ],
    },
    Fault {
        id: "cable-errors",
        title: "frames arrive damaged at the port: cable, plug or adapter",
        place: Place::NextToThePort,
        prior: 30.0,
        shows: &[
            (PortErrors, 0.97),
            (LossToGateway, 0.4),
            (LossToProvider, 0.4),
            (LossToFarEnd, 0.5),
            (DownTooSlow, 0.4),
            (UpTooSlow, 0.25),
        ],
        next: &["swap the Ethernet cable and look at the plugs, then repeat", "try another port of the device"],
    },
    Fault {
        id: "carrier-drops",
        title: "carrier comes and goes: a loose plug, a broken cable or a device that restarts",
        place: Place::NextToThePort,
        prior: 25.0,
        shows: &[(CarrierLost, 0.97), (PortErrors, 0.2), (LossToGateway, 0.3), (LossToProvider, 0.3), (LossToFarEnd, 0.3)],
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
             and whether the line wants PPPoE or a VLAN tag (`check vlan` looks for it)",
        ],
    },
    Fault {
        id: "login-wanted",
        title: "the line wants a PPPoE login and hands out no address without one",
        place: Place::Always(Segment::TestSet),
        prior: 25.0,
        shows: &[(NoOffer, 0.97), (PppoeOffered, 0.995), (PppoeRefused, 0.02)],
        next: &["repeat with --access pppoe and the account, or connect behind the device that logs in (the customer's gateway)"],
    },
    Fault {
        id: "login-refused",
        title: "the provider's concentrator offers a session and does not open it",
        place: Place::Always(Segment::Network),
        prior: 8.0,
        shows: &[(NoOffer, 0.97), (PppoeOffered, 0.995), (PppoeRefused, 0.98)],
        next: &[
            "a line often allows one session: switch the customer's gateway off, wait some minutes, and repeat",
            "hand the concentrator's name and words to the operations centre",
        ],
    },
    Fault {
        id: "no-concentrator",
        title: "the line is sold with a PPPoE login, and no concentrator answers",
        place: Place::NextToThePort,
        prior: 20.0,
        shows: &[(NoConcentrator, 0.99)],
        next: &[
            "find out whether the line wants a VLAN tag: run `check vlan`, then repeat with --vlan",
            "see that the terminal or modem is in bridge mode and has its line up",
            "ask the operations centre whether the port is provisioned",
        ],
    },
    Fault {
        id: "account-refused",
        title: "the provider refuses the account: name or password is wrong, or the account is locked or in use",
        place: Place::Always(Segment::Network),
        prior: 20.0,
        shows: &[(AccountRefused, 0.995)],
        next: &[
            "type the account again, and compare it with the order",
            "an account often allows one session: switch the customer's gateway off, wait some minutes, and repeat",
            "have the operations centre see what the login server says about this account",
        ],
    },
    Fault {
        id: "session-broken",
        title: "a PPPoE session is opened, and then the concentrator falls silent or closes it",
        place: Place::Always(Segment::Network),
        prior: 10.0,
        shows: &[(SessionBroken, 0.98), (LossToProvider, 0.1), (LossToFarEnd, 0.1)],
        next: &[
            "repeat, to see whether it always ends in the same phase",
            "hand the concentrator's name, the phase and its words to the operations centre",
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
        id: "address-conflict",
        title: "duplicate address: the address handed out is used by another device",
        place: Place::NextToThePort,
        prior: 10.0,
        shows: &[(AddressConflict, 0.98), (LeaseRefused, 0.4), (LossToGateway, 0.1)],
        next: &[
            "find the device with the hardware address named below: its address is set by hand or left from another gateway; set it to \
             automatic",
            "restart the gateway to clear its leases",
        ],
    },
    Fault {
        id: "lease-lost",
        title: "the lease is not renewed: the address server stops answering or withdraws it",
        place: Place::NextToThePort,
        prior: 10.0,
        shows: &[(LeaseLost, 0.98), (LeaseRefused, 0.3)],
        next: &[
            "restart the device at the other end and watch whether the lease is renewed",
            "give the times to the operations centre",
        ],
    },
    Fault {
        id: "wrong-tag",
        title: "the port is in another VLAN than the service: answers carry a tag",
        place: Place::NextToThePort,
        prior: 10.0,
        shows: &[(WrongTag, 0.98), (NoOffer, 0.7)],
        next: &["ask which VLAN the service uses at this port, and set the test set's port to it"],
    },
    Fault {
        id: "no-route",
        title: "an address without a default route: nothing behind the subnet can be reached",
        place: Place::NextToThePort,
        prior: 10.0,
        shows: &[(NoRoute, 0.98)],
        next: &[
            "see whether the address was set by hand on the test set; set the port to automatic and repeat",
            "see what the device hands out as router",
        ],
    },
    Fault {
        id: "test-set-misconfigured",
        title: "a setting of the test set gets in the way",
        place: Place::Always(Segment::TestSet),
        prior: 20.0,
        shows: &[(TestSetInTheWay, 0.98)],
        next: &["change the setting that is named below, then repeat"],
    },
    Fault {
        id: "second-address-server",
        title: "a second (rogue) DHCP server answers in the home",
        place: Place::BehindGatewayOnly,
        prior: 25.0,
        shows: &[(SecondServer, 0.97), (OneResolverDead, 0.1)],
        next: &[
            "find the other server by the hardware address named below (a second gateway plugged in by its LAN port is usual) and switch \
             its DHCP off",
        ],
    },
];
