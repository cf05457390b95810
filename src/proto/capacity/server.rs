//! The server's side of set-up and activation: who may test, with what terms. It must not know ports or admission: whoever
//! asks it opens the one and asks the other in between.

use super::Terms;
use super::flow::Signing;
use super::table::{self, Sizes};
use crate::wire::capacity::{
    Activation, ActivationResponse, CLOCK_TOLERANCE_S, CapacityKeys, Null, Setup, SetupResponse, SharedKey, Trailer, VERSION,
};

/// A request that may be admitted.
#[derive(Debug, Clone)]
pub struct Asked {
    /// As it came.
    pub setup: Setup,
    keys: CapacityKeys,
}

/// What a set-up leads to.
#[derive(Debug, Clone)]
pub enum Verdict {
    /// No set-up request: nothing is answered.
    Ignore,
    /// Refused: this goes back.
    Refuse(Vec<u8>),
    /// To be admitted.
    Ask(Box<Asked>),
}

/// The terms and the answer, or the answer that refuses.
pub type Activated = Result<(Terms, Vec<u8>), Vec<u8>>;

/// The largest IP packets that are sent: above 1 Gbit/s, with jumbo datagrams.
const JUMBO: u32 = 9000;

/// Looks at a datagram at the set-up port. `key_of` finds the shared key of a number; requests without a signature are refused.
pub fn on_setup(octets: &[u8], unix_time: u32, key_of: impl Fn(u8) -> Option<SharedKey>) -> Verdict {
    let Ok(setup) = Setup::parse(octets) else { return Verdict::Ignore };
    if setup.is_response || octets.len() != Setup::LEN {
        return Verdict::Ignore;
    }
    let Trailer { mode, unix_time: signed_at, key } = setup.trailer;
    let refuse = |response| Verdict::Refuse(answer(&setup, response, 0, None));
    if setup.version != VERSION {
        return refuse(SetupResponse::Version);
    }
    match mode {
        0 => return refuse(SetupResponse::Required),
        1 | 2 => {}
        _ => return refuse(SetupResponse::Mode),
    }
    let Some(keys) = key_of(key).map(|key| key.derive(signed_at)) else { return refuse(SetupResponse::Signature) };
    if !keys.verifies(false, octets) {
        return refuse(SetupResponse::Signature);
    }
    let asked = Asked { setup, keys };
    // From here on the asker has shown the key, so refusals are signed.
    if signed_at.abs_diff(unix_time) > CLOCK_TOLERANCE_S {
        return Verdict::Refuse(asked.refuse(SetupResponse::Time));
    }
    if setup.connection.1 != 1 || setup.connection.0 != 0 {
        return Verdict::Refuse(asked.refuse(SetupResponse::Connections));
    }
    Verdict::Ask(Box::new(asked))
}

fn answer(setup: &Setup, response: SetupResponse, test_port: u16, keys: Option<&CapacityKeys>) -> Vec<u8> {
    let mut octets = Setup { version: VERSION, is_response: true, response, test_port, ..*setup }.emit();
    if let Some(keys) = keys {
        keys.sign(true, &mut octets);
    }
    octets
}

impl Asked {
    /// The answer that refuses.
    pub fn refuse(&self, response: SetupResponse) -> Vec<u8> {
        answer(&self.setup, response, 0, Some(&self.keys))
    }

    /// The answer that names the test's port.
    pub fn accept(&self, test_port: u16) -> Vec<u8> {
        answer(&self.setup, SetupResponse::Accepted, test_port, Some(&self.keys))
    }

    /// What the test's port sends first, so that a firewall on this side lets the client's packets in.
    pub fn null(&self) -> Vec<u8> {
        let mut octets = Null { version: VERSION, trailer: self.setup.trailer }.emit();
        self.keys.sign(true, &mut octets);
        octets
    }

    /// What signs the test's status packets, where the client wants that.
    pub fn signing(&self) -> Option<Signing> {
        let signing = || Signing { keys: self.keys.clone(), number: self.setup.trailer.key };
        (self.setup.trailer.mode == 2).then(signing)
    }

    /// Sizes of load packets that the client can take; `headers` are those of its IP version and UDP.
    pub fn sizes(&self, headers: u32) -> Sizes {
        let packet = if self.setup.traditional_mtu { 1500 } else { 1250 };
        Sizes { packet, fast_packet: if self.setup.jumbo { JUMBO } else { packet }, headers }
    }

    /// Looks at a datagram at the test's port: the terms and the answer; `Err` is the answer that refuses, `None` is nothing.
    pub fn on_activation(&self, octets: &[u8], longest_s: u64, headers: u32, last_row: usize) -> Option<Activated> {
        let asked = Activation::parse(octets).ok()?;
        let is_ours = octets.len() == Activation::LEN
            && asked.response == ActivationResponse::None
            && asked.is_upstream == self.setup.is_upstream
            && self.keys.verifies(false, octets);
        if !is_ours {
            return None;
        }
        let terms = Terms::of_activation(&asked).filter(|_| asked.algorithm == 0 && !asked.one_way);
        let mut answer = Activation { response: ActivationResponse::Refused, ..asked };
        let terms = terms.map(|mut terms| {
            // The server may shorten a test; the client learns it from the answer.
            terms.time = terms.time.min(std::time::Duration::from_secs(longest_s));
            answer.response = ActivationResponse::Accepted;
            terms.into_activation(&mut answer);
            let row = terms.row.map_or(0, super::Row::number);
            answer.rate = table::sending_rate(row.min(last_row), self.sizes(headers));
            terms
        });
        let mut octets = answer.emit();
        self.keys.sign(true, &mut octets);
        Some(terms.map(|terms| (terms, octets.clone())).ok_or(octets))
    }
}
