//! `gateway` against a real UPnP daemon (miniupnpd) on a gateway that translates with nftables, against none, and against ones
//! that lead astray; and whose octets a load finds on the line.
//!
//! Needs root and the packages miniupnpd-nftables, nftables, tcpdump and tshark; fails loudly without. All traffic stays on
//! practice lines that the tests make.

#[path = "common/capture.rs"]
mod capture;
#[path = "gateway/hostile.rs"]
mod hostile;
#[path = "common/run.rs"]
mod run;
#[path = "gateway/scene.rs"]
mod scene;
#[path = "common/server.rs"]
mod server;

use std::collections::BTreeSet;

use doorstep::practice::{Fault, LineConfig, Services};
use serde_json::Value;

use capture::Capture;
use hostile::Hostile;
use scene::{Scene, daemon, facts, flaws, readings, value};

/// The actions of the standard's reading kind that the program may send: spelled out here once more, against the wire.
const READING: [&str; 7] = [
    "GetCommonLinkProperties",
    "GetTotalBytesSent",
    "GetTotalBytesReceived",
    "GetStatusInfo",
    "GetExternalIPAddress",
    "GetConnectionTypeInfo",
    "GetLinkLayerMaxBitRates",
];

fn line(services: Services) -> LineConfig {
    LineConfig { services, ..LineConfig::sold_at_ip(100.0, 40.0).expect("rates") }
}

#[test]
fn a_real_daemon_is_read_and_only_read_as_the_wire_shows() {
    let scene = Scene::new(line(Services { igd: false, ..Services::default() }));
    let daemon = daemon(&scene);
    let capture = Capture::start(scene.gateway(), "lan", "tcp port 5555 or udp port 1900");
    let record = scene.check("gateway");
    let rows = capture.end(["ip.src", "udp.payload", "tcp.payload"]);
    drop(daemon);

    assert_eq!(facts(&record, "gateway")["upnp"], "the gateway answers", "{:#}", facts(&record, "gateway"));
    assert_eq!(facts(&record, "gateway")["connection"]["state"], "Connected", "{:#}", facts(&record, "gateway"));
    assert_eq!(facts(&record, "gateway")["connection_type"], "IP_Routed");
    assert_eq!(readings(&record, "gateway.uptime").len(), 1, "{record:#}");
    assert_eq!(readings(&record, "gateway.other_traffic").len(), 2, "{record:#}");
    assert!(readings(&record, "gateway.other_traffic").iter().all(|r| value(r) < 0.5), "nobody else is there");
    assert!(flaws(&record, "gateway").is_empty(), "{:#?}", flaws(&record, "gateway"));

    let octets = |hex: &str| -> Vec<u8> {
        let hex: String = hex.chars().filter(char::is_ascii_hexdigit).collect();
        (0..hex.len() / 2).map(|at| u8::from_str_radix(&hex[2 * at..2 * at + 2], 16).expect("hex")).collect()
    };
    // The daemon announces itself over IPv6 too, which has no such source.
    let ours = rows.iter().filter(|row| !["192.0.2.1", ""].contains(&row[0].as_str()));
    let (mut actions, mut others) = (BTreeSet::new(), Vec::new());
    for [_, udp, tcp] in ours {
        let text = String::from_utf8_lossy(&octets(if udp.is_empty() { tcp } else { udp })).into_owned();
        match text.lines().next().unwrap_or_default() {
            "" => {}
            first if first.starts_with("M-SEARCH * ") || first.starts_with("GET /") => {}
            first if first.starts_with("POST /") => {
                let field = text.lines().find(|line| line.to_lowercase().starts_with("soapaction:")).expect("an action");
                actions.insert(field.trim_end_matches(['"', '\r']).rsplit_once('#').expect("a name").1.to_owned());
            }
            // A body in a segment of its own.
            first if first.starts_with("<?xml") => {}
            first => others.push(first.to_owned()),
        }
    }
    assert!(others.is_empty(), "{others:?}");
    assert!(actions.len() >= 5 && actions.iter().all(|name| READING.contains(&name.as_str())), "{actions:?}");
}

#[test]
fn a_daemons_counters_agree_with_what_a_load_moved() {
    let scene = Scene::new(line(Services { igd: false, ..Services::default() }));
    let daemon = daemon(&scene);
    let record = scene.verify();
    drop(daemon);
    let shares = readings(&record, "throughput.cross_traffic_ratio");
    assert_eq!(shares.len(), 2, "{:#}", facts(&record, "throughput"));
    assert!(shares.iter().all(|share| value(share) < 0.03), "nobody else is there: {shares:#?}");
    assert_eq!(record["verdict"], "pass", "{:#}", record["judgements"]);
}

#[test]
fn others_on_the_line_leave_the_rate_not_proven_with_the_reason_named() {
    let mut config = line(Services { igd: false, ..Services::default() });
    Fault::CrossTraffic.apply(&mut config);
    let scene = Scene::new(config);
    let daemon = daemon(&scene);
    let record = scene.verify();
    drop(daemon);
    assert_eq!(record["verdict"], "not-proven", "{:#}", record["judgements"]);
    let rate = |j: &&Value| j["reading"] == "throughput.tcp_payload_rate";
    let judged: Vec<&Value> = record["judgements"].as_array().expect("judged").iter().filter(rate).collect();
    assert!(judged.len() >= 2, "{judged:#?}");
    for judgement in judged {
        assert_eq!(judgement["verdict"], "not-proven", "{judgement:#}");
        let because = judgement["because"].as_str().expect("words");
        assert!(because.contains("other traffic on the line") && because.contains("were not the agent's"), "{because}");
        assert!(judgement["remedy"].as_str().is_some_and(|text| text.contains("while nothing else uses the line")));
    }
    for share in readings(&record, "throughput.cross_traffic_ratio") {
        assert!((0.2..0.4).contains(&value(share)), "30 % of the line were others': {share:#}");
    }
    for idle in readings(&record, "gateway.other_traffic") {
        let expected = if idle["direction"] == "down" { 30.0 } else { 12.0 } * 1514.0 / 1500.0;
        assert!((value(idle) / expected - 1.0).abs() < 0.1, "{expected} Mbit/s were others': {idle:#}");
    }
    let isolation = &record["isolation"];
    assert_eq!((&isolation["fault"], &isolation["segment"]), (&"other-traffic".into(), &"home".into()), "{isolation:#}");
}

#[test]
fn a_gateway_that_does_not_answer_is_normal_and_the_noise_is_counted_all_the_same() {
    let scene = Scene::new(line(Services { igd: false, ..Services::default() }));
    let noise = scene.shout(100);
    let record = scene.check("gateway");
    drop(noise);
    assert_eq!(facts(&record, "gateway")["upnp"], "the gateway does not answer, as is common");
    assert!(flaws(&record, "gateway").is_empty());
    assert!(readings(&record, "gateway.uptime").is_empty() && readings(&record, "gateway.other_traffic").is_empty());
    let rate = value(readings(&record, "gateway.group_frame_rate")[0]);
    assert!((80.0..125.0).contains(&rate), "100 frames a second to all: {rate}");
}

#[test]
fn a_visit_beside_a_silent_gateway_says_nothing_of_others_either_way() {
    let mut config = line(Services { igd: false, ..Services::default() });
    Fault::CrossTraffic.apply(&mut config);
    let record = Scene::new(config).verify();
    assert!(readings(&record, "throughput.cross_traffic_ratio").is_empty());
    let rate = |j: &&Value| j["reading"] == "throughput.tcp_payload_rate";
    let rates: Vec<&Value> = record["judgements"].as_array().expect("judged").iter().filter(rate).collect();
    // A busy machine may leave them unproven as well, but not for other traffic.
    assert!(rates.iter().all(|j| j["verdict"] != "pass"), "what nobody can tell does not excuse a line: {rates:#?}");
    let words = serde_json::to_string(&rates).expect("JSON");
    assert!(
        !words.contains("other traffic") && record["isolation"]["fault"] != "other-traffic",
        "{words} {:#}",
        record["isolation"]
    );
}

#[test]
fn a_gateway_that_leads_to_another_host_is_told_and_not_followed() {
    let scene = Scene::new(line(Services { igd: false, ..Services::default() }));
    for hostile in [Hostile::LeadsElsewhere, Hostile::BaseElsewhere, Hostile::ControlElsewhere, Hostile::Redirects] {
        let running = hostile.start(&scene);
        let record = scene.check("gateway");
        let asked_elsewhere = running.asked_elsewhere();
        let codes: Vec<&str> = flaws(&record, "gateway").iter().filter_map(|flaw| flaw["code"].as_str()).collect();
        let wanted = match hostile {
            Hostile::LeadsElsewhere | Hostile::ControlElsewhere => "gateway-description-elsewhere",
            _ => "gateway-word-unreadable",
        };
        assert!(codes.contains(&wanted), "{hostile:?}: {codes:?} {:#}", facts(&record, "gateway"));
        assert_eq!(asked_elsewhere, 0, "{hostile:?}");
    }
}

#[test]
fn a_gateway_that_answers_without_end_or_never_is_given_up() {
    let scene = Scene::new(line(Services { igd: false, ..Services::default() }));
    for (hostile, word) in [(Hostile::Endless, "length limit"), (Hostile::Silent, "no answer within"), (Hostile::Garbage, "XML")]
    {
        let running = hostile.start(&scene);
        let record = scene.check("gateway");
        drop(running);
        let told = flaws(&record, "gateway");
        let what = told.iter().filter_map(|flaw| flaw["what"].as_str()).collect::<Vec<_>>().join("; ");
        assert!(what.contains(word), "{hostile:?}: {what}");
    }
}
