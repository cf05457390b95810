//! Who translates addresses between two ends, from what the far end saw: pure reasoning on observations.
//!
//! Terms are those of RFC 4787, the method that of RFC 5780 as far as one far end with two ports can carry it: whether a
//! mapping or a filter also depends on the *address* takes a second address, and is said to be open.

use std::net::{IpAddr, SocketAddr};

use crate::wire::address::AddressClass;

/// One socket of the agent, and where the far end saw it come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sighting {
    /// The agent's own address and port.
    pub local: SocketAddr,
    /// As seen at the far end's first port.
    pub first: SocketAddr,
    /// As seen at its second port, where that was answered.
    pub second: Option<SocketAddr>,
}

/// Who is in between.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Between {
    /// Nobody translates.
    Nobody,
    /// One translator, as far as can be seen.
    One,
    /// A second translator behind the first, in the home or its neighbourhood.
    Two,
    /// The provider translates as well as, or instead of, the home.
    Carrier,
}

impl Between {
    /// Stable name for the record.
    pub fn word(self) -> &'static str {
        match self {
            Self::Nobody => "none",
            Self::One => "one",
            Self::Two => "two",
            Self::Carrier => "carrier",
        }
    }
}

/// The conclusion with what speaks for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conclusion {
    /// Who.
    pub between: Between,
    /// Translators at least.
    pub translators: u8,
    /// In words.
    pub because: Vec<String>,
}

/// Concludes from the sightings and the first hops of the path (`None` for one that is silent), hop 1 first. `None` without
/// a sighting.
///
/// Only hops before the first that has a reachable address count: providers number routers further on from any block. A silent one behind the
/// gateway may be that first, so nothing behind it counts either.
pub fn conclude(sightings: &[Sighting], hops: &[Option<IpAddr>], behind_gateway: bool) -> Option<Conclusion> {
    let sighting = sightings.first()?;
    let (local, seen) = (sighting.local.ip(), sighting.first.ip());
    let (class, seen_class) = (AddressClass::of(local), AddressClass::of(seen));
    if sightings.iter().all(|s| s.local == s.first) {
        let because = vec![format!("the far end sees this laptop's own address {local} and port")];
        return Some(Conclusion { between: Between::Nobody, translators: 0, because });
    }
    let mut because = vec![format!("{local} ({}) is seen as {seen} ({}) at the far end", class.words(), seen_class.words())];
    // What stands between the first translator and the first reachable address is an inner network of its own.
    let first_outer = usize::from(behind_gateway);
    let inner: Vec<(usize, IpAddr, AddressClass)> = (1..)
        .zip(hops)
        .skip(first_outer)
        .map_while(|(hop, address)| {
            let class = AddressClass::of((*address)?);
            class.is_inner().then_some((hop, (*address)?, class))
        })
        .collect();
    let carrier_hop = inner.iter().find(|(.., class)| matches!(class, AddressClass::Shared | AddressClass::DsLite));
    if !behind_gateway && matches!(class, AddressClass::Shared | AddressClass::DsLite) {
        because.push(format!("the address handed out on the access line is {}", class.words()));
        return Some(Conclusion { between: Between::Carrier, translators: 1, because });
    }
    if let Some((hop, address, class)) = carrier_hop {
        because
            .push(format!("hop {hop}, {address}, is {}: the line behind the gateway has no address of its own", class.words()));
        return Some(Conclusion { between: Between::Carrier, translators: 1 + u8::from(behind_gateway), because });
    }
    if behind_gateway && let Some((hop, address, class)) = inner.first() {
        because.push(format!("hop {hop}, {address}, behind the gateway is {} again: another inner network", class.words()));
        return Some(Conclusion { between: Between::Two, translators: 2, because });
    }
    if hops.get(first_outer + inner.len()).is_some_and(Option::is_none) {
        because.push(format!(
            "hop {} is silent: what lies behind it can't be told from a provider's own routers",
            first_outer + inner.len() + 1
        ));
    }
    Some(Conclusion { between: Between::One, translators: 1, because })
}

/// Sockets whose port the translator kept (RFC 4787 section 4.2.1), of all.
pub fn ports_kept(sightings: &[Sighting]) -> (u64, u64) {
    let kept = sightings.iter().filter(|s| s.local.port() == s.first.port()).count();
    (kept as u64, sightings.len() as u64)
}

/// Whether the mapping depends on the destination's port (RFC 4787 section 4.1): then it is address and port-dependent.
/// `None` when the second port never answered.
pub fn mapping_depends_on_port(sightings: &[Sighting]) -> Option<bool> {
    let compared: Vec<bool> = sightings.iter().filter_map(|s| s.second.map(|second| second != s.first)).collect();
    (!compared.is_empty()).then(|| compared.contains(&true))
}

/// True when the sockets were seen from several addresses (RFC 4787 section 4.1: pooling "arbitrary").
pub fn is_pooled(sightings: &[Sighting]) -> bool {
    sightings.iter().any(|s| s.first.ip() != sightings[0].first.ip())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sighting(local: &str, first: &str, second: &str) -> Sighting {
        Sighting { local: local.parse().unwrap(), first: first.parse().unwrap(), second: second.parse().ok() }
    }

    fn hops(list: &[&str]) -> Vec<Option<IpAddr>> {
        list.iter().map(|text| text.parse().ok()).collect()
    }

    fn between(local: &str, seen: &str, path: &[&str], behind_gateway: bool) -> (Between, u8) {
        let conclusion = conclude(&[sighting(local, seen, "")], &hops(path), behind_gateway).unwrap();
        (conclusion.between, conclusion.translators)
    }

    #[test]
    fn each_arrangement_is_told_apart() {
        for (local, seen, path, behind, want) in [
            ("198.51.100.7:4000", "198.51.100.7:4000", &["198.51.100.1"][..], false, (Between::Nobody, 0)),
            ("192.168.1.5:4000", "198.51.100.2:4000", &["192.168.1.1", "198.51.100.1"], true, (Between::One, 1)),
            // A silent gateway hides nothing, and routers further on may have any number.
            ("192.168.1.5:4000", "198.51.100.2:4000", &["-", "198.51.100.1", "100.64.0.2", "10.0.0.1"], true, (Between::One, 1)),
            ("192.168.1.5:4000", "198.51.100.2:4000", &["192.168.1.1", "192.168.0.1", "198.51.100.1"], true, (Between::Two, 2)),
            // A silent router may be the provider's first: what lies behind it says nothing of who translates.
            ("192.168.1.5:4000", "198.51.100.2:4000", &["192.168.1.1", "-", "10.0.0.1"], true, (Between::One, 1)),
            ("192.168.1.5:4000", "198.51.100.2:4000", &["192.168.1.1", "-", "100.64.0.2"], true, (Between::One, 1)),
            (
                "192.168.1.5:4000",
                "198.51.100.2:4000",
                &["192.168.1.1", "100.64.0.1", "198.51.100.1"],
                true,
                (Between::Carrier, 2),
            ),
            ("100.64.0.9:4000", "198.51.100.2:6000", &["100.64.0.1"], false, (Between::Carrier, 1)),
            ("192.168.1.5:4000", "198.51.100.2:4000", &[], true, (Between::One, 1)),
            // The same address but another port is a translation as well.
            ("198.51.100.7:4000", "198.51.100.7:4001", &[], false, (Between::One, 1)),
        ] {
            assert_eq!(between(local, seen, path, behind), want, "{local} {seen} {path:?}");
        }
        assert_eq!(conclude(&[], &[], true), None);
    }

    #[test]
    fn mapping_and_ports_are_read_off_the_sightings() {
        let kept = sighting("192.168.1.5:4000", "198.51.100.2:4000", "198.51.100.2:4000");
        let moved = sighting("192.168.1.5:4001", "198.51.100.2:9000", "198.51.100.2:9001");
        let alone = sighting("192.168.1.5:4002", "198.51.100.3:9002", "-");
        assert_eq!(mapping_depends_on_port(&[kept]), Some(false));
        assert_eq!(mapping_depends_on_port(&[kept, moved]), Some(true));
        assert_eq!(mapping_depends_on_port(&[alone]), None);
        assert_eq!(ports_kept(&[kept, moved, alone]), (1, 3));
        assert_eq!((is_pooled(&[kept, moved]), is_pooled(&[kept, alone])), (false, true));
    }
}
