//! A session with the far end of a practice line, for checks that need one.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::net::IpAddr;
use std::sync::Arc;

use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::practice::topology::{FAR_END_V4, LAPTOP_PORT, LAPTOP_V6};
use doorstep::practice::{LineConfig, Node, PracticeLine, Services};
use doorstep::reading::Outcome;
use doorstep::unit::Depth;

use crate::lab::{build, context, on_laptop};

/// A line with a far end and nothing else.
pub(crate) fn line(config: LineConfig) -> PracticeLine {
    build(LineConfig { services: Services { far_end: true, ..Services::NONE }, ..config })
}

/// Runs a check at the laptop over a session with the far end at an address.
pub(crate) fn examine_at(line: &PracticeLine, check: impl Check + 'static, depth: Depth, address: IpAddr) -> Outcome {
    let mut context = context(line, Known::default(), depth);
    let target = line.far_end_target();
    on_laptop(line, move || async move {
        let session = Session::open(&target, address, LAPTOP_PORT).await.expect("the far end is there");
        let known = Known { ipv6: Some(LAPTOP_V6), far_end: Some(Arc::new(session)), ..(*context.known).clone() };
        context.known = Arc::new(known);
        check.run(context).await.outcome
    })
}

/// The same over IPv4.
pub(crate) fn examine(line: &PracticeLine, check: impl Check + 'static, depth: Depth) -> Outcome {
    examine_at(line, check, depth, FAR_END_V4.into())
}

/// Loads rules into a place's nftables, on top of what is there.
pub(crate) fn rules(line: &PracticeLine, node: Node, rules: &str) {
    let status = line.namespace(node).command("nft").arg(rules).status().expect("nftables is installed");
    assert!(status.success(), "nft refuses: {rules}");
}
