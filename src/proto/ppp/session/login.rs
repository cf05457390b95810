//! The login inside a session: PAP (RFC 1334) or CHAP with MD5 (RFC 1994), whichever the peer demands.

use std::time::{Duration, Instant};

use super::{Phase, Session, plain};
use crate::proto::ppp::negotiation::{RESTART, Stage};
use crate::proto::ppp::terms::Proof;
use crate::wire::ppp::{self, Control, chap, pap};

impl Session {
    pub(super) fn accepted(&mut self, now: Instant) {
        self.times.login = Some(now);
        self.pap = None;
        self.reach(Phase::Network);
        self.ipcp.open(now);
        self.ipv6cp.open(now);
    }

    pub(super) fn ask_by_pap(&mut self, now: Instant, asked: u32) {
        let Some(login) = &self.settings.login else { return };
        let packet = Control { code: pap::REQUEST, identifier: asked as u8 + 1, data: login.in_clear() };
        self.post(ppp::PAP, &packet, 0);
        self.pap = Some((now + RESTART, asked + 1));
    }

    pub(super) fn on_pap(&mut self, packet: &Control, now: Instant) {
        match packet.code {
            _ if self.phase != Phase::Login || self.pap.is_none() => {}
            pap::ACK => self.accepted(now),
            pap::NAK => self.refused(plain(ppp::pap_message(&packet.data)), now),
            _ => {}
        }
    }

    pub(super) fn on_chap(&mut self, packet: &Control, now: Instant) {
        let is_asked = self.lcp.terms.peer_demands == Some(Proof::ChapMd5);
        match packet.code {
            // Also later: a peer may ask again at any time (RFC 1994 section 2).
            chap::CHALLENGE if is_asked && self.lcp.stage() == Stage::Open => {
                let (Ok((value, _)), Some(login)) = (ppp::chap_value(&packet.data), &self.settings.login) else { return };
                let data = ppp::emit_chap_value(&login.answer(packet.identifier, value), login.name());
                let answer = Control { code: chap::RESPONSE, identifier: packet.identifier, data };
                self.post(ppp::CHAP, &answer, 0);
            }
            chap::SUCCESS if is_asked && self.phase == Phase::Login => self.accepted(now),
            chap::FAILURE if is_asked => self.refused(plain(&packet.data), now),
            _ => {}
        }
    }

    /// The peer's LCP says it again with its own words, and closes; but it might not.
    fn refused(&mut self, words: String, now: Instant) {
        self.pap = None;
        self.proof_refused = Some(words);
        self.ends_at = self.ends_at.min(now + Duration::from_millis(500));
    }
}
