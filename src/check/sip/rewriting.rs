//! Asking the far end over SIP what arrived: the port that gateways look at, over UDP and TCP.
//!
//! Over IPv4, where gateways translate addresses and some want to help SIP with that. The session is one of its own, since this check may
//! begin before the visit's.

use std::net::SocketAddr;
use std::time::Instant;

use serde_json::{Value, json};

use super::super::Context;
use super::TIMERS;
use super::channel::Channel;
use crate::farend::client::{KnownOffer, Session, resolve};
use crate::proto::sip::Conversation;
use crate::proto::sip::question::{self, Finding};
use crate::proto::sip::speaker::Speaker;
use crate::proto::sip::transaction::{Ending, Transaction};
use crate::reading::{Outcome, Reading};
use crate::unit::Family;
use crate::wire::sip::Transport;

/// What was found over each transport, or why nothing came.
type Found = Vec<(Transport, Result<Finding, String>)>;

/// The same, or why nobody was asked.
pub(super) struct Rewriting(Result<Found, &'static str>);

pub(super) async fn look(context: &Context) -> Rewriting {
    Rewriting(tokio::select! {
        () = context.cancel.cancelled() => Err("the visit was ended early"),
        asked = ask_far_end(context) => asked,
    })
}

async fn ask_far_end(context: &Context) -> Result<Found, &'static str> {
    let target = context.far_end.as_ref().ok_or("no far end was given")?;
    let none = "no session with the far end over IPv4";
    if !context.known.has(Family::Ipv4) {
        return Err(none);
    }
    let addresses = resolve(target).await.map_err(|_| none)?;
    let address = addresses.into_iter().find(|address| address.is_ipv4()).ok_or(none)?;
    let device = context.interface.name.as_str();
    let session = Session::open(target, address, device).await.map_err(|_| none)?;
    let found = match &session.sip {
        Some(offer) => {
            let (udp, tcp) = tokio::join!(ask(context, offer, Transport::Udp), ask(context, offer, Transport::Tcp));
            Ok(vec![(Transport::Udp, udp), (Transport::Tcp, tcp)])
        }
        None => Err("the far end does not answer over SIP (serve --sip-port)"),
    };
    // A session that is not closed ends by itself.
    let _ = session.close().await;
    found
}

async fn ask(context: &Context, offer: &KnownOffer, transport: Transport) -> Result<Finding, String> {
    let device = context.interface.name.as_str();
    let at: SocketAddr = offer.at;
    let opened =
        if transport == Transport::Udp { Channel::datagrams(device, at).await } else { Channel::stream(device, at).await };
    let mut channel = opened.map_err(|error| error.to_string())?;
    let nonce = format!("{:032x}", rand::random::<u128>());
    let mut speaker = Speaker::new(transport, channel.local(), rand::random());
    let request = question::request(&mut speaker, at, &offer.id, &nonce);
    let sent = request.octets.clone();
    let mut asking = Transaction::new(request, transport, TIMERS);
    channel.converse(&mut asking, &context.cancel).await;
    asking.on_wake(Instant::now());
    match asking.ending() {
        Some(Ending::Answered(answer, _)) => Ok(question::look(&offer.key, &nonce, &sent, answer)),
        Some(Ending::Broken(why)) => Err(why.clone()),
        Some(Ending::Silent) | None => Err(format!("no answer within {} s", TIMERS.give_up.as_secs())),
    }
}

impl Rewriting {
    /// Adds what was found; whether anybody was asked.
    pub(super) fn add(&self, outcome: &mut Outcome) -> bool {
        let found = match &self.0 {
            Ok(found) => found,
            Err(why) => {
                outcome.fact("rewriting", json!({ "not_looked_at": why }));
                return false;
            }
        };
        let mut facts = serde_json::Map::new();
        let (mut is_known, mut is_rewritten) = (false, false);
        for (transport, finding) in found {
            let over = transport.word();
            is_known |= finding.is_ok();
            let fact: Value = match finding {
                Ok(Finding::Untouched) => "arrives as it was sent".into(),
                Ok(Finding::Rewritten(marks)) => {
                    is_rewritten = true;
                    let what = format!("SIP over {over} is rewritten on its way to the far end: {}", marks.join("; "));
                    outcome.flaw("sip-rewritten", what, None);
                    json!({ "marks": marks })
                }
                Ok(Finding::Altered) => {
                    is_rewritten = true;
                    let what = format!("the far end's answer over SIP ({over}) arrives with another body than was sent");
                    outcome.flaw("sip-rewritten", what, None);
                    "the answer was changed".into()
                }
                Ok(Finding::Foreign(told)) => {
                    is_rewritten = true;
                    let what = format!("somebody else answers SIP over {over} in the far end's place ({told})");
                    outcome.flaw("sip-rewritten", what, None);
                    json!({ "somebody_else": told })
                }
                Err(why) => json!({ "unanswered": why }),
            };
            facts.insert(over.to_ascii_lowercase(), fact);
        }
        outcome.fact("rewriting", Value::Object(facts));
        if is_known {
            outcome.readings.push(Reading::exact("sip.rewritten", f64::from(u8::from(is_rewritten))).over(Family::Ipv4));
        }
        true
    }
}
