//! What the options mean: names, forms, values.
//!
//! One table row per option that has a definition; the rest is kept as octets. A value that breaks its definition is kept
//! as octets too, with the flaw.

mod form;
mod table;

use std::fmt;
use std::net::Ipv4Addr;

use super::flaw::Flaw;

/// Option numbers that this program acts on (RFC 2132 unless noted).
pub mod code {
    /// Filler.
    pub const PAD: u8 = 0;
    /// Subnet mask.
    pub const SUBNET_MASK: u8 = 1;
    /// Routers.
    pub const ROUTERS: u8 = 3;
    /// Domain name servers.
    pub const NAME_SERVERS: u8 = 6;
    /// Domain name.
    pub const DOMAIN_NAME: u8 = 15;
    /// MTU of the interface.
    pub const INTERFACE_MTU: u8 = 26;
    /// Broadcast address.
    pub const BROADCAST_ADDRESS: u8 = 28;
    /// Static routes.
    pub const STATIC_ROUTES: u8 = 33;
    /// Time servers (NTP).
    pub const TIME_SERVERS: u8 = 42;
    /// Requested address.
    pub const REQUESTED_ADDRESS: u8 = 50;
    /// Lease time.
    pub const LEASE_TIME: u8 = 51;
    /// `file` or `sname` carry options.
    pub const OVERLOAD: u8 = 52;
    /// Message type.
    pub const MESSAGE_TYPE: u8 = 53;
    /// Server identifier.
    pub const SERVER_IDENTIFIER: u8 = 54;
    /// Parameter request list.
    pub const PARAMETER_LIST: u8 = 55;
    /// Message, of a NAK or DECLINE.
    pub const MESSAGE: u8 = 56;
    /// Largest message that the client takes.
    pub const MAXIMUM_SIZE: u8 = 57;
    /// Renewal time (T1).
    pub const RENEWAL_TIME: u8 = 58;
    /// Rebinding time (T2).
    pub const REBINDING_TIME: u8 = 59;
    /// Vendor class identifier.
    pub const VENDOR_CLASS: u8 = 60;
    /// Client identifier.
    pub const CLIENT_IDENTIFIER: u8 = 61;
    /// User class (RFC 3004).
    pub const USER_CLASS: u8 = 77;
    /// What a relay adds for the server (RFC 3046).
    pub const RELAY_INFORMATION: u8 = 82;
    /// Domain search list (RFC 3397).
    pub const DOMAIN_SEARCH: u8 = 119;
    /// Classless static routes (RFC 3442).
    pub const CLASSLESS_ROUTES: u8 = 121;
    /// Vendor classes by enterprise number (RFC 3925).
    pub const VENDOR_CLASSES: u8 = 124;
    /// Vendor options by enterprise number (RFC 3925).
    pub const VENDOR_OPTIONS: u8 = 125;
    /// End of a field.
    pub const END: u8 = 255;
}

/// The name of an option, in the words of its standard; `None` for one without a definition here.
pub fn name(code: u8) -> Option<&'static str> {
    table::find(code).map(|row| row.name)
}

/// An option with its meaning.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decoded {
    /// Its number.
    pub code: u8,
    /// Its name.
    pub name: Option<&'static str>,
    /// Its value; octets when there is no definition or the definition is broken.
    pub value: Value,
    /// How the definition is broken.
    pub flaw: Option<Flaw>,
}

/// Decodes an option's octets, pieces already put together.
pub fn decode(code: u8, data: &[u8]) -> Decoded {
    let Some(row) = table::find(code) else {
        return Decoded { code, name: None, value: Value::Octets(data.to_vec()), flaw: None };
    };
    let (value, flaw) = match row.form.read(data) {
        Ok(value) => (value, None),
        Err(form::Fault::Length(rule)) => {
            (Value::Octets(data.to_vec()), Some(Flaw::OptionLength { code, length: data.len(), rule }))
        }
        Err(form::Fault::Content(what)) => (Value::Octets(data.to_vec()), Some(Flaw::OptionContent { code, what })),
    };
    Decoded { code, name: Some(row.name), value, flaw }
}

/// Sub-options: number and octets, in order.
pub type Parts = Vec<(u8, Vec<u8>)>;

/// A route of option 121.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ClasslessRoute {
    /// Destination network, host bits cleared.
    pub network: Ipv4Addr,
    /// Width of its mask.
    pub width: u8,
    /// The next hop; unspecified when the network is on the link (RFC 3442, "local subnet routes").
    pub router: Ipv4Addr,
}

/// An option's value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Value {
    /// Nothing: being there is all.
    Present,
    /// One address.
    Address(Ipv4Addr),
    /// Addresses in order of preference.
    Addresses(Vec<Ipv4Addr>),
    /// Pairs: destination and router, or address and mask.
    Pairs(Vec<(Ipv4Addr, Ipv4Addr)>),
    /// A number.
    Number(u32),
    /// Seconds; 0xffffffff is without end.
    Seconds(u32),
    /// Seconds with a sign.
    Offset(i32),
    /// Numbers.
    Numbers(Vec<u16>),
    /// Yes or no.
    Flag(bool),
    /// Text, unprintable characters replaced.
    Text(String),
    /// Domain names.
    Names(Vec<String>),
    /// Routes.
    Routes(Vec<ClasslessRoute>),
    /// Client identifier: type (a hardware type, or 0 or 255) and octets.
    Identifier(u8, Vec<u8>),
    /// Sub-options.
    Parts(Parts),
    /// Octets, several times.
    Classes(Vec<Vec<u8>>),
    /// Enterprise number and classes.
    VendorClasses(Vec<(u32, Vec<Vec<u8>>)>),
    /// Enterprise number and sub-options.
    VendorOptions(Vec<(u32, Parts)>),
    /// Octets.
    Octets(Vec<u8>),
}

/// Octets in hexadecimal, and as text as well where they are plain text of some length.
struct Plain<'a>(&'a [u8]);

/// Octets from which on it is no accident that all are printable.
const SHORTEST_TEXT: usize = 3;

impl fmt::Display for Plain<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", Hex(self.0))?;
        match std::str::from_utf8(self.0) {
            Ok(text) if text.len() >= SHORTEST_TEXT && text.bytes().all(|o| (b' '..=b'~').contains(&o)) => write!(f, " {text:?}"),
            _ => Ok(()),
        }
    }
}

/// Writes sub-options.
fn parts(f: &mut fmt::Formatter<'_>, all: &[(u8, Vec<u8>)]) -> fmt::Result {
    list(f, all, |f, (code, data)| write!(f, "{code}: {}", Plain(data)))
}

/// Hexadecimal without separators.
struct Hex<'a>(&'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|octet| write!(f, "{octet:02x}"))
    }
}

/// Writes items with a separator.
fn list<T>(f: &mut fmt::Formatter<'_>, items: &[T], each: impl Fn(&mut fmt::Formatter<'_>, &T) -> fmt::Result) -> fmt::Result {
    for (at, item) in items.iter().enumerate() {
        if at > 0 {
            f.write_str(", ")?;
        }
        each(f, item)?;
    }
    Ok(())
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Present => f.write_str("present"),
            Self::Address(address) => write!(f, "{address}"),
            Self::Addresses(all) => list(f, all, |f, a| write!(f, "{a}")),
            Self::Pairs(all) => list(f, all, |f, (a, b)| write!(f, "{a} {b}")),
            Self::Number(number) => write!(f, "{number}"),
            Self::Seconds(u32::MAX) => f.write_str("without end"),
            Self::Seconds(seconds) => write!(f, "{seconds} s"),
            Self::Offset(seconds) => write!(f, "{seconds} s"),
            Self::Numbers(all) => list(f, all, |f, n| write!(f, "{n}")),
            Self::Flag(flag) => f.write_str(if *flag { "yes" } else { "no" }),
            Self::Text(text) => f.write_str(text),
            Self::Names(all) => list(f, all, |f, n| f.write_str(n)),
            Self::Routes(all) => list(f, all, |f, r| {
                write!(f, "{}/{} ", r.network, r.width)?;
                if r.router.is_unspecified() { f.write_str("on link") } else { write!(f, "via {}", r.router) }
            }),
            Self::Identifier(kind, data) => write!(f, "type {kind}, {}", Hex(data)),
            Self::Parts(all) => parts(f, all),
            Self::Classes(all) => list(f, all, |f, class| write!(f, "{}", Plain(class))),
            Self::VendorClasses(all) => list(f, all, |f, (number, classes)| {
                write!(f, "enterprise {number}: (")?;
                list(f, classes, |f, class| write!(f, "{}", Plain(class)))?;
                f.write_str(")")
            }),
            Self::VendorOptions(all) => list(f, all, |f, (number, options)| {
                write!(f, "enterprise {number}: (")?;
                parts(f, options)?;
                f.write_str(")")
            }),
            Self::Octets(data) => write!(f, "{}", Hex(data)),
        }
    }
}

/// The octets of option 121 (RFC 3442): width, the destination's significant octets, router.
pub fn emit_classless_routes(routes: &[ClasslessRoute]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for route in routes {
        let significant = usize::from(route.width.min(32)).div_ceil(8);
        bytes.push(route.width.min(32));
        bytes.extend(&route.network.octets()[..significant]);
        bytes.extend(route.router.octets());
    }
    bytes
}

#[cfg(test)]
mod tests;
