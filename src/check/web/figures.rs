//! From pages and answers to readings, facts and flaws.

use std::time::Duration;

use serde_json::json;

use super::{Race, Seen};
use crate::proto::web::Finding;
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Family, StampSource};

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

pub(super) fn add(outcome: &mut Outcome, name: Option<Duration>, seen: &[Seen], race: Option<&Race>) {
    let user = |reading: Reading| reading.stamped_by(StampSource::User);
    if let Some(name) = name {
        outcome.readings.push(user(Reading::exact("web.name_time", ms(name))));
    }
    for one in seen {
        match &one.page {
            Ok(page) => {
                let times = [
                    ("web.connect_time", page.opening.connect),
                    ("web.tls_time", page.opening.secure),
                    ("web.first_byte_time", page.first),
                    ("web.page_time", page.whole),
                ];
                let readings = times.map(|(name, time)| user(Reading::exact(name, ms(time))).over(one.family));
                outcome.readings.extend(readings);
                outcome.fact(&format!("page_octets_{}", word(one.family)), page.octets);
            }
            Err(why) => {
                let what = format!("the far end's page was not fetched over {}: {why}", name_of(one.family));
                outcome.flaw("web-page-missing", what, None);
            }
        }
        known(outcome, one);
    }
    if let Some(Race { winner, took }) = race {
        outcome.readings.push(Reading::exact("web.race_won_by_ipv6", f64::from(u8::from(*winner == Family::Ipv6))));
        outcome.readings.push(user(Reading::exact("web.race_time", ms(*took))).over(*winner));
    }
    if outcome.readings.is_empty() {
        outcome.status = Status::Failed;
        outcome.reason = Some("no page was fetched".to_owned());
    }
}

/// For people.
fn name_of(family: Family) -> &'static str {
    match family {
        Family::Ipv4 => "IPv4",
        Family::Ipv6 => "IPv6",
    }
}

fn word(family: Family) -> &'static str {
    match family {
        Family::Ipv4 => "ipv4",
        Family::Ipv6 => "ipv6",
    }
}

/// What the known answer says of who is in the way.
fn known(outcome: &mut Outcome, one: &Seen) {
    let family = one.family;
    let key = format!("plain_http_{}", word(family));
    let over = name_of(family);
    let finding = match &one.known {
        Some(Ok(finding)) => finding,
        Some(Err(why)) => return outcome.fact(&key, json!({ "unanswered": why })),
        None => return,
    };
    let mut portal = false;
    let mut proxy = false;
    match finding {
        Finding::Untouched => outcome.fact(&key, "arrives as it was sent"),
        Finding::NoAnswer => outcome.fact(&key, json!({ "unanswered": "the connection was closed without an answer in HTTP" })),
        Finding::Portal { status, location } => {
            portal = true;
            let to = location.as_ref().map(|to| format!(" and sends browsers to {to}")).unwrap_or_default();
            let what =
                format!("over {over} somebody answers plain HTTP in the far end's place (status {status}){to}: a captive portal");
            outcome.flaw("web-captive-portal", what, None);
        }
        Finding::Proxy(marks) => {
            proxy = true;
            let what = format!("plain HTTP over {over} passes somebody who takes part in it: {}", marks.join("; "));
            outcome.flaw("web-transparent-proxy", what, None);
            outcome.fact(&key, json!({ "marks": marks }));
        }
        Finding::Altered => {
            proxy = true;
            let what = format!("plain HTTP over {over} arrives with another body than was sent: somebody changes it on the way");
            outcome.flaw("web-altered", what, None);
        }
    }
    if *finding != Finding::NoAnswer {
        let readings = [("web.captive_portal", portal), ("web.transparent_proxy", proxy)];
        outcome.readings.extend(readings.map(|(name, is)| Reading::exact(name, f64::from(u8::from(is))).over(family)));
    }
}
