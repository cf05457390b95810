//! A port inside a VLAN: tags are put on what is sent and taken off what comes, in user space, so that machines speak as on an
//! untagged line.
//!
//! It must not know the frames. Frames of other VLANs are not handed over.

use std::io;

use super::drive::{Port, PortEvent};
use super::packet::PacketSocket;
use super::stamped::SendKey;
use crate::proto::machine::{Arrival, Moment};
use crate::wire::vlan::TagStack;

/// A packet socket and the tags of the handoff.
#[derive(Debug)]
pub struct TaggedPort {
    socket: PacketSocket,
    stack: TagStack,
}

impl TaggedPort {
    /// Puts a socket into a VLAN. Without tags it is as before, and a tag that comes is told.
    pub fn new(socket: PacketSocket, stack: TagStack) -> Self {
        Self { socket, stack }
    }
}

impl Port for TaggedPort {
    type Key = SendKey;

    async fn receive(&self, buffer: &mut [u8]) -> io::Result<PortEvent<SendKey>> {
        loop {
            let event = self.socket.receive(buffer).await?;
            let PortEvent::Received(len, arrival) = event else { return Ok(event) };
            if self.stack.is_none() {
                return Ok(event);
            }
            let stripped =
                self.stack.strip(arrival.tag, &buffer[..len.min(buffer.len())]).map(|[head, tail]| (head.len(), tail.len()));
            if let Some((head, tail)) = stripped {
                buffer.copy_within(len - tail..len, head);
                return Ok(PortEvent::Received(head + tail, Arrival { tag: None, ..arrival }));
            }
        }
    }

    fn send(&self, frame: &[u8]) -> io::Result<(SendKey, Moment)> {
        if self.stack.is_none() { self.socket.send(frame) } else { self.socket.send(&self.stack.push(frame)) }
    }
}
