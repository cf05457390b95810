//! `pppoe` against a real concentrator, and against ones that refuse, keep silent, come in numbers or talk nonsense.
//!
//! Needs root and the packages pppoe, tcpdump and tshark; fails loudly without. All traffic stays on a cable between two
//! namespaces that the test makes.

#[path = "common/cable.rs"]
mod cable;
#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "pppoe/responder.rs"]
mod responder;
#[path = "common/run.rs"]
mod run;
#[path = "common/server.rs"]
mod server;

use doorstep::check::pppoe::PppoeCheck;
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use doorstep::wire::pppoe::{Code, tag};

use cable::{LAPTOP_MAC, Line};
use capture::Capture;
use outcome::{codes, reading, readings};
use responder::{Responder, offer};
use run::{PROGRAM, Run};
use server::Server;

fn examine(line: &Line) -> Outcome {
    line.check(&PppoeCheck::default(), Depth::Quick).outcome
}

fn concentrators(outcome: &Outcome) -> f64 {
    reading(outcome, "pppoe.concentrators").value
}

#[test]
fn a_real_concentrator_is_found_opened_and_closed_as_tshark_sees_it() {
    let line = Line::new();
    let mut command = line.server.namespace().command("pppoe-server");
    // In the foreground, with a name and a service of ours.
    command.args(["-F", "-I", "lan", "-C", "edge-1.example.net", "-S", "internet"]);
    let folder = tempfile::tempdir().expect("a folder");
    command.current_dir(folder.path());
    let server = Server::spawn(command);
    let capture = Capture::start(line.laptop.namespace(), "lan0", "ether proto 0x8863");
    // The server says nothing when it is ready: an unanswered first PADI is sent again.
    let outcome = examine(&line);
    let rows = capture.end(["frame.time_epoch", "pppoe.code", "pppoe.session_id", "eth.src", "_ws.malformed"]);
    drop(server);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    assert_eq!(concentrators(&outcome), 1.0, "{outcome:#?}");
    let offer = &outcome.facts["offers"][0];
    assert_eq!((&offer["names"][0], &offer["services"][0]), (&"edge-1.example.net".into(), &"internet".into()), "{offer:#}");
    assert_eq!(outcome.facts["session"]["ended"], "opened and closed", "{:#?}", outcome.facts);

    assert!(rows.iter().all(|row| row[4].is_empty()), "tshark finds every packet well formed: {rows:?}");
    let ours = LAPTOP_MAC.map(|octet| format!("{octet:02x}")).join(":");
    let code = |row: &[String; 5]| u8::from_str_radix(row[1].trim_start_matches("0x"), 16).expect("a code");
    let session = |row: &[String; 5]| u16::from_str_radix(row[2].trim_start_matches("0x"), 16).expect("a number");
    let at = |row: &[String; 5]| row[0].parse::<f64>().expect("a time");
    let first =
        |wanted: Code| rows.iter().find(|row| code(row) == wanted.number()).unwrap_or_else(|| panic!("{wanted:?}: {rows:?}"));
    let (confirmed, request) = (first(Code::Confirmation), first(Code::Request));
    assert_ne!(session(confirmed), 0);
    let closed = rows.iter().filter(|row| code(row) == Code::Terminate.number() && row[3] == ours);
    assert!(closed.clone().count() >= 1 && closed.clone().all(|row| session(row) == session(confirmed)), "{rows:?}");
    // Stamped in the protocol stack and at the capture, tens of microseconds apart, more when preempted.
    let told = reading(&outcome, "pppoe.session_time").value;
    let seen = (at(confirmed) - at(request)) * 1e3;
    assert!((told - seen).abs() < 0.5, "session: check {told} ms, capture {seen} ms");
    let offered = first(Code::Offer);
    let asked = rows.iter().rev().find(|row| code(row) == Code::Initiation.number() && at(row) < at(offered)).expect("asked");
    let (told, seen) = (reading(&outcome, "pppoe.offer_time").value, (at(offered) - at(asked)) * 1e3);
    assert!((told - seen).abs() < 0.5, "offer: check {told} ms, capture {seen} ms");
}

#[test]
fn nobody_there_is_a_finding_and_no_failure() {
    let line = Line::new();
    let outcome = examine(&line);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!((concentrators(&outcome), readings(&outcome, "pppoe.offer_time").len()), (0.0, 0));
    assert_eq!(outcome.facts["initiations_sent"], 2, "at 0 and 1 s");
}

#[test]
fn a_refusal_is_told_in_the_concentrators_words() {
    let line = Line::new();
    let _responder = Responder::start(&line, |asked| match asked.code {
        Code::Initiation => vec![offer(asked, 1, "edge-1")],
        Code::Request => vec![asked.answer(1, Code::Confirmation, 0, &[(tag::AC_SYSTEM_ERROR, b"no sessions left")])],
        _ => vec![],
    });
    let outcome = examine(&line);
    assert_eq!((concentrators(&outcome), codes(&outcome)), (1.0, vec!["pppoe-session-refused"]), "{outcome:#?}");
    let what = &outcome.flaws[0].what;
    assert!(what.contains("AC-System-Error: no sessions left") && what.contains("edge-1"), "{what}");
    assert!(readings(&outcome, "pppoe.session_time").is_empty());
}

#[test]
fn a_concentrator_that_offers_and_then_keeps_silent_is_told() {
    let line = Line::new();
    let _responder = Responder::start(&line, |asked| match asked.code {
        Code::Initiation => vec![offer(asked, 1, "edge-1")],
        _ => vec![],
    });
    let outcome = examine(&line);
    assert_eq!(codes(&outcome), ["pppoe-no-confirmation"], "{outcome:#?}");
    assert_eq!(outcome.facts["requests_sent"], 2, "asked again after a second");
}

#[test]
fn several_concentrators_are_counted_and_the_first_is_asked() {
    let line = Line::new();
    let _responder = Responder::start(&line, |asked| match asked.code {
        Code::Initiation => vec![offer(asked, 1, "edge-1"), offer(asked, 2, "edge-2")],
        Code::Request => vec![asked.answer(asked.to, Code::Confirmation, 40 + u16::from(asked.to), &[])],
        _ => vec![],
    });
    let outcome = examine(&line);
    assert_eq!((concentrators(&outcome), codes(&outcome)), (2.0, vec!["pppoe-several-concentrators"]), "{outcome:#?}");
    assert_eq!(outcome.facts["session"]["number"], 41, "the first one's session");
}

#[test]
fn nonsense_is_counted_and_an_odd_offer_is_named() {
    let line = Line::new();
    let _responder = Responder::start(&line, |asked| match asked.code {
        Code::Initiation => vec![
            asked.raw(1, &[0x11, 0x07, 0, 0, 0xff, 0xff]),
            asked.raw(1, &[0x21, 0x07, 0, 0, 0, 0]),
            asked.raw(1, &[]),
            // An offer of no name, no service and no Host-Uniq, with a tag beyond its end.
            asked.raw(3, &[0x11, 0x07, 0, 0, 0, 5, 1, 4, 0, 9, 1]),
        ],
        _ => vec![],
    });
    let outcome = examine(&line);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    assert!(codes(&outcome).contains(&"pppoe-offer-odd"), "{outcome:#?}");
    assert!(outcome.facts["packets_ignored"].as_u64().is_some_and(|n| n >= 3), "{:#?}", outcome.facts);
}

#[test]
fn a_visit_to_a_line_that_wants_a_login_says_so_instead_of_blaming_the_line() {
    let line = Line::new();
    let _responder = Responder::start(&line, |asked| match asked.code {
        Code::Initiation => vec![offer(asked, 1, "edge-1")],
        Code::Request => vec![asked.answer(1, Code::Confirmation, 7, &[])],
        _ => vec![],
    });
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = line.laptop.namespace().command(PROGRAM);
    command.args(["verify", "--profile", "vdsl-100-40", "--depth", "quick", "--position", "ont", "--yes", "--json", "--record"]);
    command.arg(folder.path().join("visit.json"));
    let ended = Run::start(&mut command).end();
    let isolation = &ended.record()["isolation"];
    assert_eq!((&isolation["fault"], &isolation["segment"]), (&"login-wanted".into(), &"test-set".into()), "{isolation:#}");
}
