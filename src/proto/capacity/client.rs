//! The client's side of set-up and activation: asks, asks again, and tells why there is no test.

use std::time::{Duration, Instant};

use super::Terms;
use super::flow::Signing;
use crate::wire::capacity::{
    Activation, ActivationResponse, CapacityKeys, SendingRate, Setup, SetupResponse, SharedKey, Trailer, VERSION,
};

/// Between two tries.
const AGAIN: Duration = Duration::from_millis(700);
/// Tries of each request.
const TRIES: u32 = 4;

/// What a client asks for.
#[derive(Debug, Clone)]
pub struct Request {
    /// Parameters.
    pub terms: Terms,
    /// Whether the client sends the load.
    pub is_upstream: bool,
    /// Rate that the test may reach, Mbit/s.
    pub max_mbit: u16,
    /// Packets of 1500 octets, and not of 1250.
    pub traditional_mtu: bool,
    /// Larger ones above 1 Gbit/s.
    pub jumbo: bool,
    /// Shared key and its number; `None` asks without a signature.
    pub key: Option<(SharedKey, u8)>,
    /// Whether status packets are signed too.
    pub signs_status: bool,
    /// Random number that ties the connection's packets together.
    pub identifier: u16,
    /// Seconds since 1970.
    pub unix_time: u32,
}

/// Why there is no test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoTest {
    /// Nobody answers the set-up.
    #[error("nobody answers the request for a test")]
    Silent,
    /// The port that was named for the test is silent: something on the way keeps it closed.
    #[error("the test's own port {0} does not answer: a firewall may keep it closed")]
    PortSilent(u16),
    /// The server refuses.
    #[error("{0}")]
    Refused(SetupResponse),
    /// The server refuses the terms.
    #[error("it refuses the test's parameters")]
    Terms,
    /// Answers came whose signature is not right.
    #[error("answers came that are not signed with the key: somebody else answers, or the key is another")]
    WrongKey,
}

/// Where an exchange is.
#[derive(Debug, Clone, PartialEq)]
pub enum Progress {
    /// This goes to the server's port (`None`: the port that was given; else the one that it named).
    Send(Option<u16>, Vec<u8>),
    /// Nothing to do before this time.
    Wait(Instant),
    /// The test begins: its terms, and how to begin to send.
    Begun(Terms, SendingRate),
    /// There will be none.
    Failed(NoTest),
}

#[derive(Debug, Clone, PartialEq)]
enum State {
    SettingUp,
    Activating(u16),
    Begun(Terms, SendingRate),
    Failed(NoTest),
}

/// An exchange.
#[derive(Debug, Clone)]
pub struct Client {
    request: Request,
    keys: Option<CapacityKeys>,
    state: State,
    tries: u32,
    due: Instant,
    wrong_key: bool,
}

impl Client {
    /// Begins now.
    pub fn new(now: Instant, request: Request) -> Self {
        let keys = request.key.as_ref().map(|(key, _)| key.derive(request.unix_time));
        Self { request, keys, state: State::SettingUp, tries: 0, due: now, wrong_key: false }
    }

    /// What signs the test's status packets, if they are to be.
    pub fn signing(&self) -> Option<Signing> {
        let (keys, (_, number)) = (self.keys.clone()?, self.request.key.as_ref()?);
        self.request.signs_status.then_some(Signing { keys, number: *number })
    }

    fn trailer(&self) -> Trailer {
        let Some((_, key)) = self.request.key else { return Trailer::default() };
        let mode = if self.request.signs_status { 2 } else { 1 };
        Trailer { mode, unix_time: self.request.unix_time, key }
    }

    fn signed(&self, mut octets: Vec<u8>) -> Vec<u8> {
        if let Some(keys) = &self.keys {
            keys.sign(false, &mut octets);
        }
        octets
    }

    /// A datagram came from the server.
    pub fn on_packet(&mut self, now: Instant, octets: &[u8]) {
        let is_right = |len: usize| octets.len() == len && self.keys.as_ref().is_none_or(|keys| keys.verifies(true, octets));
        match self.state {
            State::SettingUp => {
                let Ok(setup) = Setup::parse(octets) else { return };
                if !setup.is_response || setup.connection.2 != self.request.identifier {
                    return;
                }
                let refuses = setup.response != SetupResponse::Accepted;
                // A server that has no such key can't sign its refusal.
                if !is_right(Setup::LEN) && !refuses {
                    self.wrong_key = true;
                    return;
                }
                (self.tries, self.due) = (0, now);
                self.state =
                    if refuses { State::Failed(NoTest::Refused(setup.response)) } else { State::Activating(setup.test_port) };
            }
            State::Activating(_) => {
                let Ok(answer) = Activation::parse(octets) else { return };
                if answer.response == ActivationResponse::None {
                    return;
                }
                if !is_right(Activation::LEN) {
                    self.wrong_key = true;
                    return;
                }
                let terms = Terms::of_activation(&answer).filter(|_| answer.response == ActivationResponse::Accepted);
                self.state = terms.map_or(State::Failed(NoTest::Terms), |terms| State::Begun(terms, answer.rate));
            }
            State::Begun(..) | State::Failed(_) => {}
        }
    }

    /// What is next.
    pub fn poll(&mut self, now: Instant) -> Progress {
        let port = match self.state {
            State::SettingUp => None,
            State::Activating(port) => Some(port),
            State::Begun(terms, rate) => return Progress::Begun(terms, rate),
            State::Failed(why) => return Progress::Failed(why),
        };
        if now < self.due {
            return Progress::Wait(self.due);
        }
        if self.tries == TRIES {
            let why = if self.wrong_key { NoTest::WrongKey } else { port.map_or(NoTest::Silent, NoTest::PortSilent) };
            self.state = State::Failed(why);
            return Progress::Failed(why);
        }
        self.tries += 1;
        self.due = now + AGAIN;
        let octets = if port.is_none() { self.setup() } else { self.activation() };
        Progress::Send(port, self.signed(octets))
    }

    fn setup(&self) -> Vec<u8> {
        Setup {
            version: VERSION,
            connection: (0, 1, self.request.identifier),
            is_response: false,
            response: SetupResponse::None,
            max_mbit: self.request.max_mbit,
            is_upstream: self.request.is_upstream,
            test_port: 0,
            jumbo: self.request.jumbo,
            traditional_mtu: self.request.traditional_mtu,
            trailer: self.trailer(),
        }
        .emit()
    }

    fn activation(&self) -> Vec<u8> {
        let mut activation = blank_activation(self.request.is_upstream, self.trailer());
        self.request.terms.into_activation(&mut activation);
        activation.emit()
    }
}

/// An activation without terms.
fn blank_activation(is_upstream: bool, trailer: Trailer) -> Activation {
    Activation {
        version: VERSION,
        is_upstream,
        response: ActivationResponse::None,
        low_ms: 0,
        high_ms: 0,
        feedback_ms: 0,
        test_s: 0,
        class: 0,
        row: 0,
        one_way: false,
        fast_rows: 0,
        bad_reports: 0,
        sequence_errors: 0,
        ignores_order: false,
        modifiers: 0,
        algorithm: 0,
        rate: SendingRate::default(),
        sub_interval_ms: 0,
        trailer,
    }
}
