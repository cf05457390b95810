//! The one driver loop: a machine that speaks in frames, on a port.
//!
//! It must not know what the frames mean. One buffer, no task, no channel: the caller's future is the loop, and dropping it
//! stops it between two events, with machine and port as they are.

use std::collections::VecDeque;
use std::io;
use std::ops::ControlFlow;
use std::time::Instant;

use super::packet::{PacketEvent, PacketSocket};
use super::stamped::SendKey;
use crate::proto::machine::{Arrival, Machine, Moment};

/// Larger than any frame of an Ethernet port without jumbo frames; a larger one is cut, and then unreadable.
const BUFFER_LEN: usize = 2048;
/// Sends whose transmit stamp is waited for; the oldest is forgotten beyond, and keeps its user stamp.
const OUTSTANDING: usize = 256;

/// Sends and receives frames, with their times.
pub trait Port {
    /// Names a send.
    type Key: Copy + PartialEq + Send;

    /// Waits for what happens next. Must be cancel safe.
    fn receive(&self, buffer: &mut [u8]) -> impl Future<Output = io::Result<PortEvent<Self::Key>>> + Send;

    /// Sends at once. The moment is that before the call.
    ///
    /// # Errors
    /// When nothing was sent.
    fn send(&self, frame: &[u8]) -> io::Result<(Self::Key, Moment)>;
}

/// What happens on a port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PortEvent<K> {
    /// A frame of this many octets is in the buffer.
    Received(usize, Arrival),
    /// A send left the system.
    Sent(K, Moment),
}

impl Port for PacketSocket {
    type Key = SendKey;

    async fn receive(&self, buffer: &mut [u8]) -> io::Result<PortEvent<SendKey>> {
        Ok(match self.next_event(buffer).await? {
            PacketEvent::Received { len, stamp, at, tag, has_checksum, whole_len: _ } => {
                PortEvent::Received(len, Arrival { moment: Moment { stamp, at }, tag, has_checksum })
            }
            PacketEvent::Sent { key, stamp, at } => PortEvent::Sent(key, Moment { stamp, at }),
        })
    }

    fn send(&self, frame: &[u8]) -> io::Result<(SendKey, Moment)> {
        let at = Instant::now();
        let key = self.try_send(frame)?;
        Ok((key, Moment { stamp: key.user_stamp(), at }))
    }
}

/// A port, and which of the machine's tickets its sends belong to.
#[derive(Debug)]
pub struct Driver<P: Port> {
    port: P,
    outstanding: VecDeque<(P::Key, u64)>,
    last_failure: Option<io::Error>,
}

impl<P: Port> Driver<P> {
    /// Takes a port.
    pub fn new(port: P) -> Self {
        Self { port, outstanding: VecDeque::new(), last_failure: None }
    }

    /// The port.
    pub fn port(&self) -> &P {
        &self.port
    }

    /// Why the last send that failed did.
    pub fn last_failure(&self) -> Option<&io::Error> {
        self.last_failure.as_ref()
    }

    /// Sends what the machine wants sent now. A send that fails is told to the machine, and is no error here.
    pub fn flush<M: Machine>(&mut self, machine: &mut M) {
        while let Some(outgoing) = machine.transmit(Instant::now()) {
            match self.port.send(&outgoing.bytes) {
                Ok((key, submitted)) => {
                    machine.on_sent(outgoing.ticket, submitted);
                    if self.outstanding.len() == OUTSTANDING {
                        self.outstanding.pop_front();
                    }
                    self.outstanding.push_back((key, outgoing.ticket));
                }
                Err(error) => {
                    machine.on_send_failed(outgoing.ticket);
                    self.last_failure = Some(error);
                }
            }
        }
    }

    /// Runs until `on_event` breaks, and returns what it broke with. Cancel safe: can be dropped and called again.
    ///
    /// # Errors
    /// What the port says to a receive.
    pub async fn run<M: Machine, B>(
        &mut self,
        machine: &mut M,
        mut on_event: impl FnMut(&mut M, M::Event) -> ControlFlow<B>,
    ) -> io::Result<B> {
        let mut buffer = [0; BUFFER_LEN];
        loop {
            self.flush(machine);
            while let Some(event) = machine.poll_event() {
                if let ControlFlow::Break(end) = on_event(machine, event) {
                    return Ok(end);
                }
            }
            let wake = machine.next_wake();
            let alarm = async {
                match wake {
                    Some(at) => tokio::time::sleep_until(at.into()).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                biased;
                event = self.port.receive(&mut buffer) => match event? {
                    PortEvent::Received(len, arrival) => machine.on_frame(&arrival, buffer.get(..len).unwrap_or_default()),
                    PortEvent::Sent(key, moment) => self.departed(machine, key, moment),
                },
                () = alarm => machine.on_wake(Instant::now()),
            }
        }
    }

    fn departed<M: Machine>(&mut self, machine: &mut M, key: P::Key, moment: Moment) {
        if let Some(at) = self.outstanding.iter().position(|(k, _)| *k == key)
            && let Some((_, ticket)) = self.outstanding.remove(at)
        {
            machine.on_departure(ticket, moment);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;
    use std::time::Duration;

    use super::*;
    use crate::proto::machine::Outgoing;
    use crate::unit::{Stamp, StampSource};

    /// Sends back every frame to itself, stamped; fails every third send.
    #[derive(Default)]
    struct Mirror {
        sends: Mutex<u64>,
        queue: Mutex<VecDeque<(PortEvent<u64>, Vec<u8>)>>,
    }

    fn moment() -> Moment {
        Moment { stamp: Stamp { unix_ns: 0, source: StampSource::User, adapter_ns: None }, at: Instant::now() }
    }

    impl Port for Mirror {
        type Key = u64;

        async fn receive(&self, buffer: &mut [u8]) -> io::Result<PortEvent<u64>> {
            loop {
                if let Some((event, bytes)) = self.queue.lock().unwrap().pop_front() {
                    buffer[..bytes.len()].copy_from_slice(&bytes);
                    return Ok(event);
                }
                std::future::pending::<()>().await;
            }
        }

        fn send(&self, frame: &[u8]) -> io::Result<(u64, Moment)> {
            let mut sends = self.sends.lock().unwrap();
            *sends += 1;
            if sends.is_multiple_of(3) {
                return Err(io::ErrorKind::NetworkDown.into());
            }
            let arrival = Arrival { moment: moment(), tag: None, has_checksum: true };
            let mut queue = self.queue.lock().unwrap();
            queue.push_back((PortEvent::Sent(*sends, moment()), Vec::new()));
            queue.push_back((PortEvent::Received(frame.len(), arrival), frame.to_vec()));
            Ok((*sends, moment()))
        }
    }

    /// Sends five frames, one per wake, and logs what it is told.
    struct Counter {
        next: u64,
        wake: Instant,
        out: Option<Outgoing>,
        log: Vec<String>,
        events: VecDeque<u64>,
    }

    impl Machine for Counter {
        type Event = u64;

        fn on_frame(&mut self, _: &Arrival, frame: &[u8]) {
            self.log.push(format!("got {frame:?}"));
        }

        fn on_sent(&mut self, ticket: u64, _: Moment) {
            self.log.push(format!("sent {ticket}"));
        }

        fn on_send_failed(&mut self, ticket: u64) {
            self.log.push(format!("failed {ticket}"));
        }

        fn on_departure(&mut self, ticket: u64, _: Moment) {
            self.log.push(format!("departed {ticket}"));
        }

        fn on_wake(&mut self, now: Instant) {
            if now < self.wake {
                return;
            }
            self.wake = now + Duration::from_millis(2);
            self.out = Some(Outgoing { ticket: self.next, bytes: vec![self.next as u8] });
            self.events.push_back(self.next);
            self.next += 1;
        }

        fn transmit(&mut self, _: Instant) -> Option<Outgoing> {
            self.out.take()
        }

        fn next_wake(&self) -> Option<Instant> {
            Some(self.wake)
        }

        fn poll_event(&mut self) -> Option<u64> {
            self.events.pop_front()
        }
    }

    #[tokio::test]
    async fn the_loop_wakes_sends_and_tells_what_became_of_each_send() {
        let mut driver = Driver::new(Mirror::default());
        let mut machine = Counter { next: 10, wake: Instant::now(), out: None, log: Vec::new(), events: VecDeque::new() };
        // Dropping the future between events loses nothing.
        let first =
            driver.run(&mut machine, |_, event| if event == 11 { ControlFlow::Break(event) } else { ControlFlow::Continue(()) });
        assert_eq!(first.await.expect("no error"), 11);
        let rest =
            driver.run(&mut machine, |_, event| if event == 14 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) });
        rest.await.expect("no error");
        let want = "sent 10, departed 10, got [10], sent 11, departed 11, got [11], failed 12, \
                    sent 13, departed 13, got [13], sent 14";
        assert_eq!(machine.log.join(", "), want);
        assert_eq!(driver.last_failure().map(io::Error::kind), Some(io::ErrorKind::NetworkDown));
    }
}
