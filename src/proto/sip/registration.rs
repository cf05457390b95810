//! Registering an account, and leaving no trace of it (RFC 3261 section 10).
//!
//! ```text
//! look (no Contact: which bindings are there) ─▶ bind (own Contact, one minute) ─▶ remove (own Contact, expires 0) ─▶ over
//!        └── 401/407: answered once; again without stale: wrong account, over
//! ```
//! The bindings of the customer's own devices are not touched: only the contact made here is added and removed. Accounts are locked after some
//! wrong passwords, so a password that was refused is never sent a second time, and no more than [`MOST_REQUESTS`] are asked in all.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use super::Conversation;
use super::account::Account;
use super::service::Domain;
use super::speaker::Speaker;
use super::transaction::{Ending, Timers, Transaction};
use crate::wire::sip::address::Address;
use crate::wire::sip::digest::{Asked, Challenge};
use crate::wire::sip::message::shown;
use crate::wire::sip::{Message, Method, Transport};

mod report;

pub use report::{Refusal, Report};

/// Requests of one registration, challenges, stale nonces and too short times included.
pub const MOST_REQUESTS: u32 = 9;
/// Nonces that may be too old in a row.
const MOST_STALE: u32 = 2;
/// Seconds that the binding is asked for: should its removal fail, it goes by itself soon.
const WANTED: u32 = 60;

/// Where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    Look,
    Bind,
    Remove,
    Over,
}

/// The challenge that is being answered.
#[derive(Debug)]
struct Proof {
    challenge: Challenge,
    is_proxy: bool,
    /// Times that its nonce was used.
    count: u32,
}

/// The machine.
#[derive(Debug)]
pub struct Registration {
    domain: Domain,
    account: Account,
    speaker: Speaker,
    transport: Transport,
    timers: Timers,
    step: Step,
    asking: Transaction,
    proof: Option<Proof>,
    /// Whether the request under way carries credentials.
    is_proving: bool,
    stale: u32,
    expires: u32,
    report: Report,
}

impl Registration {
    /// Begins with a look at the account's bindings. `local` and `random` as for [`Speaker::new`].
    pub fn new(
        domain: Domain,
        account: Account,
        (transport, local): (Transport, SocketAddr),
        random: u128,
        timers: Timers,
    ) -> Self {
        let mut speaker = Speaker::new(transport, local, random);
        let uri = format!("sip:{}", domain.in_uri());
        let whom = format!("sip:{}@{}", account.user(), domain.in_uri());
        let asking = Transaction::new(speaker.ask(Method::Register, &uri, [&whom, &whom], &[]), transport, timers);
        let report = Report { requests: 1, ..Report::default() };
        Self {
            domain,
            account,
            speaker,
            transport,
            timers,
            step: Step::Look,
            asking,
            proof: None,
            is_proving: false,
            stale: 0,
            expires: WANTED,
            report,
        }
    }

    /// What was found, whole once it is over.
    pub fn report(&self) -> &Report {
        &self.report
    }

    /// Ends it early: what was bound is removed, nothing else is asked.
    pub fn hurry(&mut self) {
        match self.step {
            Step::Look => self.step = Step::Over,
            Step::Bind => self.ask(Step::Remove),
            Step::Remove | Step::Over => {}
        }
    }

    /// The next request.
    fn ask(&mut self, step: Step) {
        self.step = step;
        if self.report.requests >= MOST_REQUESTS {
            return self.refused(Refusal::Endless);
        }
        let mut headers: Vec<(&str, String)> = Vec::new();
        let seconds = match step {
            Step::Look | Step::Over => None,
            Step::Bind => Some(self.expires),
            Step::Remove => Some(0),
        };
        if let Some(seconds) = seconds {
            headers.push(("Contact", format!("{};expires={seconds}", self.speaker.contact())));
            headers.push(("Expires", seconds.to_string()));
        }
        let uri = format!("sip:{}", self.domain.in_uri());
        if let Some(proof) = &mut self.proof {
            proof.count += 1;
            let cnonce = self.speaker.cnonce();
            let asked = Asked { method: Method::Register.word(), uri: &uri, count: proof.count, cnonce: &cnonce };
            let name = if proof.is_proxy { "Proxy-Authorization" } else { "Authorization" };
            headers.push((name, self.account.answer(&proof.challenge, asked)));
        }
        self.is_proving = self.proof.is_some();
        let whom = format!("sip:{}@{}", self.account.user(), self.domain.in_uri());
        let request = self.speaker.ask(Method::Register, &uri, [&whom, &whom], &headers);
        self.report.requests += 1;
        self.asking = Transaction::new(request, self.transport, self.timers);
    }

    fn refused(&mut self, refusal: Refusal) {
        // A removal that fails says nothing of the account; the binding ends by itself.
        if self.step == Step::Remove {
            self.report.is_removed = Some(false);
        } else {
            self.report.refusal = Some(refusal);
        }
        self.step = Step::Over;
    }

    /// Goes on where the request under way has ended.
    fn advance(&mut self) {
        if self.step == Step::Over {
            return;
        }
        let Some(ending) = self.asking.ending().cloned() else { return };
        match ending {
            Ending::Answered(message, took) => self.answered(&message, took),
            Ending::Silent if self.step == Step::Bind => {
                // It may have been heard all the same.
                self.report.refusal = Some(Refusal::Silent);
                self.ask(Step::Remove);
            }
            Ending::Silent => self.refused(Refusal::Silent),
            Ending::Broken(why) => self.refused(Refusal::Broken(why)),
        }
    }

    fn answered(&mut self, message: &Message, took: Duration) {
        self.report.note(message);
        match message.status().unwrap_or_default() {
            200..300 => self.accepted(message, took),
            status @ (401 | 407) => self.challenged(message, status == 407),
            // Section 10.2.8: the time was too short; once.
            423 if self.step == Step::Bind && self.expires == WANTED => match message.seconds("Min-Expires") {
                Some(least) if least > WANTED => {
                    self.report.least = Some(least);
                    self.expires = least;
                    self.ask(Step::Bind);
                }
                _ => self.refused(Refusal::of(message)),
            },
            // Some registrars know no request without a contact, though section 10.2.3 has it.
            400 | 405 | 501 if self.step == Step::Look => self.ask(Step::Bind),
            _ => self.refused(Refusal::of(message)),
        }
    }

    fn challenged(&mut self, message: &Message, is_proxy: bool) {
        self.report.is_challenged = true;
        let name = if is_proxy { "Proxy-Authenticate" } else { "WWW-Authenticate" };
        let challenge = match Challenge::first(message.all(name)) {
            Ok(challenge) => challenge,
            Err(why) => return self.refused(Refusal::Unanswerable(shown(&why.to_string()))),
        };
        if self.is_proving {
            if !challenge.is_stale {
                return self.refused(Refusal::Account(message.told()));
            }
            self.stale += 1;
            if self.stale > MOST_STALE {
                return self.refused(Refusal::Endless);
            }
        }
        self.report.algorithm = Some(challenge.algorithm.name());
        self.proof = Some(Proof { challenge, is_proxy, count: 0 });
        self.ask(self.step);
    }

    fn accepted(&mut self, message: &Message, took: Duration) {
        let name = self.speaker.name();
        let is_own = |contact: &Address| contact.sip_uri().is_some_and(|uri| uri.user.as_deref() == Some(name.as_str()));
        let contacts = message.contacts();
        let own = contacts.iter().find(|contact| is_own(contact));
        let others = contacts.iter().filter(|contact| !is_own(contact)).count();
        match self.step {
            Step::Look => {
                self.report.others_before = Some(others);
                self.ask(Step::Bind);
            }
            Step::Bind => {
                self.report.bound_after = Some(took);
                // Section 10.3 step 8: each contact with its own time; else the header says it for all.
                self.report.granted = own.and_then(Address::expires).or_else(|| message.seconds("Expires"));
                self.report.is_listed = own.is_some();
                self.report.bound_as = own.map(|contact| shown(&contact.uri));
                self.ask(Step::Remove);
            }
            Step::Remove => {
                self.report.is_removed = Some(own.is_none());
                self.report.others_after = Some(others);
                self.step = Step::Over;
            }
            Step::Over => {}
        }
    }
}

impl Conversation for Registration {
    fn on_message(&mut self, now: Instant, message: &Message) {
        self.asking.on_message(now, message);
        self.advance();
    }

    fn on_wake(&mut self, now: Instant) {
        self.asking.on_wake(now);
        self.advance();
    }

    fn on_broken(&mut self, why: &str) {
        self.asking.on_broken(why);
        self.advance();
    }

    fn transmit(&mut self, now: Instant) -> Option<Vec<u8>> {
        if self.step == Step::Over { None } else { self.asking.transmit(now) }
    }

    fn next_wake(&self) -> Option<Instant> {
        if self.step == Step::Over { None } else { self.asking.next_wake() }
    }

    fn is_over(&self) -> bool {
        self.step == Step::Over
    }
}

#[cfg(test)]
mod tests;
