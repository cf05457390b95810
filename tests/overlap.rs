//! Twenty agents at one far end: all get their turn, and no two loads are ever measured at once. On loopback.
#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

#[path = "common/context.rs"]
mod context;
#[path = "common/far_end.rs"]
mod far_end;

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use doorstep::check::throughput::Throughput;
use doorstep::check::{Check, Known};
use doorstep::farend::admission::Limits;
use doorstep::farend::client::{FarEndTarget, Session};
use doorstep::farend::server::{ServeOptions, Server};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;

const LOOPBACK: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
const AGENTS: usize = 20;

/// When an agent's octets began to come, and until when they did.
type Span = (Instant, Instant);
/// A load tells its figure each quarter of a second; a pause of this length is between two loads.
const PAUSE: Duration = Duration::from_secs(1);

/// The spans in which an agent filled the line, by its live figures.
async fn agent(target: FarEndTarget) -> (Outcome, Vec<Span>) {
    let session = Session::open(&target, LOOPBACK, "lo").await.expect("invited");
    let known = Known { far_end: Some(Arc::new(session)), ..Known::default() };
    let mut context = context::context_at(1, [0; 6], known, Depth::Soak);
    context.interface.name = "lo".into();
    // One stream, so there is nothing to hold it against: a phase each way, and one of both ways at once.
    context.effort.streams = 1;
    context.effort.load_time = Duration::from_millis(200);
    let moved = Arc::new(std::sync::Mutex::new(Vec::<Instant>::new()));
    let seen = Arc::clone(&moved);
    context.live = Arc::new(move |figure| {
        if figure.text.ends_with("Mbit/s") {
            seen.lock().expect("no panic").push(Instant::now());
        }
    });
    let outcome = Throughput.run(context).await.outcome;
    let moved = moved.lock().expect("no panic");
    let mut spans: Vec<Span> = Vec::new();
    for at in moved.iter() {
        match spans.last_mut().filter(|span| at.duration_since(span.1) < PAUSE) {
            Some(span) => span.1 = *at,
            None => spans.push((*at, *at)),
        }
    }
    (outcome, spans)
}

#[test]
fn twenty_agents_take_turns_and_never_fill_the_line_together() {
    let runtime = tokio::runtime::Runtime::new().expect("runtime");
    let (options, target) = far_end::options(vec![LOOPBACK]);
    let options = ServeOptions {
        limits: Limits { capacity_mbit: 1000.0, sessions: AGENTS, sessions_per_token: AGENTS, ..Limits::default() },
        ..options
    };
    let server = runtime.block_on(Server::start(options)).expect("ports");
    let port = server.control_addresses()[0].port();
    let target = FarEndTarget { port, ..target };
    let all = runtime.block_on(async {
        let agents: Vec<_> = (0..AGENTS).map(|_| tokio::spawn(agent(target.clone()))).collect();
        let mut all = Vec::new();
        for agent in agents {
            all.push(agent.await.expect("no panic"));
        }
        all
    });
    let mut spans: Vec<Span> = Vec::new();
    for (outcome, own) in all {
        assert_eq!(outcome.status, Status::Done, "each gets its turn: {outcome:#?}");
        for name in ["throughput.tcp_payload_rate", "throughput.both_ways_rate"] {
            assert_eq!(outcome.readings.iter().filter(|r| r.name == name).count(), 2, "{outcome:#?}");
        }
        spans.extend(own);
    }
    spans.sort();
    println!("{} stretches of load seen", spans.len());
    assert!(spans.len() >= AGENTS, "each load is seen: {}", spans.len());
    for pair in spans.windows(2) {
        assert!(pair[0].1 <= pair[1].0, "two loads at once: one until {:?} after the next began", pair[0].1 - pair[1].0);
    }
}
