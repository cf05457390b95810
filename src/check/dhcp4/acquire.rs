//! Takes a lease on a port without an address.

use std::io;
use std::ops::ControlFlow;
use std::time::Instant;

use super::hold::LeaseHolding;
use super::report::{self, Asked};
use super::{NAME, as_resolvers, rights, settings};
use crate::check::{Context, Finished, Learned, LiveFigure};
use crate::net::configure;
use crate::net::drive::Driver;
use crate::net::packet::{Filter, PacketSocket};
use crate::proto::dhcp4::{Client, Ending, Event, Lease, Purpose};
use crate::reading::{Outcome, Status};
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
    let mut client = Client::new(settings(context, Purpose::Acquire), start);
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
    let asked = Asked { client: &client, took: start.elapsed(), position: context.position, drops: driver.port().drops() };
    match end {
        None => {
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
        Some(Ok(End::Bound)) => {
            let outcome = asked.describe(Status::Done);
            put_on_port(context, driver, client, outcome).await
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
        Event::Renewed | Event::Informed | Event::Over(_) => return,
    };
    (context.live)(LiveFigure { check: NAME, text });
}

/// Puts the lease on the port, and sees to its keeping.
async fn put_on_port(context: &Context, driver: Driver<PacketSocket>, client: Client, mut outcome: Outcome) -> Finished {
    let Some(lease) = client.lease().cloned() else {
        return Outcome::not_tested("the lease was lost at once").into();
    };
    let index = context.interface.index;
    // From here on the address is given back whatever happens, and by the kernel when this program can't.
    let holding = LeaseHolding::new(index, driver, client, lease.clone());
    if let Err(error) = report::onto_port(index, &lease).await {
        outcome.status = Status::NotTested;
        outcome.reason = Some(error.to_string());
        return Finished { outcome, learned: Vec::new(), holdings: vec![Box::new(holding)] };
    }
    Finished { outcome, learned: learned(&lease), holdings: vec![Box::new(holding)] }
}

fn learned(lease: &Lease) -> Vec<Learned> {
    let mut learned = vec![Learned::Ipv4(lease.address, lease.prefix)];
    learned.extend(lease.router.map(Learned::Gateway4));
    if !lease.resolvers.is_empty() {
        learned.push(Learned::Resolvers(as_resolvers(&lease.resolvers)));
    }
    learned
}
