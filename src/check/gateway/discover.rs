//! Finds the gateway's description: searches of its link and of itself (UDA 1.1 section 1.3.2), answers sorted by who sent
//! them.

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddrV4};
use std::time::Duration;

use tokio::time::Instant;

use crate::net::bound;
use crate::wire::igd::{Endpoint, NotFollowed};
use crate::wire::ssdp::{self, Found, GATEWAY, GROUP, HOPS};

/// When a search is sent, from the start: datagrams get lost (UDA 1.1 section 1.3.2 asks for more than one).
const SENT_AT: [Duration; 2] = [Duration::ZERO, Duration::from_millis(400)];
/// Seconds over which devices spread their answers.
const SPREAD_S: u8 = 1;
/// Behind the last search: the spread, and the way.
const PATIENCE: Duration = Duration::from_millis(1300);
/// Answers of others that are looked at; a home has no more.
const MOST_OTHERS: usize = 256;

/// What the search found.
#[derive(Debug, Default)]
pub(super) struct Search {
    /// The gateway's description, and how its answer names its software.
    pub(super) gateway: Option<(Endpoint, String)>,
    /// Answers from the gateway's address that lead elsewhere or to nothing.
    pub(super) refused: Vec<NotFollowed>,
    /// Datagrams that are no answer.
    pub(super) unreadable: usize,
    /// Answers from other addresses, which are not followed.
    pub(super) of_others: usize,
}

/// Searches until the gateway has answered, or could have.
pub(super) async fn search(own: Ipv4Addr, gateway: Ipv4Addr, device: &str) -> io::Result<Search> {
    let socket = bound::asking_groups(own, device, HOPS)?;
    let started = Instant::now();
    let mut found = Search::default();
    let mut buffer = vec![0; 8192];
    for (sent, at) in SENT_AT.into_iter().enumerate() {
        // To the group for devices that listen there only, to the gateway itself for laptops whose firewall lets answers in
        // only from where something was sent.
        let searches = [(GROUP, Some(SPREAD_S)), (SocketAddrV4::new(gateway, GROUP.port()), None)];
        for (host, spread_s) in searches {
            let search = ssdp::Search { host, target: GATEWAY.to_owned(), spread_s };
            let datagram = search.emit().unwrap_or_default();
            // A gateway that refuses its port answers with an ICMP error to the next send; it says nothing of the other way.
            let _ = socket.send_to(&datagram, host).await;
        }
        let until = started + SENT_AT.get(sent + 1).copied().unwrap_or(at + PATIENCE);
        while let Ok(received) = tokio::time::timeout_at(until, socket.recv_from(&mut buffer)).await {
            let Ok((len, from)) = received else { continue };
            let is_gateway = from.ip() == IpAddr::V4(gateway);
            found.take_in(gateway, is_gateway, &buffer[..len]);
            if found.gateway.is_some() || found.of_others >= MOST_OTHERS {
                return Ok(found);
            }
        }
    }
    Ok(found)
}

impl Search {
    fn take_in(&mut self, gateway: Ipv4Addr, is_gateway: bool, datagram: &[u8]) {
        match Found::parse(datagram) {
            Err(_) => self.unreadable += 1,
            Ok(_) if !is_gateway => self.of_others += 1,
            Ok(answer) if answer.target != GATEWAY => {}
            Ok(answer) => match Endpoint::on(gateway, &answer.location) {
                Ok(endpoint) => self.gateway = Some((endpoint, answer.server)),
                Err(why) if self.refused.contains(&why) || self.refused.len() >= MOST_OTHERS => {}
                Err(why) => self.refused.push(why),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOME: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

    fn answer(location: &str, target: &str) -> Vec<u8> {
        let (location, target) = (location.to_owned(), target.to_owned());
        Found { location, target, name: String::new(), server: "invented/1.0".to_owned() }.emit().expect("writable")
    }

    #[test]
    fn only_the_gateway_is_believed_and_only_about_itself() {
        let mut search = Search::default();
        search.take_in(HOME, false, &answer("http://192.0.2.1/d.xml", GATEWAY));
        search.take_in(HOME, true, &answer("http://192.0.2.9/d.xml", GATEWAY));
        search.take_in(HOME, true, &answer("http://192.0.2.9/d.xml", GATEWAY));
        search.take_in(HOME, true, &answer("http://192.0.2.1/tv.xml", "urn:schemas-upnp-org:device:MediaServer:1"));
        search.take_in(HOME, true, b"GET / HTTP/1.1\r\n\r\n");
        assert!(search.gateway.is_none());
        assert_eq!((search.of_others, search.unreadable), (1, 1));
        assert_eq!(search.refused, [NotFollowed::Elsewhere("192.0.2.9".to_owned())], "told once");
        search.take_in(HOME, true, &answer("http://192.0.2.1:5000/d.xml", GATEWAY));
        let (endpoint, server) = search.gateway.expect("found");
        assert_eq!((endpoint.port(), server.as_str()), (5000, "invented/1.0"));
    }
}
