//! Messages out of a stream, as octets come (RFC 3261 section 18.3): the head to its empty line, then Content-Length octets.

use super::message::HEAD_END;
use super::{Flaw, LONGEST_BODY, LONGEST_HEAD, Message};

/// A message of a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Framed {
    /// As it was read.
    pub message: Message,
    /// As it came.
    pub octets: Vec<u8>,
}

/// Octets of a stream that are not yet a message. After an error the stream has no more messages: nobody knows where the next begins.
#[derive(Debug, Default)]
pub struct Framer {
    octets: Vec<u8>,
    /// Up to here there is no end of a head.
    searched: usize,
    is_broken: bool,
}

impl Framer {
    /// Takes what came. Octets beyond what one message may have are not kept.
    pub fn push(&mut self, octets: &[u8]) {
        if !self.is_broken {
            self.octets.extend_from_slice(octets);
        }
    }

    /// The next whole message; `None` where more has to come.
    ///
    /// # Errors
    /// When the stream is no SIP.
    pub fn next_message(&mut self) -> Result<Option<Framed>, Flaw> {
        let read = if self.is_broken { Err(Flaw::StartLine) } else { self.read() };
        if read.is_err() {
            self.is_broken = true;
            self.octets = Vec::new();
        }
        read
    }

    fn read(&mut self) -> Result<Option<Framed>, Flaw> {
        // Keep-alives (RFC 5626 section 4.4.1), and empty lines before a message.
        let lead = self.octets.iter().take_while(|octet| matches!(octet, b'\r' | b'\n')).count();
        if lead > 0 {
            self.octets.drain(..lead);
            self.searched = 0;
        }
        let from = self.searched.saturating_sub(HEAD_END.len());
        if !self.octets[from..].windows(HEAD_END.len()).any(|four| four == HEAD_END) {
            self.searched = self.octets.len();
            return if self.octets.len() >= LONGEST_HEAD { Err(Flaw::TooLong("the head")) } else { Ok(None) };
        }
        let (mut message, head) = Message::parse_head(&self.octets)?;
        let length = message.content_length()?.ok_or(Flaw::NoContentLength)?;
        if length > LONGEST_BODY {
            return Err(Flaw::TooLong("the content"));
        }
        let Some(body) = self.octets.get(head..head + length) else { return Ok(None) };
        message.body = body.to_vec();
        let octets = self.octets.drain(..head + length).collect();
        self.searched = 0;
        Ok(Some(Framed { message, octets }))
    }
}
