//! A concentrator by hand: answers each discovery packet with what the test makes of it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use doorstep::net::packet::{Filter, PacketEvent, PacketSocket};
use doorstep::wire::ethernet::{self, Mac};
use doorstep::wire::pppoe::{self, Code, DISCOVERY, Repr, Tag, tag};

use crate::cable::Line;

/// A discovery packet that came.
pub(crate) struct Asked {
    pub(crate) code: Code,
    from: Mac,
    /// Number of the concentrator that it is for; zero for all.
    pub(crate) to: u8,
    host_uniq: Option<Vec<u8>>,
}

/// Hardware address of a concentrator by its number.
fn mac(number: u8) -> Mac {
    Mac([2, 0, 0x5e, 0, 9, number])
}

impl Asked {
    /// An answer of a concentrator, with Host-Uniq as it came.
    pub(crate) fn answer(&self, concentrator: u8, code: Code, session: u16, tags: &[(u16, &[u8])]) -> Vec<u8> {
        let mut list: Vec<Tag<'_>> = tags.iter().map(|(number, value)| Tag::new(*number, *value)).collect();
        list.extend(self.host_uniq.as_deref().map(|value| Tag::new(tag::HOST_UNIQ, value)));
        self.raw(concentrator, &Repr { code, session, tags: list }.emit().expect("it fits"))
    }

    /// Any octets behind the Ethernet header.
    pub(crate) fn raw(&self, concentrator: u8, packet: &[u8]) -> Vec<u8> {
        let header = ethernet::Repr { destination: self.from, source: mac(concentrator), tags: Vec::new(), ethertype: DISCOVERY };
        header.emit(packet)
    }
}

/// A proper offer.
pub(crate) fn offer(asked: &Asked, concentrator: u8, name: &str) -> Vec<u8> {
    asked.answer(concentrator, Code::Offer, 0, &[(tag::SERVICE_NAME, b""), (tag::AC_NAME, name.as_bytes())])
}

/// Runs until it is dropped.
pub(crate) struct Responder {
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Responder {
    pub(crate) fn start(line: &Line, answers: impl Fn(&Asked) -> Vec<Vec<u8>> + Send + 'static) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let (over, index) = (Arc::clone(&stop), line.server_index);
        let (ready, is_ready) = std::sync::mpsc::channel();
        let thread = line.server.namespace().spawn("concentrator", move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async {
                let socket = PacketSocket::open(index, Filter::EtherType(DISCOVERY), true).expect("a packet socket");
                ready.send(()).expect("the test waits");
                let mut buffer = [0; 2048];
                while !over.load(Ordering::Relaxed) {
                    let event = tokio::time::timeout(Duration::from_millis(50), socket.next_event(&mut buffer)).await;
                    let Ok(Ok(PacketEvent::Received { len, .. })) = event else { continue };
                    for frame in asked(&buffer[..len]).iter().flat_map(&answers) {
                        socket.try_send(&frame).expect("the cable is up");
                    }
                }
            });
        });
        is_ready.recv().expect("it listens");
        Self { stop, thread: Some(thread) }
    }
}

impl Drop for Responder {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(std::thread::JoinHandle::join);
    }
}

fn asked(frame: &[u8]) -> Option<Asked> {
    let frame = ethernet::parse(frame).ok()?;
    let repr = pppoe::parse(frame.payload).ok()?.repr;
    let to = (1..=9).find(|number| mac(*number) == frame.repr.destination).unwrap_or(0);
    Some(Asked { code: repr.code, from: frame.repr.source, to, host_uniq: repr.tag(tag::HOST_UNIQ).map(<[u8]>::to_vec) })
}
