//! LCP echoes (RFC 1661 section 5.8): our questions with their times and sizes, and answers to the peer's.

use super::{Echo, Event, Phase, Session};
use crate::proto::ppp::negotiation::Stage;
use crate::proto::round_trip::{Flight, Moment, Settled};
use crate::wire::ppp::{self, Control, code};

/// Octets of an LCP echo before its own data: header and magic number.
const ECHO_LEN: usize = ppp::CONTROL_LEN + 4;
/// Echoes whose fate is kept.
const MOST_ECHOES: usize = 4096;

#[derive(Debug)]
pub(super) struct EchoState {
    pub(super) identifier: u8,
    pub(super) octets: usize,
    pub(super) answered: Option<usize>,
    pub(super) flight: Option<Flight>,
}

impl Session {
    /// Wants an LCP echo of this many octets of PPP information (RFC 1661 section 5.8; at least 8). Only while open.
    pub fn echo(&mut self, octets: usize) -> Option<usize> {
        if self.phase != Phase::Open || self.echoes.len() == MOST_ECHOES {
            return None;
        }
        self.next_identifier = self.next_identifier.wrapping_add(1);
        let number = self.echoes.len();
        let mut data = self.magic().to_vec();
        data.resize((octets.max(ECHO_LEN)) - ppp::CONTROL_LEN, 0);
        let identifier = self.next_identifier;
        self.echoes.push(EchoState { identifier, octets: octets.max(ECHO_LEN), answered: None, flight: None });
        let packet = Control { code: code::ECHO_REQUEST, identifier, data };
        self.post(ppp::LCP, &packet, number as u64 + 1);
        Some(number)
    }

    /// All echoes, in order.
    pub fn echoes(&self) -> impl Iterator<Item = Echo> {
        self.echoes.iter().map(|echo| Echo {
            octets: echo.octets,
            answered: echo.answered,
            time: echo.flight.map_or(Settled::NotYet, |flight| flight.settle(true)),
        })
    }

    pub(super) fn on_echo_request(&mut self, packet: &Control) {
        if self.lcp.stage() == Stage::Open {
            self.post(ppp::LCP, &ppp::echo_reply(packet, self.magic()), 0);
        }
    }

    pub(super) fn on_echo_reply(&mut self, packet: &Control, arrived: Moment) {
        // Identifiers come again after 255 echoes: the youngest is meant.
        let found = self.echoes.iter_mut().enumerate().rev().find(|(_, echo)| echo.identifier == packet.identifier);
        if let Some((number, echo)) = found
            && echo.answered.is_none()
        {
            echo.answered = Some(ppp::CONTROL_LEN + packet.data.len());
            if let Some(flight) = &mut echo.flight {
                flight.on_arrival(arrived);
            }
            self.events.push_back(Event::Answered(number));
        }
    }
}
