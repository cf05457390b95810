//! What a gateway says of itself over UPnP: its description, and the answers to reading actions (ISO/IEC 29341-8,
//! InternetGatewayDevice:1 and its services).
//!
//! Nothing here can change a gateway: [`action::Action`] lists the reading actions, and no other can be written. Hostile text
//! is expected: sizes and counts are bounded, document type declarations are refused, so there are no entities to expand, and
//! [`Endpoint`] holds every URL against the gateway's own address. Names that people give their gateways, and serial numbers,
//! are not read.

pub mod action;

use std::net::Ipv4Addr;

use roxmltree::{Document, Node, ParsingOptions};
use url::{Host, Url};

/// Octets of a document that are read: descriptions of real gateways take some thousands.
pub const MOST_OCTETS: usize = 64 << 10;
/// Elements and texts of a document.
const MOST_NODES: u32 = 4096;
/// Octets of a tag or comment. Attributes of one element are held against each other, so their number must be bounded; UPnP has
/// none but those of namespaces.
const MOST_TAG: usize = 2048;
/// Declarations of namespaces: real documents have two or three.
const MOST_NAMESPACES: usize = 128;
/// Characters of a text that are kept.
const MOST_TEXT: usize = 200;
/// Services that are kept.
const MOST_SERVICES: usize = 64;

/// A kind of service that is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// WANCommonInterfaceConfig: the line and the octets on it.
    CommonInterface,
    /// WANIPConnection: a connection by IP over Ethernet.
    IpConnection,
    /// WANPPPConnection: a connection by PPP.
    PppConnection,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::CommonInterface, Self::IpConnection, Self::PppConnection];

    fn name(self) -> &'static str {
        match self {
            Self::CommonInterface => "WANCommonInterfaceConfig",
            Self::IpConnection => "WANIPConnection",
            Self::PppConnection => "WANPPPConnection",
        }
    }
}

/// A type of service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ServiceType {
    /// Kind.
    pub kind: Kind,
    /// Version, from 1.
    pub version: u8,
}

impl ServiceType {
    /// Reads `urn:schemas-upnp-org:service:WANIPConnection:1`; `None` for any other service.
    pub fn parse(text: &str) -> Option<Self> {
        let (name, version) = text.trim().strip_prefix("urn:schemas-upnp-org:service:")?.split_once(':')?;
        let kind = Kind::ALL.into_iter().find(|kind| kind.name() == name)?;
        Some(Self { kind, version: version.parse().ok().filter(|v| *v > 0)? })
    }
}

impl std::fmt::Display for ServiceType {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "urn:schemas-upnp-org:service:{}:{}", self.kind.name(), self.version)
    }
}

/// A service that a gateway offers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Service {
    /// Its type.
    pub of: ServiceType,
    /// controlURL, as it stands there: absolute or relative.
    pub control: String,
}

/// A gateway's description of itself, as far as it is read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Description {
    /// deviceType of the outermost device.
    pub device: String,
    /// manufacturer; empty where it says none.
    pub maker: String,
    /// modelName; empty where it says none.
    pub model: String,
    /// URLBase (UDA 1.0): what references start from, where it is not the description's own URL.
    pub base: Option<String>,
    /// The services of [`Kind`], of all devices, in order.
    pub services: Vec<Service>,
}

/// Why a document can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Longer than is read.
    #[error("{0} octets, {MOST_OCTETS} are read at most")]
    TooLong(usize),
    /// No well-formed XML, or a document type declaration, which UPnP has no use for.
    #[error("not readable as XML: {0}")]
    NotXml(String),
    /// A part that it must have is missing.
    #[error("has no {0}")]
    Missing(&'static str),
    /// A number is none.
    #[error("{argument} is no number: {text:?}")]
    NotANumber {
        /// Its name.
        argument: &'static str,
        /// What stands there.
        text: String,
    },
    /// The gateway refuses the action (UPnPError, UDA 1.1 section 3.2.2).
    #[error("refused with error {code} ({what})")]
    Refused {
        /// Code: 401 is an action that it does not have.
        code: u32,
        /// In its words.
        what: String,
    },
}

impl Description {
    /// Reads a description (UDA 1.1 section 2.3).
    ///
    /// # Errors
    /// When it is no description of a device.
    pub fn parse(text: &str) -> Result<Self, Error> {
        let document = document(text)?;
        let root = document.root_element();
        let device = child(root, "device").ok_or(Error::Missing("device"))?;
        let service = |node: Node<'_, '_>| {
            let of = ServiceType::parse(text_of(child(node, "serviceType")?))?;
            Some(Service { of, control: kept(child(node, "controlURL")?) })
        };
        let services = device.descendants().filter(|node| is(*node, "service")).filter_map(service);
        Ok(Self {
            device: child(device, "deviceType").map(kept).ok_or(Error::Missing("deviceType"))?,
            maker: child(device, "manufacturer").map(kept).unwrap_or_default(),
            model: child(device, "modelName").map(kept).unwrap_or_default(),
            base: child(root, "URLBase").map(kept).filter(|base| !base.is_empty()),
            services: services.take(MOST_SERVICES).collect(),
        })
    }

    /// The document; all services stand in one device.
    pub fn emit(&self) -> String {
        let Self { device, maker, model, base, services } = self;
        let base = base.as_ref().map_or_else(String::new, |base| element("URLBase", base));
        let service = |service: &Service| {
            let parts = element("serviceType", &service.of.to_string()) + &element("controlURL", &service.control);
            format!("<service>{parts}</service>")
        };
        let services: String = services.iter().map(service).collect();
        format!(
            "<?xml version=\"1.0\"?>\n<root xmlns=\"urn:schemas-upnp-org:device-1-0\">\
             <specVersion><major>1</major><minor>0</minor></specVersion>{base}<device>{}{}{}\
             <serviceList>{services}</serviceList></device></root>",
            element("deviceType", device),
            element("manufacturer", maker),
            element("modelName", model),
        )
    }

    /// The first service of a kind.
    pub fn service(&self, kind: Kind) -> Option<&Service> {
        self.services.iter().find(|service| service.of.kind == kind)
    }
}

/// A place on the gateway's own address: what is asked for never leaves it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Endpoint {
    url: Url,
}

/// Why a URL is not followed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotFollowed {
    /// Not a URL that can be asked.
    #[error("no URL of HTTP: {0:?}")]
    NotHttp(String),
    /// It leads to another host.
    #[error("leads to {0:?}, which is not the gateway")]
    Elsewhere(String),
}

impl Endpoint {
    /// A URL on the gateway's address.
    ///
    /// # Errors
    /// When it leads anywhere else.
    pub fn on(gateway: Ipv4Addr, url: &str) -> Result<Self, NotFollowed> {
        let parsed = Url::parse(url.trim()).map_err(|_| NotFollowed::NotHttp(shortened(url)))?;
        Self::checked(gateway, parsed)
    }

    /// What a reference leads to from here (RFC 3986 section 5).
    ///
    /// # Errors
    /// When it leads to another host.
    pub fn join(&self, reference: &str) -> Result<Self, NotFollowed> {
        let joined = self.url.join(reference.trim()).map_err(|_| NotFollowed::NotHttp(shortened(reference)))?;
        Self::checked(self.address(), joined)
    }

    fn checked(gateway: Ipv4Addr, url: Url) -> Result<Self, NotFollowed> {
        if url.scheme() != "http" || url.port() == Some(0) || !url.username().is_empty() {
            return Err(NotFollowed::NotHttp(shortened(url.as_str())));
        }
        match url.host() {
            Some(Host::Ipv4(address)) if address == gateway => Ok(Self { url }),
            host => Err(NotFollowed::Elsewhere(shortened(&host.map_or_else(String::new, |host| host.to_string())))),
        }
    }

    /// The gateway's address.
    pub fn address(&self) -> Ipv4Addr {
        match self.url.host() {
            Some(Host::Ipv4(address)) => address,
            _ => unreachable!("checked when it was made"),
        }
    }

    /// Port.
    pub fn port(&self) -> u16 {
        self.url.port().unwrap_or(80)
    }

    /// Path and query, as they stand in a request.
    pub fn path(&self) -> String {
        let query = self.url.query().map_or_else(String::new, |query| format!("?{query}"));
        format!("{}{query}", self.url.path())
    }
}

/// Reads XML within the bounds.
fn document(text: &str) -> Result<Document<'_>, Error> {
    if text.len() > MOST_OCTETS {
        return Err(Error::TooLong(text.len()));
    }
    if text.split('<').any(|piece| piece.find('>').unwrap_or(piece.len()) > MOST_TAG) {
        return Err(Error::NotXml(format!("a tag of more than {MOST_TAG} octets")));
    }
    // Each namespace is held against all that are in scope: what is deep in them costs the square and more.
    if text.matches("xmlns").count() > MOST_NAMESPACES {
        return Err(Error::NotXml(format!("more than {MOST_NAMESPACES} namespaces")));
    }
    let options = ParsingOptions { allow_dtd: false, nodes_limit: MOST_NODES, ..ParsingOptions::default() };
    // Some gateways begin with empty lines, which only the declaration minds.
    Document::parse_with_options(text.trim_start(), options).map_err(|error| Error::NotXml(shortened(&error.to_string())))
}

fn is(node: Node<'_, '_>, name: &str) -> bool {
    node.is_element() && node.tag_name().name() == name
}

/// The first child element of a name, whatever its namespace: gateways are careless about it.
fn child<'a, 'd>(node: Node<'a, 'd>, name: &str) -> Option<Node<'a, 'd>> {
    node.children().find(|child| is(*child, name))
}

fn text_of<'a>(node: Node<'a, '_>) -> &'a str {
    node.text().unwrap_or_default().trim()
}

fn kept(node: Node<'_, '_>) -> String {
    shortened(text_of(node))
}

fn shortened(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(MOST_TEXT).collect()
}

fn element(name: &str, text: &str) -> String {
    format!("<{name}>{}</{name}>", text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;"))
}

#[cfg(test)]
mod tests;
