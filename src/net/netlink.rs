//! Netlink requests by hand: a message builder with nested attributes, and a conversation that sends and waits for the
//! kernel's acknowledgement.
//!
//! The practice line needs attributes that the typed crates lack (token-bucket options, nftables batches), and it needs
//! them without an async runtime. It must not know what the messages mean. The hard thing: the kernel answers inside
//! the send call, so an answer that is not there at once will never come; waiting would hang.
//!
//! ```text
//! nlmsghdr  len u32 | type u16 | flags u16 | seq u32 | pid u32         (native byte order)
//! family    ifinfomsg, ifaddrmsg, rtmsg, tcmsg, nfgenmsg ...
//! nlattr    len u16 | type u16 | payload, padded to 4 octets           (repeated, may nest)
//! ```

use std::io;

use netlink_sys::{Socket, SocketAddr};
use thiserror::Error;

use super::netns::Namespace;

const HEADER: usize = 16;
const NLM_F_REQUEST: u16 = 1;
const NLM_F_ACK: u16 = 4;
/// Fail when the object exists already (with `CREATE`).
pub(super) const NLM_F_EXCL: u16 = 0x200;
/// Make the object.
pub(super) const NLM_F_CREATE: u16 = 0x400;
/// Take the object's place when it exists (with `CREATE`).
pub(super) const NLM_F_REPLACE: u16 = 0x100;
const NLMSG_ERROR: u16 = 2;
/// On an error answer: the request is not quoted in full.
const NLM_F_CAPPED: u16 = 0x100;
/// On an error answer: attributes follow.
const NLM_F_ACK_TLVS: u16 = 0x200;
const NLMSGERR_ATTR_MSG: u16 = 1;
const NLA_F_NESTED: u16 = 0x8000;

/// The kernel refused a request.
#[derive(Debug, Error)]
#[error("{doing}: {source}{}", hint.as_deref().map(|h| format!(" ({h})")).unwrap_or_default())]
pub struct NetlinkError {
    /// What was being done, with the object's name.
    pub doing: String,
    /// The kernel's own words, where it gave any.
    pub hint: Option<String>,
    /// The error number.
    pub source: io::Error,
}

impl NetlinkError {
    /// The error number, zero when there is none.
    pub fn code(&self) -> i32 {
        self.source.raw_os_error().unwrap_or(0)
    }

    /// True when the kernel has no such feature (module missing), as against refusing this use of it.
    pub fn is_unsupported(&self) -> bool {
        matches!(self.code(), libc::ENOENT | libc::EOPNOTSUPP | libc::EPROTONOSUPPORT | libc::EAFNOSUPPORT | libc::ENOSYS)
    }
}

/// One request under construction.
#[derive(Debug, Clone)]
pub(super) struct Message {
    bytes: Vec<u8>,
}

impl Message {
    /// A request of a type, with flags besides `REQUEST` and `ACK`, and its family header.
    pub(super) fn new(kind: u16, flags: u16, family_header: &[u8]) -> Self {
        let mut bytes = vec![0; HEADER];
        bytes[4..6].copy_from_slice(&kind.to_ne_bytes());
        bytes[6..8].copy_from_slice(&(flags | NLM_F_REQUEST | NLM_F_ACK).to_ne_bytes());
        bytes.extend_from_slice(family_header);
        let mut message = Self { bytes };
        message.pad();
        message
    }

    /// The same without a wish to be acknowledged: the frame of a batch.
    pub(super) fn unacknowledged(kind: u16, family_header: &[u8]) -> Self {
        let mut message = Self::new(kind, 0, family_header);
        message.bytes[6..8].copy_from_slice(&NLM_F_REQUEST.to_ne_bytes());
        message
    }

    fn pad(&mut self) {
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
    }

    /// Adds an attribute. The builder is for messages of a few hundred octets: a payload above 64 KiB panics.
    pub(super) fn attr(&mut self, kind: u16, payload: &[u8]) {
        let len = u16::try_from(payload.len() + 4).unwrap_or_else(|_| panic!("attribute {kind} is too long"));
        self.bytes.extend_from_slice(&len.to_ne_bytes());
        self.bytes.extend_from_slice(&kind.to_ne_bytes());
        self.bytes.extend_from_slice(payload);
        self.pad();
    }

    /// Adds a number in native byte order.
    pub(super) fn attr_u32(&mut self, kind: u16, value: u32) {
        self.attr(kind, &value.to_ne_bytes());
    }

    /// Adds a string with its terminating zero.
    pub(super) fn attr_str(&mut self, kind: u16, value: &str) {
        let mut bytes = value.as_bytes().to_vec();
        bytes.push(0);
        self.attr(kind, &bytes);
    }

    /// Adds an attribute whose payload is what `fill` adds.
    pub(super) fn nest(&mut self, kind: u16, fill: impl FnOnce(&mut Self)) {
        let start = self.bytes.len();
        self.bytes.extend_from_slice(&[0; 2]);
        self.bytes.extend_from_slice(&(kind | NLA_F_NESTED).to_ne_bytes());
        fill(self);
        let len = u16::try_from(self.bytes.len() - start).unwrap_or_else(|_| panic!("attribute {kind} is too long"));
        self.bytes[start..start + 2].copy_from_slice(&len.to_ne_bytes());
    }

    /// Adds bare octets, for the family header that a nested peer description starts with.
    pub(super) fn raw(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
        self.pad();
    }

    fn finish(mut self, seq: u32) -> Vec<u8> {
        let len = self.bytes.len() as u32;
        self.bytes[0..4].copy_from_slice(&len.to_ne_bytes());
        self.bytes[8..12].copy_from_slice(&seq.to_ne_bytes());
        self.bytes
    }

    fn wants_ack(&self) -> bool {
        u16::from_ne_bytes([self.bytes[6], self.bytes[7]]) & NLM_F_ACK != 0
    }
}

/// A socket to one netlink family of one namespace. The namespace is that of its making, whichever thread uses it.
pub(super) struct Conversation {
    socket: Socket,
    next: u32,
}

impl std::fmt::Debug for Conversation {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Conversation").field("next", &self.next).finish_non_exhaustive()
    }
}

impl Conversation {
    /// Opens a conversation with `protocol` (NETLINK_ROUTE, NETLINK_NETFILTER) in a namespace.
    pub(super) fn open(namespace: &Namespace, protocol: i32) -> io::Result<Self> {
        let socket = namespace.run(move || -> io::Result<Socket> {
            let mut socket = Socket::new(protocol as isize)?;
            socket.bind_auto()?;
            socket.connect(&SocketAddr::new(0, 0))?;
            socket.set_ext_ack(true)?;
            Ok(socket)
        })?;
        Ok(Self { socket, next: 1 })
    }

    /// Sends one request and waits for the kernel's yes.
    pub(super) fn request(&mut self, doing: impl FnOnce() -> String, message: Message) -> Result<(), NetlinkError> {
        self.batch(doing, vec![message])
    }

    /// Sends several messages as one datagram (an nftables transaction) and waits until all that asked for it are
    /// acknowledged. The first refusal ends it.
    pub(super) fn batch(&mut self, doing: impl FnOnce() -> String, messages: Vec<Message>) -> Result<(), NetlinkError> {
        self.exchange(messages).map_err(|(source, hint)| NetlinkError { doing: doing(), hint, source })
    }

    fn exchange(&mut self, messages: Vec<Message>) -> Result<(), (io::Error, Option<String>)> {
        let first = self.next;
        let mut open = 0;
        let mut datagram = Vec::new();
        for message in messages {
            open += usize::from(message.wants_ack());
            datagram.extend(message.finish(self.next));
            self.next += 1;
        }
        self.socket.send(&datagram, 0).map_err(|e| (e, None))?;
        let mut buffer = Vec::with_capacity(16 * 1024);
        while open > 0 {
            buffer.clear();
            self.socket.recv(&mut buffer, libc::MSG_DONTWAIT).map_err(|e| (e, Some("no answer from the kernel".into())))?;
            for answer in Answers(&buffer) {
                let Answer { seq, error, hint } = answer;
                if seq < first {
                    continue; // what an earlier, failed batch left over
                }
                if error != 0 {
                    return Err((io::Error::from_raw_os_error(-error), hint));
                }
                open = open.saturating_sub(1);
            }
        }
        Ok(())
    }
}

/// One acknowledgement or refusal.
struct Answer {
    seq: u32,
    error: i32,
    hint: Option<String>,
}

/// The error messages in a datagram from the kernel; others are passed over.
struct Answers<'a>(&'a [u8]);

impl Iterator for Answers<'_> {
    type Item = Answer;

    fn next(&mut self) -> Option<Answer> {
        loop {
            let len = read_u32(self.0, 0)? as usize;
            let message = self.0.get(..len).filter(|m| m.len() >= HEADER)?;
            self.0 = self.0.get(len.next_multiple_of(4)..).unwrap_or_default();
            if read_u16(message, 4)? != NLMSG_ERROR {
                continue;
            }
            let (flags, seq) = (read_u16(message, 6)?, read_u32(message, 8)?);
            let error = read_u32(message, HEADER)? as i32;
            return Some(Answer { seq, error, hint: hint_of(message, flags) });
        }
    }
}

/// The kernel's words in an error answer (NLMSGERR_ATTR_MSG), if it sent any.
fn hint_of(message: &[u8], flags: u16) -> Option<String> {
    if flags & NLM_F_ACK_TLVS == 0 {
        return None;
    }
    let quoted = if flags & NLM_F_CAPPED != 0 { HEADER } else { (read_u32(message, HEADER + 4)? as usize).next_multiple_of(4) };
    let mut attributes = message.get(HEADER + 4 + quoted..)?;
    loop {
        let len = usize::from(read_u16(attributes, 0)?);
        let payload = attributes.get(4..len)?;
        if read_u16(attributes, 2)? & 0x3fff == NLMSGERR_ATTR_MSG {
            return Some(String::from_utf8_lossy(payload).trim_end_matches('\0').to_owned());
        }
        attributes = attributes.get(len.next_multiple_of(4)..)?;
    }
}

fn read_u16(bytes: &[u8], at: usize) -> Option<u16> {
    bytes.get(at..at + 2)?.try_into().ok().map(u16::from_ne_bytes)
}

fn read_u32(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..at + 4)?.try_into().ok().map(u32::from_ne_bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn attributes_are_padded_to_four_octets_but_their_length_is_not() {
        let mut message = Message::new(0x10, NLM_F_CREATE, &[0; 16]);
        message.attr_str(3, "lan0");
        message.nest(18, |m| m.attr(1, b"veth"));
        let bytes = message.finish(7);
        // linux/netlink.h: header, then attributes of len | type | payload, NLA_ALIGNTO 4.
        assert_eq!(bytes.len(), 16 + 16 + 12 + 4 + 8);
        assert_eq!(bytes[0..4], 56u32.to_ne_bytes());
        assert_eq!(bytes[6..8], 0x405u16.to_ne_bytes(), "CREATE | ACK | REQUEST");
        assert_eq!(bytes[8..12], 7u32.to_ne_bytes());
        assert_eq!(bytes[32..34], 9u16.to_ne_bytes(), "the length counts the terminating zero, not the padding");
        assert_eq!(bytes[36..44], *b"lan0\0\0\0\0");
        assert_eq!(bytes[44..46], 12u16.to_ne_bytes(), "a nest counts what it holds");
        assert_eq!(bytes[46..48], (18u16 | 0x8000).to_ne_bytes());
    }

    #[test]
    fn a_truncated_answer_is_passed_over_without_a_panic() {
        let mut answer = Vec::new();
        answer.extend(56u32.to_ne_bytes());
        answer.extend(NLMSG_ERROR.to_ne_bytes());
        answer.extend((NLM_F_CAPPED | NLM_F_ACK_TLVS).to_ne_bytes());
        answer.extend([5, 0, 0, 0, 0, 0, 0, 0]);
        answer.extend((-libc::EEXIST).to_ne_bytes());
        answer.extend([0; 16]);
        answer.extend(19u16.to_ne_bytes());
        answer.extend(NLMSGERR_ATTR_MSG.to_ne_bytes());
        answer.extend(b"File it exists\0\0");
        let whole = Answers(&answer).next().expect("an answer");
        assert_eq!((whole.error, whole.hint.as_deref()), (-libc::EEXIST, Some("File it exists")));
        for cut in 0..answer.len() {
            assert!(Answers(&answer[..cut]).next().is_none(), "cut at {cut}");
        }
    }

    #[test]
    fn a_refusal_names_what_was_being_done() {
        let namespace = Namespace::new("test").expect("root");
        let mut route = Conversation::open(&namespace, libc::NETLINK_ROUTE).expect("netlink");
        let mut header = [0; 16];
        header[4..8].copy_from_slice(&9999i32.to_ne_bytes());
        let refusal =
            route.request(|| "raising x9".into(), Message::new(libc::RTM_NEWLINK, 0, &header)).expect_err("no such link");
        assert_eq!(refusal.code(), libc::ENODEV);
        assert!(refusal.to_string().starts_with("raising x9: "), "{refusal}");
    }
}
