//! A server's answer held against what RFC 2131 says that it must and must not be (table 3 and section 4.3).

use std::net::Ipv4Addr;

use super::flaw::Flaw;
use super::option::{ClasslessRoute, Value, code, decode};
use super::{MessageType, Parsed, Repr};

/// What is wrong with an OFFER, ACK or NAK that answers `request`, beyond what reading it has found.
///
/// Forbidden in all of them by table 3: requested address, parameter list, maximum size. The client identifier must come
/// back unchanged or not at all (RFC 6842, which replaces table 3's "MUST NOT").
pub fn examine(answer: &Parsed, request: &Repr) -> Vec<Flaw> {
    let mut flaws = Vec::new();
    let kind = answer.message_type();
    server_identifier(answer, &mut flaws);
    for forbidden in [code::REQUESTED_ADDRESS, code::PARAMETER_LIST, code::MAXIMUM_SIZE] {
        if answer.option(forbidden).is_some() {
            flaws.push(Flaw::OptionForbidden(forbidden));
        }
    }
    if answer.option(code::RELAY_INFORMATION).is_some() {
        flaws.push(Flaw::RelayInformationLeft);
    }
    if answer.repr.client_hardware_address != request.client_hardware_address {
        flaws.push(Flaw::HardwareAddressAltered);
    }
    let asked_as = request.options.iter().find(|o| o.code == code::CLIENT_IDENTIFIER).map(|o| &o.data);
    if let Some(returned) = answer.option(code::CLIENT_IDENTIFIER)
        && asked_as != Some(&returned)
    {
        flaws.push(Flaw::ClientIdentifierAltered);
    }
    let is_inform = request.options.iter().any(|o| o.code == code::MESSAGE_TYPE && o.data == [MessageType::Inform.number()]);
    match kind {
        Some(MessageType::Nak) => {
            if answer.option(code::LEASE_TIME).is_some() {
                flaws.push(Flaw::OptionForbidden(code::LEASE_TIME));
            }
        }
        // Section 4.3.5: an answer to INFORM must not carry a lease time, and gives no address.
        Some(MessageType::Ack) if is_inform => {
            if answer.option(code::LEASE_TIME).is_some() {
                flaws.push(Flaw::OptionForbidden(code::LEASE_TIME));
            }
            network(answer, request.client, &mut flaws);
        }
        _ => {
            lease(answer, &mut flaws);
            given_address(answer, &mut flaws);
            network(answer, answer.repr.yours, &mut flaws);
        }
    }
    flaws
}

fn server_identifier(answer: &Parsed, flaws: &mut Vec<Flaw>) {
    match answer.address(code::SERVER_IDENTIFIER) {
        // An option of another length was told when it was read.
        None if answer.option(code::SERVER_IDENTIFIER).is_some() => {}
        None => flaws.push(Flaw::ServerIdentifierMissing),
        Some(address) if !is_host(address) => flaws.push(Flaw::ServerIdentifierInvalid(address)),
        Some(_) => {}
    }
}

fn is_host(address: Ipv4Addr) -> bool {
    !(address.is_unspecified() || address.is_broadcast() || address.is_multicast() || address.is_loopback())
}

fn lease(answer: &Parsed, flaws: &mut Vec<Flaw>) {
    let renewal = answer.number(code::RENEWAL_TIME);
    let rebinding = answer.number(code::REBINDING_TIME);
    match answer.number(code::LEASE_TIME) {
        None if answer.option(code::LEASE_TIME).is_some() => {}
        None => flaws.push(Flaw::LeaseTimeMissing),
        Some(0) => flaws.push(Flaw::LeaseTimeZero),
        Some(lease) => {
            let times: Vec<u32> = [renewal, rebinding, Some(lease)].into_iter().flatten().collect();
            // Section 4.4.5: T1 before T2 before the end of the lease.
            if lease != u32::MAX && times.windows(2).any(|pair| pair[0] >= pair[1]) {
                flaws.push(Flaw::RenewalTimes { renewal, rebinding, lease });
            }
        }
    }
}

fn given_address(answer: &Parsed, flaws: &mut Vec<Flaw>) {
    let yours = answer.repr.yours;
    if yours.is_unspecified() {
        flaws.push(Flaw::AddressMissing);
        return;
    }
    let width = mask_width(answer);
    let host_bits = width.map_or(0, |w| u32::MAX.checked_shr(u32::from(w)).unwrap_or(0));
    let host = u32::from(yours) & host_bits;
    // RFC 3021: with 31 bits both addresses are hosts.
    let is_edge = width.is_some_and(|w| w < 31) && (host == 0 || host == host_bits);
    if !is_host(yours) || is_edge {
        flaws.push(Flaw::AddressInvalid(yours));
    }
}

/// The width of the mask in option 1; `None` when it is missing or no mask.
pub(super) fn mask_width(answer: &Parsed) -> Option<u8> {
    let mask = u32::from(answer.address(code::SUBNET_MASK)?);
    let width = mask.leading_ones();
    (mask.count_ones() == width && width > 0).then_some(width as u8)
}

fn network(answer: &Parsed, address: Ipv4Addr, flaws: &mut Vec<Flaw>) {
    match answer.address(code::SUBNET_MASK) {
        None if answer.option(code::SUBNET_MASK).is_some() => {}
        None => flaws.push(Flaw::MaskMissing),
        Some(mask) if mask_width(answer).is_none() => flaws.push(Flaw::MaskInvalid(mask)),
        Some(_) => {}
    }
    // RFC 3442: option 121 takes the place of option 3.
    let default = answer.default_route();
    match default {
        None => flaws.push(Flaw::RouterMissing),
        Some(router) => {
            let mask = mask_width(answer).map_or(0, |w| u32::MAX << (32 - u32::from(w)));
            if !address.is_unspecified() && u32::from(router) & mask != u32::from(address) & mask {
                flaws.push(Flaw::RouterOutside(router));
            }
        }
    }
    if answer.addresses(code::NAME_SERVERS).is_empty() {
        flaws.push(Flaw::ResolversMissing);
    }
    if let Some(Value::Number(mtu)) = answer.option(code::INTERFACE_MTU).map(|data| decode(code::INTERFACE_MTU, &data).value)
        && mtu < 68
    {
        flaws.push(Flaw::MtuInvalid(mtu as u16));
    }
}

impl Parsed {
    /// The next hop of everything: that of option 121 where it is there (RFC 3442 has it override option 3), else the first
    /// of option 3.
    pub fn default_route(&self) -> Option<Ipv4Addr> {
        self.routes().iter().find(|r| r.width == 0 && !r.router.is_unspecified()).map(|r| r.router)
    }

    /// All routes that the client is to have, default routes among them: those of option 121 where it is there and can be
    /// read, and then no others (RFC 3442); else those of option 33 and the first router of option 3.
    pub fn routes(&self) -> Vec<ClasslessRoute> {
        if let Some(data) = self.option(code::CLASSLESS_ROUTES)
            && let Value::Routes(routes) = decode(code::CLASSLESS_ROUTES, &data).value
        {
            return routes;
        }
        let given = self.option(code::STATIC_ROUTES).map(|data| decode(code::STATIC_ROUTES, &data).value);
        let pairs = if let Some(Value::Pairs(pairs)) = given { pairs } else { Vec::new() };
        // RFC 2132 section 5.8: 0.0.0.0 is no destination of a static route.
        let classful = pairs.into_iter().filter(|(destination, _)| !destination.is_unspecified());
        let mut routes: Vec<ClasslessRoute> = classful.map(|(destination, router)| classful_route(destination, router)).collect();
        let first = self.addresses(code::ROUTERS).first().copied();
        routes.extend(first.map(|router| ClasslessRoute { network: Ipv4Addr::UNSPECIFIED, width: 0, router }));
        routes
    }

    /// Width of the network's mask: that of option 1, else that of the address's class (RFC 791), which a client without a
    /// mask has to assume (RFC 1122 section 3.3.6).
    pub fn prefix(&self, address: Ipv4Addr) -> u8 {
        mask_width(self).unwrap_or_else(|| class_width(address))
    }
}

/// Width of the network part by an address's class (RFC 791 section 3.2).
fn class_width(address: Ipv4Addr) -> u8 {
    match address.octets()[0] {
        0..=127 => 8,
        128..=191 => 16,
        _ => 24,
    }
}

/// A route of option 33, which has no masks: to the destination's class of network, or to a host when it has host bits.
fn classful_route(destination: Ipv4Addr, router: Ipv4Addr) -> ClasslessRoute {
    let width = class_width(destination);
    let has_host_bits = u32::from(destination) << width != 0;
    ClasslessRoute { network: destination, width: if has_host_bits { 32 } else { width }, router }
}
