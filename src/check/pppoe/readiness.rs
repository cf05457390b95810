//! Without a login: who offers sessions, and whether one can be opened. Nothing stays open.

use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use super::{discovery_settings, port, report};
use crate::check::{Context, LiveFigure};
use crate::net::drive::Driver;
use crate::proto::pppoe::{Discovery, Ending, Event, Then};
use crate::reading::Outcome;

/// PPP payload of a full Ethernet frame's worth, which needs RFC 4638 on both sides.
const FULL_PAYLOAD: u16 = 1500;
/// What a cancelled check may still take to close what it opened.
const CLOSING: Duration = Duration::from_millis(500);

/// Opens a session as far as discovery goes and closes it.
pub(super) async fn examine(context: Context) -> Outcome {
    let mut driver = match port(&context) {
        Ok(port) => Driver::new(port),
        Err(error) => return Outcome::not_tested(format!("opening a packet socket: {error}")),
    };
    let settings = discovery_settings(&context, Then::OpenAndClose, Some(FULL_PAYLOAD));
    let mut discovery = Discovery::new(settings, Instant::now());
    let watch = |discovery: &mut Discovery, event| match event {
        Event::Over(ending) => ControlFlow::Break(ending),
        Event::Offered(_) => {
            let text = format!("{} offer(s)", discovery.offers().len());
            (context.live)(LiveFigure::new("pppoe", text));
            ControlFlow::Continue(())
        }
    };
    let ran = tokio::select! {
        ran = driver.run(&mut discovery, watch) => Some(ran),
        () = context.cancel.cancelled() => None,
    };
    let ending = match ran {
        Some(Ok(ending)) => ending,
        Some(Err(error)) => return Outcome::not_tested(format!("the port can't be read: {error}")),
        // What was opened is closed before the check ends.
        None => {
            discovery.end(Instant::now());
            let closing = tokio::time::timeout(CLOSING, driver.run(&mut discovery, watch)).await;
            closing.ok().and_then(Result::ok).unwrap_or(Ending::Offered)
        }
    };
    if discovery.requests_sent().0 == 0 {
        let why = driver.last_failure().map_or_else(|| "ended early".to_owned(), |error| format!("sending: {error}"));
        return Outcome::not_tested(why);
    }
    report::describe(&discovery, ending)
}
