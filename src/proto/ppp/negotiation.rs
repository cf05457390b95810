//! Option negotiation (RFC 1661 section 4), shared by LCP, IPCP and IPV6CP: one automaton, and per protocol its [`Terms`].
//!
//! It knows no frame, socket or clock, and no protocol's options. Of the standard's automaton it has what an active side needs: it
//! opens, agrees, is told to renegotiate, and closes.
//!
//! One habit beyond the standard: a peer that is still starting throws our first request away, and by the restart timer we
//! would lose 3 s. So when its first request comes before our answer did, ours is sent again at once.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use crate::wire::ppp::{Control, Setting, code, emit_settings, settings};

/// Restart timer (RFC 1661 section 4.6).
pub(super) const RESTART: Duration = Duration::from_secs(3);
/// Max-Configure (the same section).
const MAX_CONFIGURE: u32 = 10;
/// Max-Terminate (the same section).
const MAX_TERMINATE: u32 = 2;
/// Max-Failure (the same section): Naks before a peer's option is rejected.
const MAX_FAILURE: u32 = 5;
/// Between two requests to terminate: shorter than the restart timer, since a visit that ends should not take 6 s.
const TERMINATE_WAIT: Duration = Duration::from_millis(300);

/// What one side wants and accepts in a protocol.
pub trait Terms {
    /// The options of the own request, as wanted by now.
    fn wants(&self) -> Vec<Setting>;

    /// Whether an option that the peer wants is fine.
    fn judge(&mut self, wanted: &Setting) -> Judged;

    /// The peer would rather have these values.
    fn on_nak(&mut self, suggested: &[Setting]);

    /// The peer does not negotiate these.
    fn on_reject(&mut self, rejected: &[Setting]);

    /// The peer's whole request was acknowledged: these are its values.
    fn on_peer_settled(&mut self, settled: &[Setting]);
}

/// About a peer's option.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Judged {
    /// Fine.
    Fine,
    /// Better with this value.
    Rather(Vec<u8>),
    /// Not known, or not negotiable.
    No,
}

/// Where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Not begun.
    Idle,
    /// Under way.
    Negotiating,
    /// Both sides agreed.
    Open,
    /// Closing, or closed by the peer.
    Closing,
    /// Over; by whom and why is the owner's to know.
    Closed,
    /// The peer did not answer, or never agreed.
    Failed,
}

/// One protocol's negotiation.
#[derive(Debug)]
pub struct Negotiation<T> {
    /// The protocol's own.
    pub terms: T,
    stage: Stage,
    ours_acknowledged: bool,
    theirs_acknowledged: bool,
    identifier: u8,
    requests: u32,
    naks_sent: u32,
    resent_early: bool,
    again_at: Option<Instant>,
    outbox: VecDeque<Control>,
    peer_words: Option<Vec<u8>>,
}

impl<T: Terms> Negotiation<T> {
    /// Not begun: what comes before [`Self::open`] is not answered.
    pub fn new(terms: T) -> Self {
        Self {
            terms,
            stage: Stage::Idle,
            ours_acknowledged: false,
            theirs_acknowledged: false,
            identifier: 0,
            requests: 0,
            naks_sent: 0,
            resent_early: false,
            again_at: None,
            outbox: VecDeque::new(),
            peer_words: None,
        }
    }

    /// Where it stands.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// The data of the peer's Terminate-Request: often its reason in words.
    pub fn peer_words(&self) -> Option<&[u8]> {
        self.peer_words.as_deref()
    }

    /// Own requests sent until now.
    pub fn requests(&self) -> u32 {
        self.requests
    }

    /// Begins, when it has not.
    pub fn open(&mut self, now: Instant) {
        if self.stage == Stage::Idle {
            self.stage = Stage::Negotiating;
            self.request(now);
        }
    }

    /// Asks the peer to close.
    pub fn close(&mut self, now: Instant) {
        if matches!(self.stage, Stage::Negotiating | Stage::Open) {
            self.stage = Stage::Closing;
            self.requests = 0;
            self.terminate(now);
        }
    }

    /// The peer does not know the protocol (RFC 1661 section 5.7).
    pub fn on_protocol_reject(&mut self) {
        if !matches!(self.stage, Stage::Closed) {
            self.stage = Stage::Failed;
            self.again_at = None;
        }
    }

    /// The next packet to send.
    pub fn poll(&mut self) -> Option<Control> {
        self.outbox.pop_front()
    }

    /// When [`Self::on_wake`] wants to be called.
    pub fn next_wake(&self) -> Option<Instant> {
        self.again_at
    }

    /// The restart timer.
    pub fn on_wake(&mut self, now: Instant) {
        if self.again_at.is_none_or(|at| now < at) {
            return;
        }
        match self.stage {
            Stage::Negotiating if self.requests < MAX_CONFIGURE => self.repeat(now),
            Stage::Negotiating => self.end(Stage::Failed),
            Stage::Closing if self.requests < MAX_TERMINATE => self.terminate(now),
            Stage::Closing => self.end(Stage::Closed),
            Stage::Idle | Stage::Open | Stage::Closed | Stage::Failed => self.again_at = None,
        }
    }

    /// A packet of this protocol with a code of 1 to 7; others are the owner's.
    pub fn on_packet(&mut self, packet: &Control, now: Instant) {
        match packet.code {
            code::CONFIGURE_REQUEST => self.on_request(packet, now),
            code::CONFIGURE_ACK
                if packet.identifier == self.identifier
                    && self.stage == Stage::Negotiating
                    && settings(&packet.data).ok() == Some(self.terms.wants()) =>
            {
                self.ours_acknowledged = true;
                self.again_at = Some(now + RESTART);
                self.settle();
            }
            code::CONFIGURE_NAK | code::CONFIGURE_REJECT if packet.identifier == self.identifier => {
                let Ok(list) = settings(&packet.data) else { return };
                if self.stage == Stage::Negotiating && !self.ours_acknowledged {
                    if packet.code == code::CONFIGURE_NAK {
                        self.terms.on_nak(&list)
                    } else {
                        self.terms.on_reject(&list)
                    }
                    if self.requests < MAX_CONFIGURE { self.request(now) } else { self.end(Stage::Failed) }
                }
            }
            code::TERMINATE_REQUEST => {
                self.peer_words = Some(packet.data.clone());
                self.send(code::TERMINATE_ACK, packet.identifier, Vec::new());
                self.end(Stage::Closed);
            }
            code::TERMINATE_ACK if self.stage == Stage::Closing => self.end(Stage::Closed),
            _ => {}
        }
    }

    fn on_request(&mut self, packet: &Control, now: Instant) {
        let is_alive = matches!(self.stage, Stage::Negotiating | Stage::Open);
        let Some(wanted) = settings(&packet.data).ok().filter(|_| is_alive) else { return };
        if self.stage == Stage::Open {
            // The peer begins anew (section 4.3, event RCR in state Opened).
            (self.stage, self.ours_acknowledged, self.requests) = (Stage::Negotiating, false, 0);
            self.request(now);
        } else if !self.ours_acknowledged && !self.resent_early && self.requests > 0 {
            self.resent_early = true;
            self.repeat(now);
        }
        self.theirs_acknowledged = false;
        let judged: Vec<(Setting, Judged)> = wanted.iter().map(|one| (one.clone(), self.terms.judge(one))).collect();
        let no: Vec<Setting> = judged.iter().filter(|(_, j)| *j == Judged::No).map(|(one, _)| one.clone()).collect();
        let rather: Vec<Setting> = judged
            .iter()
            .filter_map(|(one, judged)| match judged {
                Judged::Rather(value) => Some(Setting::new(one.kind, value.clone())),
                _ => None,
            })
            .collect();
        if !no.is_empty() {
            self.send(code::CONFIGURE_REJECT, packet.identifier, emit_settings(&no));
        } else if !rather.is_empty() {
            self.naks_sent += 1;
            if self.naks_sent > MAX_FAILURE {
                let stubborn: Vec<Setting> = wanted.iter().filter(|w| rather.iter().any(|r| r.kind == w.kind)).cloned().collect();
                self.send(code::CONFIGURE_REJECT, packet.identifier, emit_settings(&stubborn));
            } else {
                self.send(code::CONFIGURE_NAK, packet.identifier, emit_settings(&rather));
            }
        } else {
            self.send(code::CONFIGURE_ACK, packet.identifier, packet.data.clone());
            self.terms.on_peer_settled(&wanted);
            self.theirs_acknowledged = true;
            self.settle();
        }
    }

    fn settle(&mut self) {
        if self.ours_acknowledged && self.theirs_acknowledged {
            self.stage = Stage::Open;
            self.again_at = None;
        }
    }

    fn request(&mut self, now: Instant) {
        self.identifier = self.identifier.wrapping_add(1);
        self.repeat(now);
    }

    /// The same request once more: with its identifier (RFC 1661 section 5.1), so that an answer on its way still counts.
    fn repeat(&mut self, now: Instant) {
        self.requests += 1;
        self.again_at = Some(now + RESTART);
        self.ours_acknowledged = false;
        self.send(code::CONFIGURE_REQUEST, self.identifier, emit_settings(&self.terms.wants()));
    }

    fn terminate(&mut self, now: Instant) {
        self.identifier = self.identifier.wrapping_add(1);
        self.requests += 1;
        self.again_at = Some(now + TERMINATE_WAIT);
        self.send(code::TERMINATE_REQUEST, self.identifier, Vec::new());
    }

    fn end(&mut self, stage: Stage) {
        self.stage = stage;
        self.again_at = None;
    }

    fn send(&mut self, code: u8, identifier: u8, data: Vec<u8>) {
        self.outbox.push_back(Control { code, identifier, data });
    }
}
