//! What a carrier did during the visit, told the same way for a VLAN and for a session.

use serde_json::json;

use crate::net::carry::Carrier;
use crate::reading::{Outcome, Status};
use crate::unit::Segment;

/// How much went through it, and what we lost ourselves.
pub(super) fn outcome(carrier: &Carrier) -> Outcome {
    let carried = carrier.carried();
    let mut outcome = Outcome::new(Status::Done);
    outcome.fact("frames_carried", json!({ "sent": carried.sent, "received": carried.received }));
    if carried.own_drops > 0 {
        let what = format!("this test set itself lost {} frames between its port and its programs", carried.own_drops);
        outcome.flaw("test-set-carry-drops", what, Some(Segment::TestSet));
    }
    outcome
}
