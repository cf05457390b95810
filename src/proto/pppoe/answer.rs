//! What concentrators said, kept whole: offers, and the answer to the request.

use crate::proto::machine::Arrival;
use crate::proto::round_trip::Moment;
use crate::wire::ethernet::Mac;
use crate::wire::pppoe::{Flaw, Parsed, RESERVED_SESSION, Repr, tag};

/// Whether an answer carries the Host-Uniq of what it answers (RFC 2516 appendix A: it must, unchanged).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Echo {
    /// It is that of the frame with this ticket.
    Of(usize),
    /// It has none, so it can't be told what it answers.
    Missing,
    /// It is somebody else's.
    Foreign,
}

/// One PADO.
#[derive(Debug, Clone)]
pub struct Offer {
    /// The concentrator's hardware address.
    pub from: Mac,
    /// When it came.
    pub arrived: Moment,
    /// VLAN number that it came with.
    pub vlan: Option<u16>,
    /// The ticket of the PADI that it answers. Without a Host-Uniq it is known only when there was but one.
    pub answers: Option<usize>,
    /// Whether Host-Uniq came back.
    pub echo: Echo,
    /// Concentrator names; one is right (section 5.2).
    pub names: Vec<Vec<u8>>,
    /// Services on offer.
    pub services: Vec<Vec<u8>>,
    /// To be returned.
    pub cookie: Option<Vec<u8>>,
    /// To be returned.
    pub relay: Option<Vec<u8>>,
    /// Payload beyond 1492 octets that it can carry (RFC 4638 section 3).
    pub max_payload: Option<u16>,
    /// Error tags: number and text.
    pub errors: Vec<(u16, String)>,
    /// Numbers of all tags, in order.
    pub tags: Vec<u16>,
    /// Odd in form.
    pub flaws: Vec<Flaw>,
}

impl Offer {
    /// `sent` is how many frames were sent until now.
    pub(super) fn of(arrival: &Arrival, from: Mac, parsed: &Parsed<'_>, echo: Echo, sent: usize) -> Self {
        let repr = &parsed.repr;
        let all = |number| repr.all(number).map(<[u8]>::to_vec).collect();
        let one = |number| repr.tag(number).map(<[u8]>::to_vec);
        Self {
            from,
            arrived: arrival.moment,
            vlan: arrival.tag.map(|tag| tag.vlan()),
            answers: match echo {
                Echo::Of(ticket) => Some(ticket),
                Echo::Missing if sent == 1 => Some(0),
                Echo::Missing | Echo::Foreign => None,
            },
            echo,
            names: all(tag::AC_NAME),
            services: all(tag::SERVICE_NAME),
            cookie: one(tag::AC_COOKIE),
            relay: one(tag::RELAY_SESSION_ID),
            max_payload: max_payload(repr),
            errors: errors(repr),
            tags: repr.tags.iter().map(|tag| tag.number).collect(),
            flaws: parsed.flaws.clone(),
        }
    }

    /// Whether a session can be asked for: it answers us, and names no error.
    pub fn is_usable(&self) -> bool {
        self.echo != Echo::Foreign && self.errors.is_empty() && !self.from.is_group()
    }
}

/// What a PADS said.
#[derive(Debug, Clone)]
pub struct Verdict {
    /// When it came.
    pub arrived: Moment,
    /// The ticket of the PADR that it answers.
    pub answers: Option<usize>,
    /// The session; zero when it was refused.
    pub session: u16,
    /// Payload beyond 1492 octets that it can carry.
    pub max_payload: Option<u16>,
    /// Error tags: number and text.
    pub errors: Vec<(u16, String)>,
}

impl Verdict {
    pub(super) fn of(arrival: &Arrival, repr: &Repr<'_>, echo: Echo) -> Self {
        let answers = match echo {
            Echo::Of(ticket) => Some(ticket),
            Echo::Missing | Echo::Foreign => None,
        };
        Self { arrived: arrival.moment, answers, session: repr.session, max_payload: max_payload(repr), errors: errors(repr) }
    }

    /// Whether a session was opened (section 5.4).
    pub fn is_open(&self) -> bool {
        self.session != 0 && self.session != RESERVED_SESSION && self.errors.is_empty()
    }
}

fn max_payload(repr: &Repr<'_>) -> Option<u16> {
    repr.tag(tag::MAX_PAYLOAD)?.try_into().ok().map(u16::from_be_bytes)
}

/// Section 5.4 and appendix A: their text is for people, in UTF-8, and may be empty.
fn errors(repr: &Repr<'_>) -> Vec<(u16, String)> {
    let is_error = |number| matches!(number, tag::SERVICE_NAME_ERROR | tag::AC_SYSTEM_ERROR | tag::GENERIC_ERROR);
    let text = |value: &[u8]| String::from_utf8_lossy(value).trim_matches(['\0', ' ']).chars().take(200).collect();
    repr.tags.iter().filter(|tag| is_error(tag.number)).map(|tag| (tag.number, text(&tag.value))).collect()
}
