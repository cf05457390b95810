//! `voice` on lines whose delay, loss and variation are set: the rating that the formula gives for them, speech apart from all else under load,
//! packets as tshark reads them, and a far end that speaks to nobody who was not admitted. Needs root and the packages of
//! tests/packages.txt; all traffic stays in namespaces that the tests make.

#![allow(clippy::print_stdout, reason = "figures that the tests saw are shown with --no-capture")]

#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/far_end.rs"]
mod far_end;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/machine.rs"]
mod machine;
#[path = "shaping/line.rs"]
mod queues;
#[path = "common/server.rs"]
mod server;
#[path = "common/view.rs"]
mod view;

#[path = "voice/figures.rs"]
mod figures;
#[path = "voice/marking.rs"]
mod marking;
#[path = "voice/packets.rs"]
mod packets;
#[path = "voice/strangers.rs"]
mod strangers;

use std::sync::Arc;

use doorstep::check::voice::VoiceCheck;
use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::practice::PracticeLine;
use doorstep::practice::topology::{FAR_END_V4, LAPTOP_PORT};
use doorstep::reading::{Outcome, Reading, Status};
use doorstep::unit::{CallTerms, Depth, Direction, Load};

/// Calls over a line that nobody fills: three seconds.
fn calls(line: &PracticeLine, terms: CallTerms) -> Outcome {
    let mut context = lab::context(line, Known::default(), Depth::Quick);
    context.effort.voice = terms;
    let target = line.far_end_target();
    let outcome = lab::on_laptop(line, move || async move {
        let session = Session::open(&target, FAR_END_V4.into(), LAPTOP_PORT).await.expect("the far end is there");
        context.known = Arc::new(Known { far_end: Some(Arc::new(session)), ..(*context.known).clone() });
        VoiceCheck { depth: Depth::Quick, fills: true }.run(context).await.outcome
    });
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    outcome
}

fn of<'a>(outcome: &'a Outcome, name: &str, direction: Direction, load: Option<Load>) -> &'a Reading {
    let wanted = |r: &&Reading| r.name == name && r.direction == Some(direction) && r.load == load;
    outcome.readings.iter().find(wanted).unwrap_or_else(|| panic!("{name} {direction} in {outcome:#?}"))
}
