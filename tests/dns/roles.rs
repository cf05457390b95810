//! The line's own name servers: truthful, silent, failing and lying.

use doorstep::practice::topology::{FAR_END_V4, LAPTOP_PORT, RESOLVERS_V4};
use doorstep::practice::{DnsService, Impairment, Impairments, LineConfig, Node, Services};
use doorstep::reading::{Status, Target};
use std::time::Duration;

use crate::capture::Capture;
use crate::lab::{bare, build};
use crate::outcome::codes;
use crate::support::{examine, line, of};

#[test]
fn two_truthful_resolvers_are_each_found_fast_whole_and_true() {
    let outcome = examine(&line(Some(DnsService::Truthful)), 2);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    for resolver in [1, 2] {
        assert_eq!(of(&outcome, "dns.failure_ratio", resolver).value, 0.0);
        assert_eq!(of(&outcome, "dns.false_answers", resolver).value, 0.0);
        let facts = &outcome.facts[&format!("resolver_{resolver}")];
        // 100 addresses of 16 octets do not fit the 1232 octets that are offered (RFC 6891 section 6.2.5).
        assert_eq!(facts["truncated_then_whole_over_tcp"], true, "{facts:#}");
        assert_eq!(facts["over_tcp_failed"], 0);
    }
}

/// Milliseconds from each query to its answer as the capture has it, by resolver and in order of sending.
fn captured(rows: &[[String; 6]], resolver: &str) -> Vec<(String, f64)> {
    let queries = rows.iter().filter(|row| row[2] == "0" && row[4] == resolver);
    let answered = |query: &[String; 6]| {
        let answer = rows.iter().find(|row| row[2] == "1" && row[1] == query[1] && row[3] == resolver)?;
        Some((answer[0].parse::<f64>().ok()? - query[0].parse::<f64>().ok()?) * 1e3)
    };
    queries.filter_map(|query| Some((query[5].clone(), answered(query)?))).collect()
}

#[test]
fn lookup_times_are_those_of_the_capture() {
    let delay = Impairment { delay: Duration::from_millis(10), ..Impairment::default() };
    let services = Services { dhcp: false, dns: Some(DnsService::Truthful), far_end: true, ..Services::NONE };
    let line = build(LineConfig { network: Impairments::both(delay), services, ..bare() });
    let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "udp port 53");
    let outcome = examine(&line, 2);
    let rows = capture.end(["frame.time_epoch", "dns.id", "dns.flags.response", "ip.src", "ip.dst", "dns.qry.name"]);
    for (number, address) in (1..).zip(RESOLVERS_V4) {
        // The last is the large answer, which is not timed.
        let times: Vec<f64> = captured(&rows, &address.to_string())
            .into_iter()
            .filter(|(name, _)| !name.contains(".big."))
            .map(|(_, t)| t)
            .collect();
        let series = outcome.series.iter().find(|s| s.target == Some(Target::Resolver(number))).expect("a series");
        assert_eq!(times.len(), series.values.len(), "every lookup is in the capture");
        for (at, (seen, told)) in times.iter().zip(&series.values).enumerate() {
            let told = told.expect("answered");
            // Both are stamped by the kernel in the same namespace, the one in the protocol stack, the other where packets
            // are captured: what lies between is the kernel's own work, some tens of microseconds, more when it is preempted.
            assert!((seen - told).abs() < 1.0, "lookup {at} of resolver {number}: capture {seen} ms, check {told} ms");
        }
        let mut apart: Vec<f64> =
            times.iter().zip(&series.values).map(|(seen, told)| (seen - told.unwrap_or(f64::NAN)).abs()).collect();
        apart.sort_by(f64::total_cmp);
        assert!(apart[apart.len() / 2] < 0.1, "half of the lookups agree within 0.1 ms: {apart:?}");
        // What was set: 10 ms each way between laptop and resolver. A cached lookup takes that and no more than the servers' own time.
        let cached = of(&outcome, "dns.cached_time_p50", number).value;
        assert!((20.0..25.0).contains(&cached), "{cached} ms for 20 ms set");
        assert!(of(&outcome, "dns.lookup_time_p50", number).value > cached, "an uncached lookup asks the authority as well");
    }
}

#[test]
fn a_dead_second_resolver_is_told_beside_the_first_that_works() {
    let outcome = examine(&line(Some(DnsService::SecondSilent)), 2);
    assert_eq!(outcome.status, Status::Done, "one works: {outcome:#?}");
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 0.0);
    assert_eq!(of(&outcome, "dns.failure_ratio", 2).value, 1.0);
    assert!(!codes(&outcome).is_empty(), "{outcome:#?}");
}

#[test]
fn resolvers_that_are_silent_or_fail_leave_no_usable_answer() {
    for (manner, fact) in [(DnsService::Silent, "silent"), (DnsService::Failing, "servfail")] {
        let outcome = examine(&line(Some(manner)), 2);
        assert_eq!(outcome.status, Status::Failed, "{outcome:#?}");
        for resolver in [1, 2] {
            assert_eq!(of(&outcome, "dns.failure_ratio", resolver).value, 1.0);
            let facts = &outcome.facts[&format!("resolver_{resolver}")];
            assert_eq!(facts[fact], facts["asked"], "{facts:#}");
        }
    }
}

#[test]
fn a_resolver_that_gives_missing_names_an_address_is_caught_with_an_example() {
    let outcome = examine(&line(Some(DnsService::Lying)), 2);
    // Quick depth asks 8 names that must not exist, over UDP; each is a lie here.
    assert_eq!(of(&outcome, "dns.false_answers", 1).value, 8.0, "{outcome:#?}");
    assert_eq!(codes(&outcome), ["dns-false-answer"; 2]);
    let flaw = &outcome.flaws[0];
    assert!(flaw.what.contains("192.0.2.80"), "{flaw:?}");
}

/// RFC 6891 section 6.2.3: an answer is no larger than the asker takes, and less than 512 counts as 512. By the library's reader.
#[test]
fn the_far_ends_zone_sends_over_udp_no_more_than_its_asker_takes() {
    use doorstep::wire::dns::closer::{self, Kind, Question};
    let line = line(None);
    let ask = |offered: u16, octets: u16| {
        let name = format!("s{offered}.t{octets}.probe.example.net.");
        let query = closer::query(7, &Question { edns_octets: offered, ..Question::new(name, Kind::Txt) }).expect("a query");
        line.namespace(Node::Laptop).run(move || {
            let socket = std::net::UdpSocket::bind("0.0.0.0:0").expect("bind");
            socket.set_read_timeout(Some(Duration::from_secs(10))).expect("timeout");
            socket.send_to(&query, (FAR_END_V4, 53)).expect("send");
            let mut buffer = [0; 4096];
            let len = socket.recv(&mut buffer).expect("an answer");
            (len, closer::parse(&buffer[..len]).expect("readable").reply.is_truncated)
        })
    };
    for (offered, octets, limit, is_cut) in [
        (512, 1200, 512, true),
        (100, 1200, 512, true),
        (1000, 1200, 1000, true),
        (1232, 1200, 1232, false),
        (4096, 3000, 1232, true),
    ] {
        let (len, cut) = ask(offered, octets);
        assert!(len <= limit && cut == is_cut, "{octets} octets to one who takes {offered}: {len} came, cut: {cut}");
    }
}
