//! Who has which address, and what a server says. No socket, no clock: an address is kept for its client until it is
//! released, longer than the lease, as section 4.3.1 asks servers to try.

use std::collections::{BTreeMap, BTreeSet};
use std::net::Ipv4Addr;

use dhcproto::v4::{DhcpOption, Message, MessageType, Opcode, OptionCode, UnknownOption};

use super::{DhcpRoleConfig, DhcpRoleCounts};

/// A client, by its identifier (option 61) or else its hardware address (section 4.2).
type Client = Vec<u8>;

/// The server's memory.
#[derive(Debug)]
pub(super) struct Leases {
    config: DhcpRoleConfig,
    /// Offered or leased.
    bound: BTreeMap<Client, (Ipv4Addr, Standing)>,
    /// Addresses that somebody was found on (DECLINE).
    spoilt: BTreeSet<Ipv4Addr>,
    counts: DhcpRoleCounts,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    Offered,
    Leased,
}

fn client_of(message: &Message) -> Client {
    match message.opts().get(OptionCode::ClientIdentifier) {
        Some(DhcpOption::ClientIdentifier(identifier)) => identifier.clone(),
        _ => message.chaddr().to_vec(),
    }
}

fn address_of(message: &Message, code: OptionCode) -> Option<Ipv4Addr> {
    match message.opts().get(code) {
        Some(DhcpOption::RequestedIpAddress(address) | DhcpOption::ServerIdentifier(address)) => Some(*address),
        _ => None,
    }
}

impl Leases {
    pub(super) fn new(config: DhcpRoleConfig) -> Self {
        Self { config, bound: BTreeMap::new(), spoilt: BTreeSet::new(), counts: DhcpRoleCounts::default() }
    }

    pub(super) fn config(&self) -> &DhcpRoleConfig {
        &self.config
    }

    pub(super) fn counts(&self) -> DhcpRoleCounts {
        self.counts
    }

    pub(super) fn count_unreadable(&mut self) {
        self.counts.unreadable += 1;
    }

    pub(super) fn handed_out(&self) -> Vec<Ipv4Addr> {
        self.bound.values().filter(|(_, standing)| *standing == Standing::Leased).map(|(address, _)| *address).collect()
    }

    /// What is said to a client's message; `None` is silence.
    pub(super) fn answer(&mut self, message: &Message) -> Option<Message> {
        if message.opcode() != Opcode::BootRequest {
            return None;
        }
        let kind = message.opts().msg_type()?;
        self.count(kind);
        match kind {
            MessageType::Release => self.forget(message, Some(message.ciaddr())),
            MessageType::Decline => self.forget(message, None),
            _ => {}
        }
        if self.config.is_silent {
            return None;
        }
        match kind {
            MessageType::Discover => {
                let address = self.choose(message)?;
                self.bound.entry(client_of(message)).or_insert((address, Standing::Offered));
                Some(self.reply(message, MessageType::Offer, Some(address)))
            }
            MessageType::Request => self.on_request(message),
            MessageType::Inform => Some(self.reply(message, MessageType::Ack, None)),
            _ => None,
        }
    }

    fn count(&mut self, kind: MessageType) {
        match kind {
            MessageType::Discover => self.counts.discovers += 1,
            MessageType::Request => self.counts.requests += 1,
            MessageType::Decline => self.counts.declines += 1,
            MessageType::Inform => self.counts.informs += 1,
            _ => {}
        }
    }

    /// Gives up a client's address: released, or with `None` declined and then not handed out again.
    fn forget(&mut self, message: &Message, released: Option<Ipv4Addr>) {
        let client = client_of(message);
        let Some((address, _)) = self.bound.get(&client).copied() else { return };
        match released {
            Some(named) if named == address => self.counts.releases += 1,
            Some(_) => return,
            None => {
                self.spoilt.insert(address);
            }
        }
        self.bound.remove(&client);
    }

    /// Section 4.3.1: the client's own address, else the one it asks for, else the first that is free.
    fn choose(&self, message: &Message) -> Option<Ipv4Addr> {
        if let Some((address, _)) = self.bound.get(&client_of(message)) {
            return Some(*address);
        }
        let taken: BTreeSet<Ipv4Addr> = self.bound.values().map(|(address, _)| *address).collect();
        let is_free = |a: &Ipv4Addr| self.config.range.contains(a) && !taken.contains(a) && !self.spoilt.contains(a);
        let wished = address_of(message, OptionCode::RequestedIpAddress).filter(is_free);
        let (first, last) = (u32::from(*self.config.range.start()), u32::from(*self.config.range.end()));
        wished.or_else(|| (first..=last).map(Ipv4Addr::from).find(is_free))
    }

    /// Section 4.3.2, by the state that the message shows its client to be in.
    fn on_request(&mut self, message: &Message) -> Option<Message> {
        let client = client_of(message);
        let held = self.bound.get(&client).copied();
        let server = address_of(message, OptionCode::ServerIdentifier);
        let wished = address_of(message, OptionCode::RequestedIpAddress);
        if server.is_some_and(|s| s != self.config.server) {
            // Another server's offer was taken: ours is void.
            if held.is_some_and(|(_, standing)| standing == Standing::Offered) {
                self.bound.remove(&client);
            }
            return None;
        }
        let address = match (server, wished) {
            // Selecting, or after a reboot.
            (_, Some(address)) => address,
            // Renewing or rebinding.
            (None, None) if self.config.is_deaf_to_renewals => return None,
            (None, None) if self.config.refuses_renewals.is_some() => return Some(self.reply(message, MessageType::Nak, None)),
            (None, None) if !message.ciaddr().is_unspecified() => message.ciaddr(),
            _ => return None,
        };
        if held.is_some_and(|(its, _)| its == address) {
            self.bound.insert(client, (address, Standing::Leased));
            return Some(self.reply(message, MessageType::Ack, Some(address)));
        }
        // Without knowledge of the client a server stays silent, unless it was addressed.
        (server.is_some() || held.is_some()).then(|| self.reply(message, MessageType::Nak, None))
    }

    fn reply(&self, question: &Message, kind: MessageType, address: Option<Ipv4Addr>) -> Message {
        let yours = address.unwrap_or(Ipv4Addr::UNSPECIFIED);
        // Table 3: `ciaddr` is the client's in an ACK; `giaddr`, flags and hardware address are sent back.
        let client = if kind == MessageType::Ack { question.ciaddr() } else { Ipv4Addr::UNSPECIFIED };
        let mut message = Message::new(client, yours, Ipv4Addr::UNSPECIFIED, question.giaddr(), question.chaddr());
        message.set_opcode(Opcode::BootReply).set_xid(question.xid()).set_flags(question.flags());
        let options = message.opts_mut();
        options.insert(DhcpOption::MessageType(kind));
        options.insert(DhcpOption::ServerIdentifier(self.config.server));
        if let Some(DhcpOption::ClientIdentifier(identifier)) = question.opts().get(OptionCode::ClientIdentifier) {
            // RFC 6842 section 3.
            options.insert(DhcpOption::ClientIdentifier(identifier.clone()));
        }
        if kind == MessageType::Nak {
            let words = self.config.refuses_renewals.clone();
            options.insert(DhcpOption::Message(words.unwrap_or_else(|| "not an address of this client".to_owned())));
            return message;
        }
        if address.is_some() {
            // Not in an answer to INFORM (section 4.3.5).
            options.insert(DhcpOption::AddressLeaseTime(u32::try_from(self.config.lease.as_secs()).unwrap_or(u32::MAX)));
        }
        let mask = u32::MAX.checked_shl(32 - u32::from(self.config.prefix.min(32))).unwrap_or(0);
        options.insert(DhcpOption::SubnetMask(mask.into()));
        if let Some(router) = self.config.router {
            options.insert(DhcpOption::Router(vec![router]));
        }
        if !self.config.resolvers.is_empty() {
            options.insert(DhcpOption::DomainNameServer(self.config.resolvers.clone()));
        }
        if let Some(domain) = &self.config.domain {
            options.insert(DhcpOption::DomainName(domain.clone()));
        }
        for (code, data) in &self.config.more {
            options.insert(DhcpOption::Unknown(UnknownOption::new(OptionCode::from(*code), data.clone())));
        }
        message
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SERVER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
    const MAC: [u8; 6] = [2, 0, 0x5e, 0, 0, 1];
    const OTHER_MAC: [u8; 6] = [2, 0, 0x5e, 0, 0, 2];

    fn leases() -> Leases {
        Leases::new(DhcpRoleConfig::for_network(SERVER))
    }

    fn message(kind: MessageType, mac: [u8; 6]) -> Message {
        let none = Ipv4Addr::UNSPECIFIED;
        let mut message = Message::new(none, none, none, none, &mac);
        message.opts_mut().insert(DhcpOption::MessageType(kind));
        message
    }

    fn request(mac: [u8; 6], address: Ipv4Addr, server: Option<Ipv4Addr>) -> Message {
        let mut message = message(MessageType::Request, mac);
        message.opts_mut().insert(DhcpOption::RequestedIpAddress(address));
        if let Some(server) = server {
            message.opts_mut().insert(DhcpOption::ServerIdentifier(server));
        }
        message
    }

    fn kind(answer: &Option<Message>) -> Option<MessageType> {
        answer.as_ref().and_then(|a| a.opts().msg_type())
    }

    #[test]
    fn two_clients_get_two_addresses_and_each_keeps_its_own() {
        let mut leases = leases();
        let first = leases.answer(&message(MessageType::Discover, MAC)).expect("an offer").yiaddr();
        let second = leases.answer(&message(MessageType::Discover, OTHER_MAC)).expect("an offer").yiaddr();
        assert_eq!((first, second), (Ipv4Addr::new(192, 0, 2, 50), Ipv4Addr::new(192, 0, 2, 51)));
        assert_eq!(leases.answer(&message(MessageType::Discover, MAC)).expect("an offer").yiaddr(), first);
        assert!(leases.handed_out().is_empty(), "offered is not leased");
        let ack = leases.answer(&request(MAC, first, Some(SERVER)));
        assert_eq!((kind(&ack), leases.handed_out()), (Some(MessageType::Ack), vec![first]));
    }

    #[test]
    fn requests_are_answered_by_the_state_of_their_client() {
        let mut leases = leases();
        let address = leases.answer(&message(MessageType::Discover, MAC)).expect("an offer").yiaddr();
        let other = Ipv4Addr::new(192, 0, 2, 77);
        // Section 4.3.2, SELECTING: another address than offered; after a reboot: unknown client, known client.
        assert_eq!(kind(&leases.answer(&request(MAC, other, Some(SERVER)))), Some(MessageType::Nak));
        assert_eq!(kind(&leases.answer(&request(OTHER_MAC, other, None))), None);
        assert_eq!(kind(&leases.answer(&request(MAC, other, None))), Some(MessageType::Nak));
        assert_eq!(kind(&leases.answer(&request(MAC, address, None))), Some(MessageType::Ack));
        let mut renewal = message(MessageType::Request, MAC);
        renewal.set_ciaddr(address);
        assert_eq!(kind(&leases.answer(&renewal)), Some(MessageType::Ack));
        assert_eq!(kind(&leases.answer(&message(MessageType::Request, MAC))), None, "asks for nothing");
    }

    #[test]
    fn an_offer_is_void_when_another_server_s_is_taken_and_a_lease_when_released_or_declined() {
        let mut leases = leases();
        let address = leases.answer(&message(MessageType::Discover, MAC)).expect("an offer").yiaddr();
        assert!(leases.answer(&request(MAC, address, Some(Ipv4Addr::new(192, 0, 2, 9)))).is_none());
        assert_eq!(leases.answer(&message(MessageType::Discover, OTHER_MAC)).expect("an offer").yiaddr(), address);
        leases.answer(&request(OTHER_MAC, address, Some(SERVER)));
        let mut release = message(MessageType::Release, OTHER_MAC);
        release.set_ciaddr(address);
        assert!(leases.answer(&release).is_none());
        assert_eq!((leases.handed_out().len(), leases.counts().releases), (0, 1));
        leases.answer(&message(MessageType::Discover, MAC));
        leases.answer(&message(MessageType::Decline, MAC));
        assert_ne!(leases.answer(&message(MessageType::Discover, MAC)).expect("an offer").yiaddr(), address);
    }

    #[test]
    fn inform_gets_settings_and_no_lease() {
        let mut leases = leases();
        let mut inform = message(MessageType::Inform, MAC);
        inform.set_ciaddr(Ipv4Addr::new(192, 0, 2, 50));
        let ack = leases.answer(&inform).expect("an answer");
        assert_eq!((ack.yiaddr(), ack.opts().get(OptionCode::AddressLeaseTime)), (Ipv4Addr::UNSPECIFIED, None));
        assert!(ack.opts().get(OptionCode::SubnetMask).is_some());
    }

    #[test]
    fn an_empty_range_and_a_silent_server_say_nothing() {
        let address = Ipv4Addr::new(192, 0, 2, 60);
        let mut one = Leases::new(DhcpRoleConfig { range: address..=address, ..DhcpRoleConfig::for_network(SERVER) });
        assert!(one.answer(&message(MessageType::Discover, MAC)).is_some());
        assert!(one.answer(&message(MessageType::Discover, OTHER_MAC)).is_none());
        let mut silent = Leases::new(DhcpRoleConfig { is_silent: true, ..DhcpRoleConfig::for_network(SERVER) });
        assert!(silent.answer(&message(MessageType::Discover, MAC)).is_none());
        assert_eq!(silent.counts().discovers, 1);
    }
}
