//! What is wrong with servers, addresses and answers, in words.

use std::collections::BTreeSet;

use super::report::Asked;
use super::servers::{Server, servers};
use crate::proto::dhcp4::{Answer, Phase, Rival};
use crate::reading::{Flaw, Outcome};
use crate::unit::Segment;
use crate::wire::dhcp4::MessageType;
use crate::wire::dhcp4::option::code;

/// Flaws of answers that go to the record.
const MOST_FLAWS: usize = 64;

impl Asked<'_> {
    /// Where a server's fault lies: behind the gateway's LAN port the gateway is the server.
    fn segment(&self) -> Option<Segment> {
        self.position.is_behind_gateway().then_some(Segment::Home)
    }

    pub(super) fn flaws(&self, outcome: &mut Outcome) {
        let servers = servers(self.client.answers().iter());
        if let [_, _, ..] = servers[..] {
            let list: Vec<String> = servers.iter().map(|server| server.named(self.makers)).collect();
            let what = format!("{} DHCP servers answered: {}", servers.len(), list.join(", "));
            outcome.flaw("dhcp4-second-server", what, self.segment());
        }
        self.shared_identifier(&servers, outcome);
        self.answers(outcome);
        for rival in self.client.rivals() {
            outcome.flaws.push(self.rival(rival));
        }
        let ignored = self.client.ignored();
        if ignored.checksum > 0 {
            let what = format!("{} answers with a wrong IPv4 or UDP checksum", ignored.checksum);
            outcome.flaw("dhcp4-checksum-wrong", what, None);
        }
        if ignored.tagged > 0 {
            let what = format!(
                "{} answers with a VLAN tag: the port is in another network than the server takes it to be",
                ignored.tagged
            );
            outcome.flaw("dhcp4-answer-tagged", what, None);
        }
    }

    /// Two stations that both say that they are one server, as two gateways with the same factory setting do.
    fn shared_identifier(&self, servers: &[Server<'_>], outcome: &mut Outcome) {
        let twin = servers.iter().enumerate().find_map(|(at, one)| {
            let twin = servers[..at].iter().find(|other| other.identifier() == one.identifier())?;
            Some((twin, one))
        });
        if let Some((one, other)) = twin {
            let what =
                format!("two stations answer as the same server: {} and {}", one.named(self.makers), other.named(self.makers));
            outcome.flaw("dhcp4-server-id-shared", what, self.segment());
        }
    }

    fn answers(&self, outcome: &mut Outcome) {
        let mut told = BTreeSet::new();
        for answer in self.client.answers() {
            let kind = answer.kind.map_or("answer", MessageType::name);
            for flaw in &answer.flaws {
                let what = format!("{kind} of {}: {flaw}", answer.server());
                if told.len() < MOST_FLAWS && told.insert(what.clone()) {
                    outcome.flaw(flaw.code(), what, self.segment());
                }
            }
            if answer.kind == Some(MessageType::Nak)
                && let Some((code, what)) = refusal(answer)
            {
                outcome.flaw(code, what, self.segment());
            }
        }
    }

    /// Another station with our address.
    pub(super) fn rival(&self, rival: &Rival) -> Flaw {
        let Rival { address, owner, is_declined } = *rival;
        let owner = format!("{owner} ({})", self.makers.words(owner));
        let (code, what) = if is_declined {
            (
                "dhcp4-address-in-use",
                format!("{address} was handed out, but {owner} uses it; it was declined (RFC 5227 section 2.1.1)"),
            )
        } else {
            ("dhcp4-address-contested", format!("{owner} uses {address} as well, which this port has (RFC 5227 section 2.4)"))
        };
        Flaw { code: code.to_owned(), what, segment: self.segment() }
    }
}

/// What a NAK means in the state that it came in, with the server's own words.
pub(super) fn refusal(answer: &Answer) -> Option<(&'static str, String)> {
    let server = answer.server();
    let words = answer.message.decoded().into_iter().find(|option| option.code == code::MESSAGE);
    let words = words.map(|option| format!(", saying \"{}\"", option.value)).unwrap_or_default();
    Some(match (answer.phase, answer.is_late) {
        (Phase::Requesting | Phase::Selecting | Phase::Idle, false) => (
            "dhcp4-refused",
            format!(
                "{server} refused (NAK) the address that it had offered{words}: it gave it away in between, or takes the client to be in \
                 another network (RFC 2131 section 4.3.2)"
            ),
        ),
        (Phase::Renewing, false) => (
            "dhcp4-lease-withdrawn",
            format!(
                "{server} withdrew the lease (NAK) when it was to be renewed{words}: it has lost its list of leases, gave the address \
                 away, or moved it to another network; a client has to stop using it at once (RFC 2131 section 4.4.5)"
            ),
        ),
        (Phase::Rebinding, false) => (
            "dhcp4-lease-withdrawn",
            format!(
                "{server} withdrew the lease (NAK) when any server was asked to renew it{words}: it takes the address to be wrong for this \
                 network (RFC 2131 section 4.3.2)"
            ),
        ),
        (Phase::Requesting, true) => (
            "dhcp4-refused-by-another",
            format!(
                "{server} refused (NAK) an address that another server had offered{words}: a REQUEST that names another server is not \
                 its business (RFC 2131 section 4.3.2)"
            ),
        ),
        (_, true) | (Phase::Informing, false) => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::round_trip::Moment;
    use crate::unit::{Stamp, StampSource};
    use crate::wire::dhcp4::{Repr, parse};
    use crate::wire::ethernet::Mac;

    fn nak(phase: Phase, is_late: bool) -> Answer {
        let repr = Repr::request(MessageType::Nak, 7, [2, 0, 0x5e, 0, 0, 1])
            .with(code::SERVER_IDENTIFIER, [192, 0, 2, 1])
            .with(code::MESSAGE, *b"no");
        Answer {
            kind: Some(MessageType::Nak),
            phase,
            transaction: 7,
            arrived: Moment {
                stamp: Stamp { unix_ns: 0, source: StampSource::User, adapter_ns: None },
                at: std::time::Instant::now(),
            },
            source: [192, 0, 2, 1].into(),
            source_mac: Mac([2, 0, 0x5e, 0, 0, 2]),
            message: parse(&repr.emit()).expect("readable"),
            flaws: Vec::new(),
            is_late,
            is_void: false,
        }
    }

    #[test]
    fn a_refusal_means_something_else_in_each_state() {
        for (phase, is_late, code, words) in [
            (Phase::Requesting, false, "dhcp4-refused", "the address that it had offered, saying \"no\": it gave it away"),
            (Phase::Renewing, false, "dhcp4-lease-withdrawn", "when it was to be renewed, saying \"no\": it has lost"),
            (Phase::Rebinding, false, "dhcp4-lease-withdrawn", "when any server was asked to renew it, saying \"no\""),
            (Phase::Requesting, true, "dhcp4-refused-by-another", "an address that another server had offered, saying \"no\""),
        ] {
            let (told, what) = refusal(&nak(phase, is_late)).expect("told");
            assert!(told == code && what.starts_with("192.0.2.1 ") && what.contains(words), "{told}: {what}");
        }
        assert_eq!(refusal(&nak(Phase::Idle, true)), None, "one to an earlier message changes nothing");
    }
}
