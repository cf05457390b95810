//! Which checks there are, for a kind of access, a depth and what was sold. It knows no figures and no ports.

use super::{
    Access, Check, between, capacity, dhcp4, dns, echo, farend, gateway, ipv6, link, mtu, multicast, path, pppoe, responsiveness,
    selftest, shaping, sip, throughput, twoway, vlan, voice, web,
};
use crate::plan::Depth;
use crate::wire::vlan::TagStack;

/// What a check that is asked for by name was told beside its name.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// Where to look for VLANs.
    pub vlans: Vec<TagStack>,
    /// A peer of a capacity test other than the far end.
    pub capacity_peer: Option<capacity::Peer>,
    /// A standard reflector for two-way measurement other than the far end's.
    pub reflector: Option<twoway::Peer>,
}

/// Checks that run only when they are asked for by name, or take the place of the registry's then.
pub fn on_request(asked: Asked) -> Vec<Box<dyn Check>> {
    let mut checks: Vec<Box<dyn Check>> = vec![
        Box::new(shaping::ShapingCheck),
        Box::new(responsiveness::ResponsivenessCheck::default()),
        Box::new(web::WebCheck),
        Box::new(sip::SipCheck),
        Box::new(multicast::MulticastCheck),
        Box::new(selftest::SelfTest { asked: true }),
        Box::new(vlan::VlanCheck { stacks: asked.vlans }),
        Box::new(path::PathInDepth),
        Box::new(capacity::CapacityCheck { peer: asked.capacity_peer }),
    ];
    if asked.reflector.is_some() {
        checks.push(Box::new(twoway::Twoway { peer: asked.reflector, ..twoway::Twoway::default() }));
    }
    checks
}

/// What a tier is sold with beside the line itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Services {
    /// TV channels to listen to.
    pub tv: bool,
    /// Telephony: its calls are tried while the line is filled too, from handoff depth on.
    pub telephony: bool,
    /// A SIP service to look at.
    pub sip: bool,
}

/// All checks for this kind of access at this depth and what was sold, in the order in which they are listed and started.
pub fn registry(access: &Access, depth: Depth, services: Services) -> Vec<Box<dyn Check>> {
    let is_session = matches!(access, Access::Pppoe(_));
    let mut checks: Vec<Box<dyn Check>> = vec![
        Box::new(selftest::SelfTest::default()),
        Box::new(link::LinkCheck),
        Box::new(dhcp4::Dhcp4),
        Box::new(pppoe::PppoeCheck { logs_in: is_session }),
        Box::new(ipv6::Ipv6Check { in_session: is_session }),
        Box::new(gateway::GatewayCheck),
        Box::new(dns::Dns),
        Box::new(farend::FarEndCheck),
        Box::new(between::BetweenCheck::default()),
        Box::new(mtu::MtuCheck),
        Box::new(echo::EchoCheck::default()),
        Box::new(twoway::Twoway::default()),
        if depth == Depth::Soak { Box::new(path::PathInDepth) } else { Box::new(path::PathCheck) },
        Box::new(throughput::Throughput),
        Box::new(voice::VoiceCheck { depth, fills: depth == Depth::Soak || services.telephony }),
    ];
    if services.tv {
        checks.push(Box::new(multicast::MulticastCheck));
    }
    if services.sip {
        checks.push(Box::new(sip::SipCheck));
    }
    if depth != Depth::Quick {
        checks.push(Box::new(web::WebCheck));
    }
    if depth == Depth::Soak {
        checks.push(Box::new(capacity::CapacityCheck::default()));
        checks.push(Box::new(shaping::ShapingCheck));
        checks.push(Box::new(responsiveness::ResponsivenessCheck::default()));
    }
    checks
}
