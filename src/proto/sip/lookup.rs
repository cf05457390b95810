//! Where a domain is served: the choice among NAPTR, SRV and addresses (RFC 3263), and the order of servers (RFC 2782).
//!
//! Pure: who asks DNS hands the records in, and the random numbers. The hard thing: what is not published has a meaning too.

use std::net::IpAddr;

use super::service::Domain;
use crate::wire::dns::closer::{Naptr, Srv};
use crate::wire::sip::Transport;

/// Where SRV records of a transport are, and how that is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pointer {
    /// The transport.
    pub transport: Transport,
    /// Name to ask for SRV.
    pub name: String,
}

/// One place to try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// How.
    pub transport: Transport,
    /// The server's name, or the address.
    pub target: String,
    /// Port.
    pub port: u16,
    /// Addresses, in order; filled once they are known.
    pub addresses: Vec<IpAddr>,
}

/// Whether NAPTR and SRV are to be asked at all (sections 4.1 and 4.2): not for an address, nor where a port is named.
pub fn is_direct(domain: &Domain) -> bool {
    domain.address().is_some() || domain.port.is_some()
}

/// The places that follow without NAPTR and SRV: the host itself, at the port that is named or the usual one.
pub fn direct(domain: &Domain, wanted: &[Transport]) -> Vec<Candidate> {
    let one = |transport: &Transport| Candidate {
        transport: *transport,
        target: domain.host.clone(),
        port: domain.port.unwrap_or_else(|| transport.port()),
        addresses: domain.address().into_iter().collect(),
    };
    wanted.iter().map(one).collect()
}

/// What NAPTR records point to, best first: lowest order, then lowest preference (RFC 3263 section 4.1, RFC 3403 section 4.1), of the wanted
/// transports alone. Empty where none says anything of SIP.
pub fn pointers(records: &[Naptr], wanted: &[Transport]) -> Vec<Pointer> {
    let mut known: Vec<(u16, u16, Pointer)> = records
        .iter()
        .filter_map(|record| {
            let transport = match record.services.to_ascii_uppercase().as_str() {
                "SIP+D2U" => Transport::Udp,
                "SIP+D2T" => Transport::Tcp,
                "SIPS+D2T" => Transport::Tls,
                _ => return None,
            };
            // Flag s alone: the next step is SRV.
            let is_srv = record.flags.eq_ignore_ascii_case("s") && wanted.contains(&transport);
            is_srv.then(|| (record.order, record.preference, Pointer { transport, name: record.replacement.clone() }))
        })
        .collect();
    known.sort_by_key(|(order, preference, _)| (*order, *preference));
    known.into_iter().map(|(.., pointer)| pointer).collect()
}

/// Where SRV records are by rule, for a domain without NAPTR (section 4.1, last paragraphs).
pub fn usual_pointers(domain: &Domain, wanted: &[Transport]) -> Vec<Pointer> {
    let name = |transport: &Transport| match transport {
        Transport::Udp => format!("_sip._udp.{}.", domain.host),
        Transport::Tcp => format!("_sip._tcp.{}.", domain.host),
        Transport::Tls => format!("_sips._tcp.{}.", domain.host),
    };
    wanted.iter().map(|transport| Pointer { transport: *transport, name: name(transport) }).collect()
}

/// Servers in the order in which they are to be tried (RFC 2782): lowest priority first; within one, drawn by weight. `draw(n)` gives a random
/// number from 0 to n. A target of the root says that there is no such service, and is left out.
pub fn ordered(records: &[Srv], mut draw: impl FnMut(u32) -> u32) -> Vec<Srv> {
    let mut rest: Vec<Srv> = records.iter().filter(|record| record.target != ".").cloned().collect();
    // Those of weight 0 first, so that they have a small chance.
    rest.sort_by_key(|record| (record.priority, record.weight));
    let mut order = Vec::new();
    while let Some(priority) = rest.first().map(|record| record.priority) {
        let same = rest.iter().take_while(|record| record.priority == priority);
        let sums: Vec<u32> = same
            .scan(0, |sum, record| {
                *sum += u32::from(record.weight);
                Some(*sum)
            })
            .collect();
        let drawn = draw(sums.last().copied().unwrap_or(0));
        let at = sums.iter().position(|sum| *sum >= drawn).unwrap_or(0);
        order.push(rest.remove(at));
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    fn naptr(order: u16, preference: u16, services: &str, flags: &str, replacement: &str) -> Naptr {
        let owned = str::to_owned;
        Naptr { order, preference, services: owned(services), flags: owned(flags), replacement: owned(replacement) }
    }

    fn srv(priority: u16, weight: u16, target: &str) -> Srv {
        Srv { priority, weight, port: 5060, target: target.to_owned() }
    }

    const ALL: [Transport; 3] = [Transport::Udp, Transport::Tcp, Transport::Tls];

    /// The records of RFC 3263 section 4.1, in another order.
    #[test]
    fn naptr_is_taken_by_order_and_preference_and_of_wanted_transports_alone() {
        let records = [
            naptr(100, 50, "SIP+D2U", "s", "_sip._udp.example.com."),
            naptr(90, 50, "SIP+D2T", "s", "_sip._tcp.example.com."),
            naptr(50, 50, "SIPS+D2T", "S", "_sips._tcp.example.com."),
            naptr(10, 10, "E2U+sip", "u", "."),
            naptr(10, 10, "SIP+D2U", "a", "host.example.com."),
        ];
        let of = |wanted: &[Transport]| pointers(&records, wanted).into_iter().map(|p| p.transport).collect::<Vec<_>>();
        assert_eq!(of(&ALL), [Transport::Tls, Transport::Tcp, Transport::Udp]);
        assert_eq!(of(&[Transport::Udp, Transport::Tcp]), [Transport::Tcp, Transport::Udp]);
        assert!(pointers(&records[3..], &ALL).is_empty());
    }

    #[test]
    fn without_naptr_the_usual_names_are_asked_and_a_port_or_an_address_asks_nothing() {
        let name = Domain::parse("example.com").unwrap();
        let usual: Vec<_> = usual_pointers(&name, &ALL).into_iter().map(|p| p.name).collect();
        assert_eq!(usual, ["_sip._udp.example.com.", "_sip._tcp.example.com.", "_sips._tcp.example.com."]);
        for (text, is) in [("example.com", false), ("example.com:5070", true), ("192.0.2.1", true)] {
            assert_eq!(is_direct(&Domain::parse(text).unwrap()), is, "{text}");
        }
        let ports = |text| direct(&Domain::parse(text).unwrap(), &ALL).into_iter().map(|c| c.port).collect::<Vec<_>>();
        assert_eq!((ports("example.com"), ports("example.com:5070")), (vec![5060, 5060, 5061], vec![5070; 3]));
    }

    /// RFC 2782, by hand: at priority 1 the weights 0, 20 and 60 sum up to 0, 20 and 80.
    #[test]
    fn servers_are_drawn_by_weight_within_their_priority() {
        let records = [srv(2, 0, "last."), srv(1, 60, "much."), srv(1, 0, "rare."), srv(1, 20, "some."), srv(1, 9, ".")];
        let order = |numbers: &[u32]| {
            let (mut numbers, mut bounds) = (numbers.iter().copied(), Vec::new());
            let drawn = ordered(&records, |most| {
                bounds.push(most);
                numbers.next().unwrap_or(0)
            });
            (drawn.into_iter().map(|record| record.target).collect::<Vec<_>>().join(" "), bounds)
        };
        assert_eq!(order(&[21, 20, 0, 0]), ("much. some. rare. last.".to_owned(), vec![80, 20, 0, 0]));
        assert_eq!(order(&[0, 21, 20, 0]), ("rare. much. some. last.".to_owned(), vec![80, 80, 20, 0]));
        assert_eq!(order(&[20, 1, 0, 0]).0, "some. much. rare. last.");
        assert!(ordered(&[srv(1, 1, ".")], |_| 0).is_empty());
    }

    #[test]
    fn over_many_draws_the_share_of_each_is_its_weight_s() {
        // 1 in 4 for weight 20 of 80, of 8000 draws by an even spread of numbers: the draw is from 0 to 80, so 20 of 81.
        let records = [srv(1, 60, "much."), srv(1, 20, "some.")];
        let first = (0..=80).filter(|n| ordered(&records, |most| (*n).min(most))[0].target == "some.").count();
        assert_eq!(first, 21);
    }
}
