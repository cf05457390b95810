//! Whom to send echoes to, and which hop is the provider's first.

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use super::super::probing::{Device, PathLook};
use super::super::{Context, Known};
use crate::proto::path::{PathEnd, PathReport, PathSettings};
use crate::reading::Target;
use crate::unit::{Family, Position};

/// How long a name of the far end may take to be looked up.
const LOOKUP_TIMEOUT: Duration = Duration::from_secs(2);

/// One address that is probed, and what it stands for. At the terminal the next hop is both gateway and provider.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Aim {
    pub(super) address: IpAddr,
    pub(super) targets: Vec<Target>,
}

/// Where the path to beyond the home goes: the far end if there is one, else a resolver that is not in the home.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::check) struct Destination {
    pub(in crate::check) address: IpAddr,
    /// The resolver that it goes to, by its order in the hand-out, from 1; `None` when it goes to the far end.
    pub(in crate::check) resolver: Option<u16>,
}

impl Destination {
    pub(in crate::check) fn is_far_end(&self) -> bool {
        self.resolver.is_none()
    }
}

/// Addresses of the far end: of the open session, else what its name or literal says, at most one of each family.
pub(in crate::check) async fn far_end_addresses(context: &Context) -> Vec<IpAddr> {
    let sessions = context.known.far_end.iter().chain(&context.known.far_end_beside);
    let mut found: Vec<IpAddr> = sessions.map(|session| session.address).collect();
    if let Some(target) = &context.far_end {
        let literal = target.host.parse::<IpAddr>();
        let named = match literal {
            Ok(address) => vec![address],
            Err(_) => {
                let lookup = tokio::net::lookup_host((target.host.as_str(), target.port));
                match tokio::time::timeout(LOOKUP_TIMEOUT, lookup).await {
                    Ok(Ok(addresses)) => addresses.map(|a| a.ip()).collect(),
                    _ => Vec::new(),
                }
            }
        };
        for address in named {
            if !found.iter().any(|known| known.is_ipv4() == address.is_ipv4()) {
                found.push(address);
            }
        }
    }
    found
}

/// The destination of one family.
pub(in crate::check) fn destination(far_end: &[IpAddr], known: &Known, family: Family) -> Option<Destination> {
    if let Some(address) = far_end.iter().find(|a| Family::of(**a) == family) {
        return Some(Destination { address: *address, resolver: None });
    }
    let outside = |a: &IpAddr| Family::of(*a) == family && !is_at_home(*a, known);
    let (number, address) = (1_u16..).zip(&known.resolvers).find(|(_, a)| outside(a))?;
    Some(Destination { address: *address, resolver: Some(number) })
}

/// True for the gateway and what shares the interface's subnet, and for link-local and loopback addresses.
fn is_at_home(address: IpAddr, known: &Known) -> bool {
    match address {
        IpAddr::V4(v4) => {
            let on_link = known.ipv4.is_some_and(|(own, prefix)| {
                let mask = u32::MAX.checked_shl(32 - u32::from(prefix.min(32))).unwrap_or(0);
                own.to_bits() & mask == v4.to_bits() & mask
            });
            on_link || known.gateway4 == Some(v4) || v4.is_loopback() || v4.is_link_local()
        }
        IpAddr::V6(v6) => {
            // The prefix length isn't known here; a home network has a /64 (RFC 4291 section 2.5.4).
            let on_link = known.ipv6.is_some_and(|own| own.segments()[..4] == v6.segments()[..4]);
            on_link || known.gateway6 == Some(v6) || v6.is_loopback() || v6.is_unicast_link_local()
        }
    }
}

/// Our address of a family.
pub(in crate::check) fn source(known: &Known, family: Family) -> Option<IpAddr> {
    match family {
        Family::Ipv4 => known.ipv4.map(|(address, _)| address.into()),
        Family::Ipv6 => known.ipv6.map(IpAddr::from),
    }
}

/// The next hop of a family.
pub(in crate::check) fn gateway(known: &Known, family: Family) -> Option<IpAddr> {
    match family {
        Family::Ipv4 => known.gateway4.map(IpAddr::from),
        Family::Ipv6 => known.gateway6.map(IpAddr::from),
    }
}

/// Which hop of a path is the first that belongs to the provider; `None` when that can't be said.
///
/// The rule. At the terminal or modem it is hop 1. At a LAN port of the gateway hop 1 is the gateway, so it is hop 2.
/// Further inside the home there may be more routers: hops behind the first are skipped while their address is in
/// 192.168.0.0/16, which homes use and providers' routers by common practice do not; addresses in 10.0.0.0/8,
/// 172.16.0.0/12 and 100.64.0.0/10 are not skipped, for access networks use them; a silent hop is not skipped either.
/// The destination itself is never the provider's first hop.
pub(in crate::check) fn provider_hop(position: Position, path: &PathReport) -> Option<u8> {
    let first = if position.is_behind_gateway() { 2 } else { 1 };
    let hop = if position == Position::Inside {
        path.hops.iter().skip(1).find(|h| !matches!(h.address(), Some(IpAddr::V4(a)) if is_homely(a)))?.hop
    } else {
        first
    };
    match path.end {
        PathEnd::Reached { hops, .. } if hops <= hop => None,
        _ => path.hops.iter().any(|h| h.hop == hop).then_some(hop),
    }
}

fn is_homely(address: Ipv4Addr) -> bool {
    address.octets()[..2] == [192, 168]
}

/// What discovery of the provider's first hop said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum ProviderHop {
    /// Its address.
    At(IpAddr),
    /// Why it isn't known, in words.
    Unknown(String),
}

/// Finds the provider's first hop by probes whose hop limit ends there.
pub(super) async fn find_provider_hop(
    context: &Context,
    device: &Device,
    to: Option<Destination>,
    family: Family,
) -> ProviderHop {
    if !context.position.is_behind_gateway() {
        return match gateway(&context.known, family) {
            Some(address) => ProviderHop::At(address),
            None => ProviderHop::Unknown("there is no default route".to_owned()),
        };
    }
    let (Some(to), Some(source)) = (to, source(&context.known, family)) else {
        return ProviderHop::Unknown("no address behind the gateway is known to probe toward".to_owned());
    };
    let max_hops = if context.position == Position::Inside { 5 } else { 2 };
    let settings = PathSettings {
        source,
        destination: to.address,
        source_port: 0,
        destination_port: rand::random_range(super::super::path::PROBE_PORTS),
        identifier: rand::random(),
        max_hops,
        // One echo and one UDP datagram to each hop: some routers answer only one of them.
        rounds: 2,
        marked_rounds: 0,
        marked_class: 0,
        round_interval: Duration::from_millis(150),
        gap: Duration::from_millis(5),
        waiting_time: Duration::from_millis(600),
        cookie: rand::random(),
    };
    let look = async {
        let mut look = PathLook::open(settings, device)?;
        look.run(&context.cancel, |_| {}).await?;
        Ok::<_, std::io::Error>(look.found())
    };
    match look.await {
        Ok((path, _)) => match provider_hop(context.position, &path) {
            Some(hop) => match path.hops.iter().find(|h| h.hop == hop).and_then(|h| h.address()) {
                Some(address) => ProviderHop::At(address),
                None => ProviderHop::Unknown(format!("hop {hop} does not tell its address")),
            },
            None => ProviderHop::Unknown("no hop behind the gateway tells its address".to_owned()),
        },
        Err(error) => ProviderHop::Unknown(format!("probing for it: {error}")),
    }
}

/// The addresses to probe in one family, nearest first.
pub(super) fn aims(context: &Context, provider: &ProviderHop, far_end: &[IpAddr], family: Family) -> Vec<Aim> {
    let mut aims: Vec<Aim> = Vec::new();
    let mut add = |address: IpAddr, target| match aims.iter_mut().find(|aim| aim.address == address) {
        Some(aim) => aim.targets.push(target),
        None => aims.push(Aim { address, targets: vec![target] }),
    };
    if let Some(address) = gateway(&context.known, family) {
        add(address, Target::Gateway);
    }
    if let ProviderHop::At(address) = provider {
        add(*address, Target::ProviderHop);
    }
    if let Some(address) = far_end.iter().find(|a| Family::of(**a) == family) {
        add(*address, Target::FarEnd);
    }
    aims
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::path::{Answer, HopAddress, HopReport, KindCount};

    fn path(addresses: &[Option<&str>], end: PathEnd) -> PathReport {
        let hops = (1_u8..)
            .zip(addresses)
            .map(|(hop, address)| HopReport {
                hop,
                addresses: address
                    .map(|a| HopAddress {
                        address: a.parse().unwrap(),
                        answers: 1,
                        kinds: vec![Answer::HopLimitExceeded],
                        mpls: vec![],
                    })
                    .into_iter()
                    .collect(),
                counts: [KindCount { sent: 1, answered: 1 }; 2],
                round_trips: vec![],
                discarded: 0,
                stamped_by: None,
            })
            .collect();
        PathReport { hops, end, rewrites: vec![], congestion_marks: None, change: None, hops_back: None }
    }

    #[test]
    fn the_providers_first_hop_follows_the_position() {
        let reached = |hops| PathEnd::Reached { hops, by: Answer::EchoReply };
        let silent = |last_hop| PathEnd::Silent { last_hop };
        let gateway = Some("192.168.1.1");
        let inner = Some("192.168.178.1");
        let edge = Some("100.64.0.1");
        let ten = Some("10.0.0.1");
        let far = Some("203.0.113.10");
        type Row<'a> = (&'a str, Position, &'a [Option<&'a str>], PathEnd, Option<u8>);
        let rows: &[Row<'_>] = &[
            ("terminal: next hop", Position::Ont, &[edge, far], reached(2), Some(1)),
            ("gateway: second hop", Position::Gateway, &[gateway, edge, far], reached(3), Some(2)),
            ("a second private hop is the provider's", Position::Gateway, &[gateway, inner, far], reached(3), Some(2)),
            ("inside: another home router is skipped", Position::Inside, &[gateway, inner, edge, far], reached(4), Some(3)),
            ("inside: 10/8 may be the provider's", Position::Inside, &[gateway, ten, edge, far], reached(4), Some(2)),
            ("inside: a silent hop is not skipped", Position::Inside, &[gateway, None, edge, far], reached(4), Some(2)),
            ("the destination is no hop of the provider", Position::Gateway, &[gateway, far], reached(2), None),
            ("nobody behind the gateway", Position::Gateway, &[gateway], silent(Some(1)), None),
            ("nobody at all", Position::Gateway, &[], silent(None), None),
        ];
        for (row, position, addresses, end, hop) in rows {
            assert_eq!(provider_hop(*position, &path(addresses, *end)), *hop, "{row}");
        }
    }

    #[test]
    fn a_resolver_in_the_home_is_no_destination() {
        let known = Known {
            ipv4: Some((Ipv4Addr::new(192, 0, 2, 50), 24)),
            gateway4: Some(Ipv4Addr::new(192, 0, 2, 1)),
            resolvers: ["192.0.2.1", "192.0.2.7", "203.0.113.53"].iter().map(|a| a.parse().unwrap()).collect(),
            ..Known::default()
        };
        let found = destination(&[], &known, Family::Ipv4);
        assert_eq!(found, Some(Destination { address: "203.0.113.53".parse().unwrap(), resolver: Some(3) }));
        assert_eq!(destination(&[], &known, Family::Ipv6), None);
        let far_end = ["203.0.113.10".parse().unwrap()];
        assert!(destination(&far_end, &known, Family::Ipv4).unwrap().is_far_end());
    }
}
