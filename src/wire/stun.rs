//! STUN messages (RFC 8489), with the attributes of RFC 5780 and three of our own: what an agent asks the far end's view with.
//!
//! ```text
//! |0 0|   type    |  length   |  magic cookie 2112a442  |  transaction identifier (12)  |  attributes (type, length, value, pad)
//! ```
//!
//! Pure: octets in, a [`Message`] out, and back. A datagram may be up to three octets longer than its message, so that a probe
//! of path MTU can have any size while a message's is a multiple of four. Our own attributes stand in the
//! comprehension-optional range and are not registered: no other server is asked with them.

mod attribute;

pub use attribute::Attribute;

use super::stamp::Key;

/// Octets of the header.
pub const HEADER: usize = 20;
/// Octets that a signature takes: MESSAGE-INTEGRITY-SHA256 cut to 16 (RFC 8489 section 14.6 allows 16 and more).
pub const SIGNATURE: usize = 4 + TAG;
/// Octets at most behind a message.
pub const LONGEST_TAIL: usize = 3;

const MAGIC: [u8; 4] = [0x21, 0x12, 0xa4, 0x42];
const BINDING: u16 = 1;
const TAG: usize = 16;
const INTEGRITY_SHA256: u16 = 0x001c;

/// Number that ties an answer to its request.
pub type Transaction = [u8; 12];

/// What a message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Class {
    /// Asks.
    Request,
    /// Tells, and expects no answer.
    Indication,
    /// Answers.
    Success,
    /// Refuses.
    Error,
}

/// A message of the method Binding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// What it is.
    pub class: Class,
    /// Its transaction.
    pub transaction: Transaction,
    /// In the order of the octets, without the signature.
    pub attributes: Vec<Attribute>,
}

/// Why octets are no message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum StunError {
    /// Shorter than the header, or than the header says.
    #[error("cut off")]
    Cut,
    /// The first two bits or the magic cookie are not STUN's.
    #[error("not STUN")]
    Foreign,
    /// Another method than Binding.
    #[error("method {0} is not Binding")]
    Method(u16),
    /// The length is no multiple of four, or is not that of the datagram.
    #[error("the length does not fit")]
    Length,
    /// An attribute reaches beyond the message, or its value can't be read.
    #[error("attribute {0:#06x} is malformed")]
    Attribute(u16),
    /// Too large to be written.
    #[error("larger than a datagram")]
    TooLarge,
}

/// A message as it arrived.
#[derive(Debug, Clone)]
pub struct Received<'a> {
    /// What it says.
    pub message: Message,
    bytes: &'a [u8],
    /// Where the signature's attribute begins, and its value.
    signature: Option<(usize, &'a [u8])>,
}

impl Received<'_> {
    /// True when it is signed with the key (RFC 8489 section 14.6).
    pub fn is_signed_by(&self, key: &Key) -> bool {
        let Some((at, value)) = self.signature else { return false };
        let signed = signed_length(at);
        // The whole tag or the cut one; what is longer than ours is compared by its start, which is as strong.
        value.len() >= TAG && key.verifies(&[&self.bytes[..2], &signed, &self.bytes[4..at]], &value[..TAG])
    }
}

/// Reads a datagram.
///
/// # Errors
/// [`StunError`]. What follows the signature is not read (RFC 8489 section 14.5).
pub fn parse(bytes: &[u8]) -> Result<Received<'_>, StunError> {
    let header: &[u8; HEADER] = bytes.first_chunk().ok_or(StunError::Cut)?;
    let kind = u16::from_be_bytes([header[0], header[1]]);
    if kind & 0xc000 != 0 || header[4..8] != MAGIC {
        return Err(StunError::Foreign);
    }
    let length = usize::from(u16::from_be_bytes([header[2], header[3]]));
    let end = HEADER + length;
    if bytes.len() < end {
        return Err(StunError::Cut);
    }
    if !length.is_multiple_of(4) || bytes.len() - end > LONGEST_TAIL {
        return Err(StunError::Length);
    }
    // RFC 8489 section 5: the method's bits stand around those of the class.
    let method = (kind & 0x000f) | (kind & 0x00e0) >> 1 | (kind & 0x3e00) >> 2;
    if method != BINDING {
        return Err(StunError::Method(method));
    }
    let class = match (kind & 0x0100 != 0, kind & 0x0010 != 0) {
        (false, false) => Class::Request,
        (false, true) => Class::Indication,
        (true, false) => Class::Success,
        (true, true) => Class::Error,
    };
    let transaction: Transaction = *header.last_chunk().ok_or(StunError::Cut)?;
    let (mut attributes, mut signature, mut at) = (Vec::new(), None, HEADER);
    while at < end && signature.is_none() {
        let (&[k0, k1, l0, l1], _) = bytes[at..end].split_first_chunk().ok_or(StunError::Length)?;
        let (kind, length) = (u16::from_be_bytes([k0, k1]), usize::from(u16::from_be_bytes([l0, l1])));
        let value = bytes[at + 4..end].get(..length).ok_or(StunError::Attribute(kind))?;
        if kind == INTEGRITY_SHA256 {
            signature = Some((at, value));
        } else {
            attributes.push(Attribute::parse(kind, value, &transaction).ok_or(StunError::Attribute(kind))?);
        }
        at += 4 + length.next_multiple_of(4);
    }
    Ok(Received { message: Message { class, transaction, attributes }, bytes, signature })
}

impl Message {
    /// A message without attributes.
    pub fn new(class: Class, transaction: Transaction) -> Self {
        Self { class, transaction, attributes: Vec::new() }
    }

    /// Adds an attribute.
    #[must_use]
    pub fn with(mut self, attribute: Attribute) -> Self {
        self.attributes.push(attribute);
        self
    }

    /// Octets with a signature.
    pub fn signed_len(&self) -> usize {
        self.unsigned_len() + SIGNATURE
    }

    fn unsigned_len(&self) -> usize {
        HEADER + self.attributes.iter().map(|a| 4 + a.value_len().next_multiple_of(4)).sum::<usize>()
    }

    /// Writes it, signed. With a size, it is filled up to just that by PADDING (RFC 5780 section 7.6) and a tail.
    ///
    /// # Errors
    /// [`StunError::TooLarge`] above what a datagram holds.
    pub fn emit(&self, key: &Key, size: Option<usize>) -> Result<Vec<u8>, StunError> {
        let plain = self.signed_len();
        let room = size.unwrap_or(plain).saturating_sub(plain);
        let filled = if room >= 4 { self.clone().with(Attribute::Padding((room - 4) / 4 * 4)) } else { self.clone() };
        let tail = room % 4;
        let mut bytes = filled.write()?;
        let signed = signed_length(bytes.len());
        let tag = key.tag(&[&bytes[..2], &signed, &bytes[4..]]);
        bytes[2..4].copy_from_slice(&signed);
        bytes.extend(INTEGRITY_SHA256.to_be_bytes());
        bytes.extend((TAG as u16).to_be_bytes());
        bytes.extend(tag);
        bytes.resize(bytes.len() + tail, 0);
        Ok(bytes)
    }

    fn write(&self) -> Result<Vec<u8>, StunError> {
        let class: u16 = match self.class {
            Class::Request => 0,
            Class::Indication => 0x0010,
            Class::Success => 0x0100,
            Class::Error => 0x0110,
        };
        let length = self.unsigned_len() - HEADER;
        let whole = u16::try_from(length + SIGNATURE).ok().filter(|whole| *whole <= LARGEST).ok_or(StunError::TooLarge)?;
        let mut bytes = Vec::with_capacity(HEADER + usize::from(whole) + LONGEST_TAIL);
        bytes.extend((class | BINDING).to_be_bytes());
        bytes.extend((whole - SIGNATURE as u16).to_be_bytes());
        bytes.extend(MAGIC);
        bytes.extend(self.transaction);
        for attribute in &self.attributes {
            bytes.extend(attribute.kind().to_be_bytes());
            bytes.extend((attribute.value_len() as u16).to_be_bytes());
            attribute.write(&self.transaction, &mut bytes);
            bytes.resize(bytes.len().next_multiple_of(4), 0);
        }
        Ok(bytes)
    }
}

/// What the header's length says when the signature that begins at `at` is the last attribute, as RFC 8489 section 14.6 has it.
fn signed_length(at: usize) -> [u8; 2] {
    ((at - HEADER + SIGNATURE) as u16).to_be_bytes()
}

/// Octets of attributes that fit a UDP datagram over IPv4 (65,535 less 20 less 8), less header and tail.
const LARGEST: u16 = 65_480;

#[cfg(test)]
mod tests;
