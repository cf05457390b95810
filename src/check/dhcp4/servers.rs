//! Who answered: servers told apart from each other and from relays, and named.

use std::net::Ipv4Addr;

use serde_json::{Value, json};

use super::super::maker::Makers;
use crate::proto::dhcp4::{Answer, Client, Way};
use crate::wire::dhcp4::MessageType;
use crate::wire::dhcp4::option::code;
use crate::wire::ethernet::Mac;

/// One server, by its first answer.
#[derive(Debug, Clone, Copy)]
pub(super) struct Server<'a> {
    first: &'a Answer,
}

impl Server<'_> {
    /// Its identifier, else the address that it answered from.
    pub(super) fn identifier(self) -> Ipv4Addr {
        self.first.server()
    }

    fn mac(self) -> Mac {
        self.first.source_mac
    }

    /// "192.0.2.1 (02:00:5e:00:01:02, locally administered)".
    pub(super) fn named(self, makers: &Makers) -> String {
        let station = format!("{}, {}", self.mac(), makers.words(self.mac()));
        match self.first.way() {
            Way::Direct => format!("{} ({station})", self.identifier()),
            Way::Relayed(relay) => format!("{} through the relay {relay} ({station})", self.identifier()),
            Way::Unclear => format!("{} (answering from {}: {station})", self.identifier(), self.first.source),
        }
    }

    pub(super) fn fact(self, makers: &Makers) -> Value {
        let answer = self.first;
        let way = match answer.way() {
            Way::Direct => "the server itself, on this segment".to_owned(),
            Way::Relayed(relay) if answer.source == relay => format!("relay {relay}"),
            Way::Relayed(relay) => format!("relay {relay}, answering from {}", answer.source),
            Way::Unclear => {
                "another address than the server's: a relay that does not say so, or a server with two addresses".to_owned()
            }
        };
        json!({
            "server": self.identifier().to_string(),
            "from": answer.source.to_string(),
            "from_mac": self.mac().to_string(),
            "maker": makers.words(self.mac()),
            "answered_by": way,
            "relay_information_left": answer.message.option(code::RELAY_INFORMATION).is_some(),
        })
    }

    /// " after 3.0 s": how long its first answer took, where that is known.
    pub(super) fn after(self, client: &Client) -> String {
        client.took(self.first).map(|t| format!(" after {:.1} s", t.longest.as_secs_f64())).unwrap_or_default()
    }

    /// True when the answer is this server's.
    pub(super) fn made(self, answer: &Answer) -> bool {
        self.first.origin() == answer.origin()
    }
}

/// The servers that offered or confirmed something, in order of their first answer; late ones left out.
pub(super) fn servers<'a>(answers: impl Iterator<Item = &'a Answer>) -> Vec<Server<'a>> {
    distinct(answers.filter(|answer| !answer.is_late))
}

/// The same of all answers given.
pub(super) fn distinct<'a>(answers: impl Iterator<Item = &'a Answer>) -> Vec<Server<'a>> {
    let mut all: Vec<Server<'_>> = Vec::new();
    for answer in answers.filter(|a| matches!(a.kind, Some(MessageType::Offer | MessageType::Ack))) {
        if !all.iter().any(|server| server.made(answer)) {
            all.push(Server { first: answer });
        }
    }
    all
}
