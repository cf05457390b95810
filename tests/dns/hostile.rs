//! Servers that answer nonsense: what is not the answer to our question counts as none.

use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use doorstep::practice::topology::RESOLVERS_V4;
use doorstep::practice::{Node, PracticeLine};
use doorstep::reading::{Outcome, Status};

use crate::support::{examine, line, of};

/// A server that answers each query by what `answer` makes of it; ends with the test.
struct Nonsense {
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Nonsense {
    fn start(line: &PracticeLine, answer: impl Fn(&[u8]) -> Vec<Vec<u8>> + Send + 'static) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let (over, (ready, is_ready)) = (Arc::clone(&stop), std::sync::mpsc::channel());
        let thread = line.namespace(Node::Resolvers).spawn("nonsense", move || {
            let socket = UdpSocket::bind(SocketAddr::new(RESOLVERS_V4[0].into(), 53)).expect("port 53 is free");
            socket.set_read_timeout(Some(Duration::from_millis(50))).expect("a socket");
            ready.send(()).expect("the test waits");
            let mut buffer = [0; 2048];
            while !over.load(Ordering::Relaxed) {
                let Ok((len, from)) = socket.recv_from(&mut buffer) else { continue };
                for octets in answer(&buffer[..len]) {
                    let _ = socket.send_to(&octets, from);
                }
            }
        });
        is_ready.recv().expect("it listens");
        Self { stop, thread: Some(thread) }
    }
}

impl Drop for Nonsense {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(std::thread::JoinHandle::join);
    }
}

fn asked(answer: impl Fn(&[u8]) -> Vec<Vec<u8>> + Send + 'static) -> Outcome {
    let line = line(None);
    let _server = Nonsense::start(&line, answer);
    examine(&line, 1)
}

/// The query made an answer: response bit, no error (RFC 1035 section 4.1.1), nothing else changed.
fn empty_answer(query: &[u8]) -> Vec<u8> {
    let mut answer = query.to_vec();
    answer[2] |= 0x80;
    answer
}

#[test]
fn octets_that_are_no_answer_are_counted_and_leave_the_lookup_without_one() {
    let outcome = asked(|query| {
        vec![Vec::new(), vec![0xff; 3], vec![0xc0; 700], query.to_vec(), query[..11].to_vec(), empty_answer(query)[..20].to_vec()]
    });
    assert_eq!(outcome.status, Status::Failed, "{outcome:#?}");
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 1.0);
    assert_eq!(of(&outcome, "dns.false_answers", 1).value, 0.0);
    let facts = &outcome.facts["resolver_1"];
    assert!(facts["unreadable"].as_u64().is_some_and(|n| n > 0), "{facts:#}");
}

#[test]
fn answers_with_another_number_or_to_another_question_are_not_ours() {
    let outcome = asked(|query| {
        let mut other_number = empty_answer(query);
        other_number[0] ^= 0x55;
        let mut other_name = empty_answer(query);
        // The first label's first letter: octet 12 is its length (RFC 1035 section 3.1).
        other_name[13] = if other_name[13] == b'q' { b'z' } else { b'q' };
        vec![other_number, other_name]
    });
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 1.0, "{outcome:#?}");
    let facts = &outcome.facts["resolver_1"];
    assert!(facts["strays"].as_u64().is_some_and(|n| n >= 2 * 30), "{facts:#}");
}

#[test]
fn an_answer_that_comes_twice_counts_once() {
    let outcome = asked(|query| vec![empty_answer(query), empty_answer(query)]);
    let facts = &outcome.facts["resolver_1"];
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 0.0, "{facts:#}");
    assert_eq!(facts["asked"], facts["answered"], "{facts:#}");
}
