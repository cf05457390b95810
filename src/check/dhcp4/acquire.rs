//! Takes a lease on a port without an address.

use std::io;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use super::hold::LeaseHolding;
use super::report::{self, Asked};
use super::{NAME, as_resolvers, port, rights, settings};
use crate::check::{Completion, Context, Finished, Holding, Learned, LiveFigure};
use crate::net::configure;
use crate::net::drive::Driver;
use crate::net::packet::{Filter, PacketSocket};
use crate::proto::dhcp4::{Client, Ending, Event, Lease, Purpose};
use crate::reading::{Outcome, Status};
use crate::unit::{Position, Segment};
use crate::wire::dhcp4::{CLIENT_PORT, MessageType};

/// How the client came to an end.
enum End {
    Bound,
    Over(Ending),
}

pub(super) async fn run(context: &Context) -> Finished {
    if !configure::is_allowed() {
        return Outcome::not_tested(rights("putting an address on the port")).into();
    }
    let filter = Filter::Udp { port: CLIENT_PORT, with_arp: true };
    let mut driver = match PacketSocket::open(context.interface.index, filter, false) {
        Ok(socket) => Driver::new(socket),
        Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
            return Outcome::not_tested(rights("asking for an address without having one")).into();
        }
        Err(error) => return Outcome::not_tested(format!("opening a packet socket: {error}")).into(),
    };
    let start = Instant::now();
    let mut client = Client::new(settings(context, Purpose::Acquire).await, start);
    let run = driver.run(&mut client, |client, event| {
        tell(context, client, &event);
        match event {
            Event::Bound => ControlFlow::Break(End::Bound),
            Event::Over(ending) => ControlFlow::Break(End::Over(ending)),
            _ => ControlFlow::Continue(()),
        }
    });
    let end = tokio::select! {
        end = run => Some(end),
        () = context.cancel.cancelled() => None,
    };
    // A DECLINE may still wait to be sent.
    driver.flush(&mut client);
    let took = start.elapsed();
    if let Some(Ok(End::Bound)) = end {
        return put_on_port(context, driver, client, took).await;
    }
    let makers = report::makers(&client).await;
    let asked = Asked { client: &client, took, position: context.position, drops: driver.port().drops(), makers: &makers };
    match end {
        None | Some(Ok(End::Bound)) => {
            let mut outcome = asked.describe(Status::NotTested);
            outcome.reason = Some("the visit was ended".to_owned());
            client.release();
            driver.flush(&mut client);
            outcome.into()
        }
        Some(Err(error)) => Outcome::not_tested(format!("receiving on {}: {error}", context.interface.name)).into(),
        Some(Ok(End::Over(ending))) => {
            let could_not_send = client.sent(MessageType::Discover) == 0;
            let mut outcome = asked.describe(if could_not_send { Status::NotTested } else { Status::Failed });
            let failure = driver.last_failure().filter(|_| could_not_send).map(|error| format!("sending a DISCOVER: {error}"));
            outcome.reason = Some(failure.unwrap_or_else(|| asked.reason(ending)));
            outcome.into()
        }
    }
}

fn tell(context: &Context, client: &Client, event: &Event) {
    let text = match event {
        Event::Sent(kind) => format!("{} sent", kind.name()),
        Event::Answered(index) => {
            let Some(answer) = client.answers().get(*index) else { return };
            let kind = answer.kind.map_or("answer", MessageType::name);
            let took = client.took(answer).map(|t| format!(" after {:.1} ms", t.longest.as_secs_f64() * 1e3)).unwrap_or_default();
            format!("{kind} from {}{took}", answer.server())
        }
        Event::Bound => client.lease().map_or_else(String::new, |lease| format!("lease of {}", lease.address)),
        Event::Conflict { address, owner } => format!("{address} is in use by {owner}"),
        Event::Contested { address, owner } => format!("{address} is used by {owner} as well"),
        Event::Renewed => "lease renewed".to_owned(),
        Event::RenewalUnanswered => "the renewal was not answered".to_owned(),
        Event::Informed | Event::Over(_) => return,
    };
    (context.live)(LiveFigure::new(NAME, text));
}

/// Puts the lease on the port, has it renewed once where there is time for that, and sees to its keeping.
async fn put_on_port(context: &Context, mut driver: Driver<PacketSocket>, mut client: Client, took: Duration) -> Finished {
    let index = context.interface.index;
    let Some(lease) = client.lease().cloned() else {
        return Outcome::not_tested("the lease was lost at once").into();
    };
    let placed = port::put_on(index, &lease, None).await;
    let trial = match (&placed, super::renewal_patience(context.effort.depth)) {
        (Ok(()), Some(patience)) => Some(try_renewal(context, &mut driver, &mut client, patience).await),
        _ => None,
    };
    let makers = report::makers(&client).await;
    let asked = Asked { client: &client, took, position: context.position, drops: driver.port().drops(), makers: &makers };
    let Some(newest) = client.lease().cloned() else {
        port::take_off(index, &lease).await;
        let mut outcome = asked.describe(Status::Failed);
        outcome.reason = Some(asked.reason(Ending::Withdrawn));
        return outcome.into();
    };
    let mut outcome = asked.describe(Status::Done);
    if let Some(trial) = trial {
        trial.describe(&mut outcome, context.position);
    }
    // From here on the address is given back whatever happens, and by the kernel when this program can't.
    let holding = LeaseHolding::new(index, context.position, driver, client, newest.clone());
    let holdings: Vec<Box<dyn Holding>> = vec![Box::new(holding)];
    // What the renewal changed; most change nothing.
    let placed = match placed {
        Ok(()) if newest != lease => port::put_on(index, &newest, Some(&lease)).await,
        placed => placed,
    };
    if let Err(error) = placed {
        outcome.status = Status::NotTested;
        outcome.reason = Some(error.to_string());
        return Finished { outcome, learned: Vec::new(), holdings };
    }
    Finished { outcome, learned: learned(&newest), holdings }
}

/// How a renewal before its time went.
enum Trial {
    Renewed,
    Unanswered {
        asked: u32,
        waited: Duration,
    },
    /// Withdrawn, cut short, or the port failed: other words tell it.
    Other,
}

impl Trial {
    fn describe(&self, outcome: &mut Outcome, position: Position) {
        match self {
            Self::Renewed => outcome.fact("renewal", "answered"),
            Self::Unanswered { asked, waited } => {
                outcome.fact("renewal", "not answered");
                let what = format!(
                    "{asked} REQUESTs to renew, straight to the server, were not answered within {:.0} s: a client keeps its address only \
                     by asking everybody, late in its lease (RFC 2131 section 4.4.5)",
                    waited.as_secs_f64()
                );
                outcome.flaw("dhcp4-renewal-unanswered", what, position.is_behind_gateway().then_some(Segment::Home));
            }
            Self::Other => {}
        }
    }
}

/// Asks the server for more time at once, as a client does at T1.
async fn try_renewal(context: &Context, driver: &mut Driver<PacketSocket>, client: &mut Client, patience: Duration) -> Trial {
    let before = client.sent(MessageType::Request);
    client.try_renewal(Instant::now(), patience);
    let run = driver.run(client, |client, event| {
        tell(context, client, &event);
        match event {
            Event::Renewed => ControlFlow::Break(true),
            Event::RenewalUnanswered => ControlFlow::Break(false),
            Event::Over(_) => ControlFlow::Break(true),
            _ => ControlFlow::Continue(()),
        }
    });
    let answered = tokio::select! {
        answered = run => answered,
        () = context.cancel.cancelled() => return Trial::Other,
    };
    match answered {
        Ok(true) if client.lease().is_some() => Trial::Renewed,
        Ok(false) => Trial::Unanswered { asked: client.sent(MessageType::Request) - before, waited: patience },
        _ => Trial::Other,
    }
}

fn learned(lease: &Lease) -> Vec<Learned> {
    let mut learned = vec![Learned::Ipv4(lease.address, lease.prefix)];
    learned.extend(lease.router.map(Learned::Gateway4));
    if !lease.resolvers.is_empty() {
        learned.push(Learned::Resolvers(as_resolvers(&lease.resolvers)));
    }
    if lease.domain.is_some() || !lease.search.is_empty() {
        learned.push(Learned::Completion(Completion { domain: lease.domain.clone(), search: lease.search.clone() }));
    }
    learned
}
