//! The way from the far end back to here, hop by hop: asks for its probes, answers them, and says what came of it.
//!
//! It must not know how the probes are paced ([`crate::proto::way_back`]), nor judge.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use serde_json::{Value, json};

use super::super::Context;
use super::figures::Walk;
use crate::farend::api::WayBackReport;
use crate::farend::client::Session;
use crate::farend::way_back;
use crate::metric::quantile::of_sorted;
use crate::net::stamped::StampedSocket;
use crate::proto::path::{PathEnd, PathReport};
use crate::reading::{Outcome, Reading};
use crate::wire::train::Secret;

/// What it takes at most: the opening, the probes, the last wait.
pub(super) const TIME_LIMIT: Duration = Duration::from_secs(6);
/// Packets each way at most: three for each of thirty hop limits.
pub(super) const PROBES: u64 = 90;
/// From this difference on the two lengths are told *(ours)*: one hop more or less is often a router that answers for its neighbour.
const TELLING: u8 = 2;

/// What came of it, or why it was not looked for.
pub(super) type Looked = Result<WayBackReport, String>;

/// Has the far end at `to` probe the way back to `source`; `None` without a session there.
pub(super) async fn look(context: &Context, to: IpAddr, source: IpAddr) -> Option<Looked> {
    let sessions = [&context.known.far_end, &context.known.far_end_beside];
    let session = sessions.into_iter().flatten().find(|session| session.address == to)?;
    if !session.way_back {
        return Some(Err("the far end is of a version that does not probe the way back".to_owned()));
    }
    let asked = ask(session, source, &context.interface.name);
    tokio::select! {
        () = context.cancel.cancelled() => Some(Err("the visit was ended before".to_owned())),
        looked = asked => Some(looked),
    }
}

async fn ask(session: &Session, source: IpAddr, device: &str) -> Looked {
    let no_socket = |error| format!("a socket for the far end's probes: {error}");
    let socket = StampedSocket::udp(SocketAddr::new(source, 0), Some(device)).map_err(no_socket)?;
    let grant = session.admit_way_back().await.map_err(|error| error.to_string())?;
    let secret = grant.secret.octets().and_then(|octets| Secret::new(&octets)).ok_or("the far end's answer makes no sense")?;
    let to = SocketAddr::new(session.address, grant.port);
    if !way_back::open(&socket, to, &secret).await.map_err(no_socket)? {
        return Err(format!("UDP port {} of the far end does not answer, or not to here", grant.port));
    }
    let (finish, answering) = (session.finish_way_back(), way_back::answer(&socket, to, secret.name()));
    tokio::pin!(finish);
    tokio::select! {
        report = &mut finish => report.map_err(|error| error.to_string()),
        answered = answering => {
            answered.map_err(no_socket)?;
            // All were answered that may come.
            finish.await.map_err(|error| error.to_string())
        }
    }
}

/// Readings of one walk.
pub(super) fn note(walk: &Walk, outcome: &mut Outcome) {
    if let Some(Ok(WayBackReport { length: Some(length), .. })) = &walk.way_back {
        outcome.readings.push(Reading::exact("path.hops_backward", f64::from(*length)).over(walk.family));
    }
}

/// The hops in order from the far end; null where nobody looked.
pub(super) fn hops(walk: &Walk) -> Value {
    let Some(Ok(report)) = &walk.way_back else { return Value::Null };
    let hop = |hop: &crate::farend::api::WayBackHop| {
        let mut sorted = hop.round_trips_ms.clone();
        sorted.sort_by(f64::total_cmp);
        json!({
            "hop": hop.hop,
            "addresses": hop.addresses.iter().map(|by| json!({ "address": by.address, "answers": by.answers })).collect::<Vec<_>>(),
            "is_here": report.length == Some(hop.hop),
            "answers": hop.answered,
            "of": hop.sent,
            "ms": of_sorted(&sorted, 0, 0.5),
        })
    };
    report.hops.iter().map(hop).collect()
}

/// The lengths held together, and the difference in words.
pub(super) fn fact(walk: &Walk, path: &PathReport) -> Value {
    let report = match &walk.way_back {
        None => return Value::Null,
        Some(Err(why)) => return json!({ "not_looked": why }),
        Some(Ok(report)) => report,
    };
    let there = if let PathEnd::Reached { hops, .. } = path.end { Some(hops) } else { None };
    json!({
        "opened": report.opened,
        "hops": report.length,
        "hops_there": there,
        "hops_by_hop_limit": path.hops_back,
        "refused_by": report.refused_by,
        "unplaced_errors": report.unplaced,
        "what": words(report, there, path.hops_back),
    })
}

/// The way back in words.
fn words(report: &WayBackReport, there: Option<u8>, by_limit: Option<u8>) -> String {
    let Some(back) = report.length else {
        return match (report.opened, report.refused_by, report.hops.last()) {
            (false, _, _) => {
                "the far end did not hear from here over UDP at the address that it knows, and sent nothing".to_owned()
            }
            (true, Some(by), _) => format!("{by} does not carry the far end's probes on"),
            (true, None, Some(hop)) => format!("of the far end's probes none arrived; the last that answered is hop {}", hop.hop),
            (true, None, None) => "of the far end's probes none arrived, and no router answered".to_owned(),
        };
    };
    let mut told = match there {
        Some(there) if there.abs_diff(back) >= TELLING => format!(
            "the way back is not the way there: {back} hops from the far end to here, {there} hops from here to the far end"
        ),
        Some(there) => format!("{back} hops from the far end to here, {there} there"),
        None => format!("{back} hops from the far end to here"),
    };
    if let Some(other) = by_limit.filter(|other| *other != back) {
        let why = "they came another way, or began with an unusual limit";
        told = format!("{told}; by the hop limit of its answers it would be {other}: {why}");
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_lengths_that_differ_by_two_are_told_as_different_ways() {
        let of = |length| WayBackReport { opened: true, length, ..WayBackReport::default() };
        assert_eq!(words(&of(Some(5)), Some(6), Some(5)), "5 hops from the far end to here, 6 there");
        let told = "the way back is not the way there: 3 hops from the far end to here, 5 hops from here to the far end";
        assert_eq!(words(&of(Some(3)), Some(5), None), told);
        assert!(words(&of(Some(3)), None, Some(4)).contains("by the hop limit of its answers it would be 4"));
        assert!(words(&of(None), Some(5), None).ends_with("no router answered"));
        assert!(words(&WayBackReport::default(), Some(5), None).contains("sent nothing"));
    }
}
