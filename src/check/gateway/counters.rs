//! Reads what the gateway counted on its line, and the port's counters at the same time.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use super::tally::Look;
use crate::net::facts;
use crate::net::http::Question;
use crate::wire::igd::action::{Action, Answer, Call};
use crate::wire::igd::{Endpoint, Error, Kind, MOST_OCTETS, ServiceType};

/// What a gateway has for one answer: it may be busy forwarding.
const ANSWER_WAIT: Duration = Duration::from_secs(2);

/// Where a gateway tells what it counted on its line.
#[derive(Debug, Clone)]
pub struct Counters {
    service: Asked,
    received: Call,
    sent: Call,
}

impl Counters {
    /// The counters of a service; `None` where it has none.
    pub(super) fn of(service: Asked) -> Option<Self> {
        let call = |action| Call::new(service.of, action);
        let (received, sent) = (call(Action::OctetsReceived)?, call(Action::OctetsSent)?);
        Some(Self { service, received, sent })
    }

    /// One look, and the port of this index beside it.
    ///
    /// # Errors
    /// Why there is none.
    pub async fn look(&self, port: u32) -> Result<Look, String> {
        let line_down = self.octets(&self.received).await?;
        let line_up = self.octets(&self.sent).await?;
        let at = Instant::now();
        let link = facts::link(port).await.map_err(|error| error.to_string())?.ok_or("the port is gone")?;
        let counters = link.counters;
        Ok(Look { at, line_down, line_up, port_down: counters.received_octets, port_up: counters.sent_octets })
    }

    async fn octets(&self, call: &Call) -> Result<u64, String> {
        match self.service.ask(call).await? {
            Answer::Octets(octets) => Ok(octets),
            other => Err(format!("{other:?} in place of a count")),
        }
    }
}

/// A service of the gateway that can be asked.
#[derive(Debug, Clone)]
pub(super) struct Asked {
    pub(super) of: ServiceType,
    pub(super) control: Endpoint,
    pub(super) device: String,
}

impl Asked {
    /// Asks for one thing.
    pub(super) async fn ask(&self, call: &Call) -> Result<Answer, String> {
        let (field, body, path) = (call.field(), call.body(), self.control.path());
        let to = SocketAddr::new(self.control.address().into(), self.control.port());
        let fields = [("SOAPAction", field.as_str())];
        let post = Some((fields.as_slice(), body.as_str()));
        let question = Question { to, device: &self.device, path: &path, post, most: MOST_OCTETS, wait: ANSWER_WAIT };
        let answer = question.ask().await.map_err(|error| error.to_string())?;
        // A refusal comes with status 500 (UDA 1.1 section 3.2.2) and says more than the status does.
        call.parse_answer(&answer.body).map_err(|error| match (&error, answer.status) {
            (Error::Refused { .. }, _) | (_, 200) => error.to_string(),
            (_, status) => format!("HTTP status {status}"),
        })
    }

    /// Asks for a thing that a service of this kind has; an action that it hasn't is no question.
    pub(super) async fn ask_if_there(&self, action: Action) -> Option<Result<Answer, String>> {
        let call = Call::new(self.of, action)?;
        Some(self.ask(&call).await)
    }

    pub(super) fn is_of(&self, kinds: &[Kind]) -> bool {
        kinds.contains(&self.of.kind)
    }
}
