//! The actions that a gateway is asked for, and what it answers (SOAP 1.1 as UDA 1.1 section 3 uses it).
//!
//! [`Action`] is the whole list: all of them read, none has an argument, and the name of a service is written by us and
//! never copied from a gateway. Whoever adds one here decides that it may be sent to any customer's gateway.

use std::net::Ipv4Addr;

use super::{Error, Kind, Node, ServiceType, child, document, element, is, kept, shortened, text_of};

/// A reading action.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Action {
    /// Access type and the rates of the line (WANCommonInterfaceConfig:1 section 2.4).
    CommonLinkProperties,
    /// Octets sent to the line.
    OctetsSent,
    /// Octets received from the line.
    OctetsReceived,
    /// State and uptime of the connection (WANIPConnection:1 section 2.4, WANPPPConnection:1 likewise).
    Status,
    /// The address toward the network.
    ExternalAddress,
    /// Routed, bridged or unconfigured.
    ConnectionType,
    /// Rates of the link under PPP (WANPPPConnection:1 section 2.4).
    LinkRates,
}

impl Action {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::CommonLinkProperties,
        Self::OctetsSent,
        Self::OctetsReceived,
        Self::Status,
        Self::ExternalAddress,
        Self::ConnectionType,
        Self::LinkRates,
    ];

    /// The standard's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::CommonLinkProperties => "GetCommonLinkProperties",
            Self::OctetsSent => "GetTotalBytesSent",
            Self::OctetsReceived => "GetTotalBytesReceived",
            Self::Status => "GetStatusInfo",
            Self::ExternalAddress => "GetExternalIPAddress",
            Self::ConnectionType => "GetConnectionTypeInfo",
            Self::LinkRates => "GetLinkLayerMaxBitRates",
        }
    }

    fn is_of(self, kind: Kind) -> bool {
        match self {
            Self::CommonLinkProperties | Self::OctetsSent | Self::OctetsReceived => kind == Kind::CommonInterface,
            Self::Status | Self::ExternalAddress | Self::ConnectionType => kind != Kind::CommonInterface,
            Self::LinkRates => kind == Kind::PppConnection,
        }
    }
}

/// An action asked of a service that has it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Call {
    service: ServiceType,
    action: Action,
}

const SOAP: &str = "http://schemas.xmlsoap.org/soap/envelope/";
const ENCODING: &str = "http://schemas.xmlsoap.org/soap/encoding/";

impl Call {
    /// `None` where the service has no such action.
    pub fn new(service: ServiceType, action: Action) -> Option<Self> {
        action.is_of(service.kind).then_some(Self { service, action })
    }

    /// What is asked for.
    pub fn action(&self) -> Action {
        self.action
    }

    /// The value of the field SOAPACTION.
    pub fn field(&self) -> String {
        format!("\"{}#{}\"", self.service, self.action.name())
    }

    /// The body of the request.
    pub fn body(&self) -> String {
        let (name, service) = (self.action.name(), self.service);
        format!(
            "<?xml version=\"1.0\"?>\r\n<s:Envelope xmlns:s=\"{SOAP}\" s:encodingStyle=\"{ENCODING}\">\
             <s:Body><u:{name} xmlns:u=\"{service}\"></u:{name}></s:Body></s:Envelope>\r\n"
        )
    }

    /// Reads the field SOAPACTION, as a gateway does; `None` for anything that is not a reading action.
    pub fn parse_field(text: &str) -> Option<Self> {
        let (service, name) = text.trim().trim_matches('"').split_once('#')?;
        let action = Action::ALL.into_iter().find(|action| action.name() == name)?;
        Self::new(ServiceType::parse(service)?, action)
    }

    /// Reads the answer.
    ///
    /// # Errors
    /// What is wrong with it, or the gateway's refusal.
    pub fn parse_answer(&self, text: &str) -> Result<Answer, Error> {
        let document = document(text)?;
        let body = child(document.root_element(), "Body").ok_or(Error::Missing("Body"))?;
        if let Some(fault) = child(body, "Fault") {
            return Err(refusal(fault));
        }
        let wanted = |node: &Node<'_, '_>| {
            is(*node, node.tag_name().name()) && node.tag_name().name().strip_suffix("Response") == Some(self.action.name())
        };
        let answer = body.children().find(wanted).ok_or(Error::Missing("answer to what was asked"))?;
        self.read(Arguments(answer))
    }

    fn read(&self, of: Arguments<'_, '_>) -> Result<Answer, Error> {
        Ok(match self.action {
            Action::CommonLinkProperties => Answer::Link {
                access: of.text("NewWANAccessType")?,
                up_bit_s: of.number("NewLayer1UpstreamMaxBitRate")?,
                down_bit_s: of.number("NewLayer1DownstreamMaxBitRate")?,
                state: of.text("NewPhysicalLinkStatus")?,
            },
            Action::OctetsSent => Answer::Octets(of.number("NewTotalBytesSent")?),
            Action::OctetsReceived => Answer::Octets(of.number("NewTotalBytesReceived")?),
            Action::Status => Answer::Status {
                state: of.text("NewConnectionStatus")?,
                last_error: of.text("NewLastConnectionError")?,
                uptime_s: of.number("NewUptime")?,
            },
            Action::ExternalAddress => {
                let address: Option<Ipv4Addr> = of.text("NewExternalIPAddress")?.parse().ok();
                Answer::Address(address.filter(|address| !address.is_unspecified()))
            }
            Action::ConnectionType => Answer::Connection(of.text("NewConnectionType")?),
            Action::LinkRates => {
                Answer::Rates { up_bit_s: of.number("NewUpstreamMaxBitRate")?, down_bit_s: of.number("NewDownstreamMaxBitRate")? }
            }
        })
    }

    /// The answer as a gateway writes it; `None` for another action's answer.
    pub fn emit_answer(&self, answer: &Answer) -> Option<String> {
        let number = |name: &str, value: &u64| element(name, &value.to_string());
        let arguments = match (self.action, answer) {
            (Action::CommonLinkProperties, Answer::Link { access, up_bit_s, down_bit_s, state }) => [
                element("NewWANAccessType", access),
                number("NewLayer1UpstreamMaxBitRate", up_bit_s),
                number("NewLayer1DownstreamMaxBitRate", down_bit_s),
                element("NewPhysicalLinkStatus", state),
            ]
            .concat(),
            (Action::OctetsSent, Answer::Octets(octets)) => number("NewTotalBytesSent", octets),
            (Action::OctetsReceived, Answer::Octets(octets)) => number("NewTotalBytesReceived", octets),
            (Action::Status, Answer::Status { state, last_error, uptime_s }) => [
                element("NewConnectionStatus", state),
                element("NewLastConnectionError", last_error),
                number("NewUptime", uptime_s),
            ]
            .concat(),
            (Action::ExternalAddress, Answer::Address(address)) => {
                element("NewExternalIPAddress", &address.map_or_else(String::new, |address| address.to_string()))
            }
            (Action::ConnectionType, Answer::Connection(kind)) => element("NewConnectionType", kind),
            (Action::LinkRates, Answer::Rates { up_bit_s, down_bit_s }) => {
                number("NewUpstreamMaxBitRate", up_bit_s) + &number("NewDownstreamMaxBitRate", down_bit_s)
            }
            _ => return None,
        };
        let (name, service) = (self.action.name(), self.service);
        Some(format!(
            "<?xml version=\"1.0\"?>\r\n<s:Envelope xmlns:s=\"{SOAP}\" s:encodingStyle=\"{ENCODING}\">\
             <s:Body><u:{name}Response xmlns:u=\"{service}\">{arguments}</u:{name}Response></s:Body></s:Envelope>\r\n"
        ))
    }
}

/// What a gateway says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// The line.
    Link {
        /// DSL, POTS, Cable or Ethernet, or a maker's own word.
        access: String,
        /// Bits per second toward the network; 0 where it doesn't know.
        up_bit_s: u64,
        /// Bits per second toward the customer; 0 where it doesn't know.
        down_bit_s: u64,
        /// Up or Down, or another word.
        state: String,
    },
    /// Octets since the gateway started; by the standard 32 bits, which wrap.
    Octets(u64),
    /// The connection.
    Status {
        /// Connected, Disconnected and others.
        state: String,
        /// ERROR_NONE and others.
        last_error: String,
        /// Seconds since it came up.
        uptime_s: u64,
    },
    /// The address toward the network; `None` where it has none.
    Address(Option<Ipv4Addr>),
    /// IP_Routed, IP_Bridged and others.
    Connection(String),
    /// The link under PPP.
    Rates {
        /// Bits per second toward the network.
        up_bit_s: u64,
        /// Bits per second toward the customer.
        down_bit_s: u64,
    },
}

fn refusal(fault: Node<'_, '_>) -> Error {
    let of = |name| fault.descendants().find(|node| is(*node, name));
    let code = of("errorCode").and_then(|node| text_of(node).parse().ok()).unwrap_or(0);
    Error::Refused { code, what: of("errorDescription").or_else(|| of("faultstring")).map(kept).unwrap_or_default() }
}

/// The arguments of an answer.
struct Arguments<'a, 'd>(Node<'a, 'd>);

impl Arguments<'_, '_> {
    fn text(&self, name: &'static str) -> Result<String, Error> {
        child(self.0, name).map(kept).ok_or(Error::Missing(name))
    }

    fn number(&self, name: &'static str) -> Result<u64, Error> {
        let text = text_of(child(self.0, name).ok_or(Error::Missing(name))?);
        let is_number = !text.is_empty() && text.bytes().all(|octet| octet.is_ascii_digit());
        let number = is_number.then(|| text.parse().ok()).flatten();
        number.ok_or_else(|| Error::NotANumber { argument: name, text: shortened(text) })
    }
}

/// What a counter gained from one look to the next, where it wraps at 32 bits (the standard's ui4). `None` when it can't be
/// told: a counter of more bits that ran backwards began anew.
pub fn gained(then: u64, now: u64) -> Option<u64> {
    const TURN: u64 = 1 << 32;
    match now.checked_sub(then) {
        Some(gain) => Some(gain),
        None if then < TURN => Some(now + TURN - then),
        None => None,
    }
}
