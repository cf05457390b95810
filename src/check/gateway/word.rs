//! Asks the gateway for all that it may be asked, and says what it said.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use serde_json::json;

use super::counters::{Asked, Counters};
use super::discover::{Search, search};
use crate::check::Context;
use crate::net::http::Question;
use crate::reading::{Outcome, Reading};
use crate::unit::{Direction, Layer};
use crate::wire::igd::action::{Action, Answer};
use crate::wire::igd::{Description, Endpoint, Kind, MOST_OCTETS};

/// What a gateway has for its description.
const DESCRIPTION_WAIT: Duration = Duration::from_secs(2);

/// Asks; returns where its counters are, if it has them. Everything it says goes into the outcome.
pub(super) async fn ask(context: &Context, outcome: &mut Outcome) -> Option<Counters> {
    if !context.position.is_behind_gateway() {
        outcome.fact("upnp", format!("not asked: at the {} no gateway of the customer's is in between", context.position));
        return None;
    }
    let (Some((own, _)), Some(gateway)) = (context.known.ipv4, context.known.gateway4) else {
        outcome.fact("upnp", "not asked: there is no gateway over IPv4");
        return None;
    };
    let device = &context.interface.name;
    let found = match search(own, gateway, device).await {
        Ok(found) => found,
        Err(error) => {
            outcome.fact("upnp", format!("not asked: {error}"));
            return None;
        }
    };
    let endpoint = tell_search(outcome, found)?;
    let services = match describe(outcome, &endpoint, device).await {
        Ok(services) => services,
        Err(why) => {
            let what = format!("the gateway answers to a UPnP search, but its description can't be read: {why}");
            outcome.flaw("gateway-word-unreadable", what, None);
            return None;
        }
    };
    let connections: Vec<&Asked> = services.iter().filter(|s| s.is_of(&[Kind::IpConnection, Kind::PppConnection])).collect();
    let line = services.iter().find(|service| service.is_of(&[Kind::CommonInterface]));
    if let Some(line) = line {
        tell(outcome, line, &[Action::CommonLinkProperties]).await;
    }
    // A gateway may list connections that it doesn't use (a PPP one beside the IP one): the first that stands is the one.
    for connection in connections {
        let actions = [Action::Status, Action::ExternalAddress, Action::ConnectionType, Action::LinkRates];
        if tell(outcome, connection, &actions).await {
            break;
        }
    }
    line.cloned().and_then(Counters::of)
}

fn tell_search(outcome: &mut Outcome, search: Search) -> Option<Endpoint> {
    let Search { gateway, refused, unreadable, of_others } = search;
    outcome.fact("upnp_answers_of_others", of_others);
    outcome.fact("upnp_unreadable", unreadable);
    for why in refused {
        let what = format!("the gateway's answer to a UPnP search is not followed: its URL is {why}");
        outcome.flaw("gateway-description-elsewhere", what, None);
    }
    let Some((endpoint, server)) = gateway else {
        outcome.fact("upnp", "the gateway does not answer, as is common");
        return None;
    };
    outcome.fact("upnp", "the gateway answers");
    outcome.fact("upnp_server", server);
    Some(endpoint)
}

/// Reads the description; which services can be asked.
async fn describe(outcome: &mut Outcome, at: &Endpoint, device: &str) -> Result<Vec<Asked>, String> {
    let to = SocketAddr::new(at.address().into(), at.port());
    let path = at.path();
    let question = Question { to, device, path: &path, post: None, most: MOST_OCTETS, wait: DESCRIPTION_WAIT };
    let answer = question.ask().await.map_err(|error| error.to_string())?;
    if answer.status != 200 {
        return Err(format!("HTTP status {}", answer.status));
    }
    let described = Description::parse(&answer.body).map_err(|error| error.to_string())?;
    let Description { device: kind, maker, model, base, services } = described;
    outcome.fact("upnp_device", json!({ "type": kind, "maker": maker, "model": model }));
    let from = match &base {
        Some(base) => at.join(base).map_err(|why| format!("its base URL is {why}"))?,
        None => at.clone(),
    };
    let mut asked = Vec::new();
    for service in services {
        match from.join(&service.control) {
            Ok(control) => asked.push(Asked { of: service.of, control, device: device.to_owned() }),
            Err(why) => {
                let what = format!("the gateway's service {} is not asked: its URL is {why}", service.of);
                outcome.flaw("gateway-description-elsewhere", what, None);
            }
        }
    }
    Ok(asked)
}

/// Asks a service for some things and notes them; whether it has a connection that stands.
async fn tell(outcome: &mut Outcome, service: &Asked, actions: &[Action]) -> bool {
    let mut stands = false;
    for action in actions {
        match service.ask_if_there(*action).await {
            Some(Ok(answer)) => stands |= note(outcome, answer),
            Some(Err(why)) => outcome.fact(&format!("refused_{}", action.name()), why),
            None => {}
        }
    }
    stands
}

/// Notes one answer; whether it says that a connection stands.
fn note(outcome: &mut Outcome, answer: Answer) -> bool {
    match answer {
        Answer::Link { access, up_bit_s, down_bit_s, state } => {
            outcome.fact("link", json!({ "access": access, "state": state }));
            for (direction, bit_s) in [(Direction::Down, down_bit_s), (Direction::Up, up_bit_s)] {
                // 0 is what gateways say that do not know.
                if bit_s > 0 {
                    let reading = Reading::exact("gateway.link_rate", bit_s as f64 / 1e6);
                    outcome.readings.push(reading.toward(direction).at(Layer::Line));
                }
            }
        }
        Answer::Status { state, last_error, uptime_s } => {
            let stands = state == "Connected";
            outcome.fact("connection", json!({ "state": state, "last_error": last_error }));
            outcome.readings.retain(|reading| reading.name != "gateway.uptime");
            if stands {
                outcome.readings.push(Reading::exact("gateway.uptime", uptime_s as f64));
            }
            return stands;
        }
        Answer::Address(address) => {
            let address = address.map(|address| json!({ "address": address.to_string(), "is_shared": is_not_public(address) }));
            outcome.fact("external_address", address);
        }
        Answer::Connection(kind) => outcome.fact("connection_type", kind),
        Answer::Rates { up_bit_s, down_bit_s } => {
            outcome.fact("ppp_link_rates", json!({ "up_bit_s": up_bit_s, "down_bit_s": down_bit_s }));
        }
        Answer::Octets(_) => {}
    }
    false
}

/// Private (RFC 1918) or shared (RFC 6598): another translator stands between this gateway and the Internet.
fn is_not_public(address: Ipv4Addr) -> bool {
    address.is_private() || matches!(address.octets(), [100, second, ..] if (64..128).contains(&second))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Status;

    #[test]
    fn rates_that_a_gateway_does_not_know_are_no_figures() {
        let mut outcome = Outcome::new(Status::Done);
        let link = Answer::Link { access: "DSL".to_owned(), up_bit_s: 0, down_bit_s: 108_000_000, state: "Up".to_owned() };
        assert!(!note(&mut outcome, link));
        assert_eq!(outcome.readings.len(), 1);
        assert_eq!((outcome.readings[0].value, outcome.readings[0].direction), (108.0, Some(Direction::Down)));
    }

    #[test]
    fn the_uptime_is_that_of_the_connection_that_stands() {
        let mut outcome = Outcome::new(Status::Done);
        let status = |state: &str, uptime_s| Answer::Status { state: state.to_owned(), last_error: String::new(), uptime_s };
        assert!(!note(&mut outcome, status("Disconnected", 7)));
        assert!(note(&mut outcome, status("Connected", 900)));
        assert_eq!(outcome.readings.iter().map(|r| r.value).collect::<Vec<_>>(), [900.0]);
    }

    #[test]
    fn addresses_behind_another_translator_are_told_apart() {
        for (address, shared) in
            [([10, 0, 0, 1], true), ([100, 64, 0, 1], true), ([100, 128, 0, 1], false), ([203, 0, 113, 9], false)]
        {
            assert_eq!(is_not_public(address.into()), shared, "{address:?}");
        }
    }
}
