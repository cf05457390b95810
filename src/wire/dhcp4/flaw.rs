//! What can be odd about a message, each with a stable name for isolation and the evidence in words.

use std::fmt;
use std::net::Ipv4Addr;

use super::option;
use super::tlv::Place;

/// Odd, but readable.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Flaw {
    /// An option claims more octets than its field has left; it and what follows is lost.
    OptionTruncated {
        /// The field.
        place: Place,
        /// The option.
        code: u8,
        /// Octets that it claims; `None` when even the length is missing.
        claimed: Option<u8>,
        /// Octets that there are.
        left: usize,
    },
    /// A field without the end option (RFC 2132 section 3.2).
    EndMissing(Place),
    /// Octets other than pads behind the end.
    OctetsAfterEnd {
        /// The field.
        place: Place,
        /// How many.
        count: usize,
    },
    /// Option 52 with another value than 1, 2, 3 (RFC 2132 section 9.3).
    OverloadValue(u8),
    /// Option 52 in a field that option 52 made an option field.
    OverloadNested,
    /// An option that stands several times though one would do.
    OptionRepeated {
        /// The option.
        code: u8,
        /// How often.
        times: usize,
    },
    /// An option of a length that its definition excludes.
    OptionLength {
        /// The option.
        code: u8,
        /// Its length.
        length: usize,
        /// What it should be.
        rule: &'static str,
    },
    /// An option whose contents its definition excludes.
    OptionContent {
        /// The option.
        code: u8,
        /// What is wrong.
        what: &'static str,
    },
    /// A hardware address of a length that its type doesn't have.
    HardwareLength(u8),
    /// No option 53 (RFC 2131 section 3: every DHCP message has it).
    MessageTypeMissing,
    /// Option 53 with a number that RFC 2131 doesn't know.
    MessageTypeUnknown(u8),
    /// No option 54 (RFC 2131 table 3: MUST).
    ServerIdentifierMissing,
    /// Option 54 that is no address of a host.
    ServerIdentifierInvalid(Ipv4Addr),
    /// No option 51 (RFC 2131 table 3: MUST).
    LeaseTimeMissing,
    /// A lease of no time.
    LeaseTimeZero,
    /// No address is given.
    AddressMissing,
    /// The address given is none that a host of the network can have.
    AddressInvalid(Ipv4Addr),
    /// No option 1: the client has to guess its network (RFC 2131 section 4.3.1 has it among what a server returns).
    MaskMissing,
    /// Option 1 that is no run of ones and then zeroes.
    MaskInvalid(Ipv4Addr),
    /// Neither option 3 nor a default route in option 121: no way out of the network.
    RouterMissing,
    /// The first router is outside of the network that the mask makes.
    RouterOutside(Ipv4Addr),
    /// No option 6.
    ResolversMissing,
    /// Renewal and rebinding times that don't stand in order below the lease (RFC 2131 section 4.4.5).
    RenewalTimes {
        /// Option 58, seconds.
        renewal: Option<u32>,
        /// Option 59, seconds.
        rebinding: Option<u32>,
        /// Option 51, seconds.
        lease: u32,
    },
    /// An option that this message must not carry (RFC 2131 table 3).
    OptionForbidden(u8),
    /// Option 82, which the relay that added it must take out again (RFC 3046 section 2.1).
    RelayInformationLeft,
    /// The client's hardware address is not the one asked for.
    HardwareAddressAltered,
    /// Option 61 is sent back with another value than the client's (RFC 6842 section 3).
    ClientIdentifierAltered,
    /// An MTU below 68 (RFC 2132 section 5.1).
    MtuInvalid(u16),
}

impl Flaw {
    /// Stable name, kebab-case, with the prefix of the protocol.
    pub fn code(&self) -> &'static str {
        match self {
            Self::OptionTruncated { .. } => "dhcp4-option-truncated",
            Self::EndMissing(_) => "dhcp4-end-missing",
            Self::OctetsAfterEnd { .. } => "dhcp4-octets-after-end",
            Self::OverloadValue(_) | Self::OverloadNested => "dhcp4-overload-invalid",
            Self::OptionRepeated { .. } => "dhcp4-option-repeated",
            Self::OptionLength { .. } => "dhcp4-option-length",
            Self::OptionContent { .. } => "dhcp4-option-content",
            Self::HardwareLength(_) => "dhcp4-hardware-length",
            Self::MessageTypeMissing => "dhcp4-message-type-missing",
            Self::MessageTypeUnknown(_) => "dhcp4-message-type-unknown",
            Self::ServerIdentifierMissing => "dhcp4-server-id-missing",
            Self::ServerIdentifierInvalid(_) => "dhcp4-server-id-invalid",
            Self::LeaseTimeMissing => "dhcp4-lease-time-missing",
            Self::LeaseTimeZero => "dhcp4-lease-time-zero",
            Self::AddressMissing => "dhcp4-address-missing",
            Self::AddressInvalid(_) => "dhcp4-address-invalid",
            Self::MaskMissing => "dhcp4-mask-missing",
            Self::MaskInvalid(_) => "dhcp4-mask-invalid",
            Self::RouterMissing => "dhcp4-router-missing",
            Self::RouterOutside(_) => "dhcp4-router-outside",
            Self::ResolversMissing => "dhcp4-resolvers-missing",
            Self::RenewalTimes { .. } => "dhcp4-renewal-times",
            Self::OptionForbidden(_) => "dhcp4-option-forbidden",
            Self::RelayInformationLeft => "dhcp4-relay-information-left",
            Self::HardwareAddressAltered => "dhcp4-hardware-address-altered",
            Self::ClientIdentifierAltered => "dhcp4-client-id-altered",
            Self::MtuInvalid(_) => "dhcp4-mtu-invalid",
        }
    }
}

/// An option by number and name.
struct Named(u8);

impl fmt::Display for Named {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match option::name(self.0) {
            Some(name) => write!(f, "option {} ({name})", self.0),
            None => write!(f, "option {}", self.0),
        }
    }
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OptionTruncated { place, code, claimed: Some(claimed), left } => {
                let named = Named(*code);
                write!(f, "{named} claims {claimed} octets where the {} field has {left} left", place.name())
            }
            Self::OptionTruncated { place, code, claimed: None, .. } => {
                write!(f, "{} has no length: the {} field ends", Named(*code), place.name())
            }
            Self::EndMissing(place) => write!(f, "the {} field has no end option", place.name()),
            Self::OctetsAfterEnd { place, count } => {
                write!(f, "{count} octets, not all pads, behind the end of the {} field", place.name())
            }
            Self::OverloadValue(value) => write!(f, "option 52 (overload) is {value}, not 1, 2 or 3"),
            Self::OverloadNested => write!(f, "option 52 (overload) stands inside an overloaded field"),
            Self::OptionRepeated { code, times } => write!(f, "{} stands {times} times", Named(*code)),
            Self::OptionLength { code, length, rule } => {
                write!(f, "{} has {length} octets, should have {rule}", Named(*code))
            }
            Self::OptionContent { code, what } => write!(f, "{}: {what}", Named(*code)),
            Self::HardwareLength(len) => write!(f, "the hardware address claims {len} octets"),
            Self::MessageTypeMissing => write!(f, "no message type (option 53)"),
            Self::MessageTypeUnknown(number) => write!(f, "message type {number} is unknown"),
            Self::ServerIdentifierMissing => write!(f, "no server identifier (option 54)"),
            Self::ServerIdentifierInvalid(address) => write!(f, "the server identifier {address} is no address of a host"),
            Self::LeaseTimeMissing => write!(f, "no lease time (option 51)"),
            Self::LeaseTimeZero => write!(f, "the lease time is 0 s"),
            Self::AddressMissing => write!(f, "no address is given"),
            Self::AddressInvalid(address) => write!(f, "the address {address} is none that a host can have there"),
            Self::MaskMissing => write!(f, "no subnet mask (option 1)"),
            Self::MaskInvalid(mask) => write!(f, "the subnet mask {mask} is no run of ones"),
            Self::RouterMissing => write!(f, "no router (option 3) and no default route (option 121)"),
            Self::RouterOutside(router) => write!(f, "the router {router} is outside of the network"),
            Self::ResolversMissing => write!(f, "no name servers (option 6)"),
            Self::RenewalTimes { renewal, rebinding, lease } => {
                let part = |value: &Option<u32>| value.map_or("not given".to_owned(), |v| format!("{v} s"));
                let (renewal, rebinding) = (part(renewal), part(rebinding));
                write!(f, "renewal {renewal}, rebinding {rebinding} and lease {lease} s don't stand in order")
            }
            Self::OptionForbidden(code) => write!(f, "{} must not be in this message", Named(*code)),
            Self::RelayInformationLeft => write!(f, "a relay left its information (option 82) in"),
            Self::HardwareAddressAltered => write!(f, "the answer carries another client hardware address"),
            Self::ClientIdentifierAltered => write!(f, "the answer carries another client identifier (option 61)"),
            Self::MtuInvalid(mtu) => write!(f, "an interface MTU of {mtu} octets is below 68"),
        }
    }
}
