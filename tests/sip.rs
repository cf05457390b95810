//! `sip` against a general registrar (kamailio) in the provider's network: DNS, OPTIONS over UDP, TCP and TLS, a registration that is removed again,
//! a wrong password that is sent once; and gateways that rewrite SIP, told by the far end. What goes over the line is read by tshark.
//!
//! Needs root and the packages kamailio, kamailio-tls-modules, tcpdump, tshark and nftables; fails loudly without. All traffic stays in namespaces.

#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;

use std::net::IpAddr;
use std::sync::Arc;

use doorstep::check::sip::{SipCheck, Wanted};
use doorstep::check::{Check, Known};
use doorstep::practice::topology::RESOLVERS_V4;
use doorstep::practice::{DnsService, LineConfig, Node, PracticeLine, Services, SipService, sip_account};
use doorstep::proto::sip::account::Account;
use doorstep::proto::sip::service::{Domain, Service};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use doorstep::wire::sip::Transport;

use capture::Capture;
use lab::{build, context, on_laptop};
use outcome::{codes, reading, readings};
use server::Server;

/// Name servers, a far end, and no registrar of our own.
fn services() -> Services {
    Services { dns: Some(DnsService::Truthful), far_end: true, ..Services::NONE }
}

fn line(services: Services) -> PracticeLine {
    build(LineConfig { services, ..LineConfig::default() })
}

/// The registrar, where the line's DNS says that it is; its certificate is made here and trusted by nobody else.
struct Registrar {
    _server: Server,
    _folder: tempfile::TempDir,
    authority: String,
}

fn registrar(line: &PracticeLine, algorithm: &str) -> Registrar {
    let folder = tempfile::tempdir().expect("a folder");
    let key = rcgen::KeyPair::generate().expect("a key");
    let names = vec!["voice.example.net".to_owned()];
    let authority = rcgen::CertificateParams::new(names).expect("a name").self_signed(&key).expect("signed").pem();
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("server.pem"), &authority).expect("written");
    std::fs::write(path("server.key"), key.serialize_pem()).expect("written");
    let config = include_str!("sip/kamailio.cfg")
        .replace("ADDRESS", &RESOLVERS_V4[0].to_string())
        .replace("FOLDER", folder.path().to_str().expect("plain"))
        .replace("ALGORITHM", algorithm);
    std::fs::write(path("kamailio.cfg"), config).expect("written");
    // It has processes of its own, which its end alone would leave behind: in a place of their own they end with the first.
    let mut command = line.namespace(Node::Resolvers).command("unshare");
    command
        .args(["--fork", "--pid", "--kill-child", "--", "kamailio", "-DD", "-E", "-m", "32", "-M", "4", "-Y"])
        .arg(folder.path())
        .arg("-f")
        .arg(path("kamailio.cfg"));
    let server = Server::spawn(command);
    server::wait_for("the registrar", || {
        let shown = line.namespace(Node::Resolvers).command("ss").args(["-Hlnt", "sport = :5061"]).output().expect("ss");
        (!shown.stdout.is_empty()).then_some(())
    });
    Registrar { _server: server, _folder: folder, authority }
}

fn service(domain: &str, transports: &[Transport], authorities: Option<&str>) -> Service {
    Service {
        domain: Domain::parse(domain).expect(domain),
        transports: transports.to_vec(),
        needs_account: false,
        authorities: authorities.map(str::to_owned),
    }
}

fn examine(line: &PracticeLine, service: Option<Service>, account: Option<Account>, with_far_end: bool) -> Outcome {
    let mut context = context(line, Known::default(), Depth::Handoff);
    context.known = Arc::new(Known { resolvers: RESOLVERS_V4.map(IpAddr::V4).to_vec(), ..(*context.known).clone() });
    context.sip = Wanted { service, account };
    context.far_end = with_far_end.then(|| line.far_end_target());
    on_laptop(line, move || async move { SipCheck.run(context).await.outcome })
}

fn account(password: &str) -> Option<Account> {
    Account::new("line1", None, password)
}

const BOTH: [Transport; 2] = [Transport::Udp, Transport::Tcp];

#[test]
fn a_registrar_answers_takes_the_account_and_nothing_of_it_stays() {
    for algorithm in ["MD5", "SHA-256"] {
        let line = line(services());
        let _registrar = registrar(&line, algorithm);
        let seen = Capture::start(line.namespace(Node::Resolvers), "net0", "port 5060");
        let outcome = examine(&line, Some(service("voice.example.net", &BOTH, None)), account("hush"), false);
        assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
        assert_eq!((&outcome.facts["naptr"], &outcome.facts["srv"]), (&true.into(), &true.into()));
        for name in ["sip.lookup_time", "sip.options_udp_time", "sip.options_tcp_time", "sip.register_time"] {
            assert!(reading(&outcome, name).value > 0.0, "{name}");
        }
        for (name, value) in [
            ("answered", 1.0),
            ("transports_failed", 0.0),
            ("registered", 1.0),
            ("other_bindings", 0.0),
            ("expiry_granted", 120.0),
        ] {
            assert_eq!(reading(&outcome, &format!("sip.{name}")).value, value, "{name}");
        }
        let registration = &outcome.facts["registration"];
        assert_eq!(
            (&registration["challenged_by"], &registration["is_removed"]),
            (&algorithm.into(), &true.into()),
            "{registration:#}"
        );
        // The gateway's outer address: the registrar sees the translation.
        assert!(registration["seen_as"].as_str().is_some_and(|at| at.starts_with("198.51.100.2:")), "{registration:#}");
        assert!(outcome.facts["options"][0]["server"].as_str().is_some_and(|server| server.contains("kamailio")));
        assert!(!format!("{outcome:?}").contains("line1") && !format!("{outcome:?}").contains("hush"), "no account in a record");
        // The look, the challenge's answer, the binding, its removal; tshark finds every message well-formed.
        let packets = seen.end(["sip.Method", "sip.Status-Code", "sip.Expires", "sip.auth.digest.response", "_ws.malformed"]);
        assert!(packets.iter().all(|[.., malformed]| malformed.is_empty()), "{packets:?}");
        let asked: Vec<&str> = packets.iter().map(|[method, ..]| method.as_str()).filter(|method| !method.is_empty()).collect();
        assert_eq!(asked.iter().filter(|method| **method == "OPTIONS").count(), 2, "{asked:?}");
        assert!(asked.iter().all(|method| ["OPTIONS", "REGISTER"].contains(method)), "{asked:?}");
        let registers: Vec<_> = packets.iter().filter(|[method, ..]| method == "REGISTER").collect();
        assert_eq!(registers.iter().filter(|[_, _, _, response, _]| !response.is_empty()).count(), 3, "{packets:?}");
        let times: Vec<&str> = registers.iter().map(|[_, _, expires, ..]| expires.as_str()).collect();
        assert_eq!(times, ["", "", "60", "0"], "{packets:?}");
        assert_eq!(packets.iter().filter(|[_, status, ..]| status == "401").count(), 1, "{packets:?}");
    }
}

#[test]
fn a_wrong_password_is_sent_once() {
    let line = line(services());
    let _registrar = registrar(&line, "SHA-256");
    let seen = Capture::start(line.namespace(Node::Resolvers), "net0", "port 5060");
    let outcome = examine(&line, Some(service("voice.example.net", &BOTH, None)), account("wrong"), false);
    assert_eq!(codes(&outcome), ["sip-account-refused"], "{outcome:#?}");
    assert_eq!((reading(&outcome, "sip.registered").value, reading(&outcome, "sip.answered").value), (0.0, 1.0));
    let packets = seen.end(["sip.auth.digest.response"]);
    assert_eq!(packets.iter().filter(|[response]| !response.is_empty()).count(), 1, "{packets:?}");
}

#[test]
fn over_tls_the_certificate_is_the_domain_s_and_of_a_trusted_authority() {
    let line = line(services());
    let registrar = registrar(&line, "MD5");
    let tls = |authority: Option<&str>| service("voice.example.net:5061", &[Transport::Tls], authority);
    let outcome = examine(&line, Some(tls(Some(&registrar.authority))), account("hush"), false);
    assert_eq!(codes(&outcome), Vec::<&str>::new(), "{outcome:#?}");
    for name in ["certificate_valid", "registered", "answered"] {
        assert_eq!(reading(&outcome, &format!("sip.{name}")).value, 1.0, "{name}");
    }
    assert!(reading(&outcome, "sip.options_tls_time").value > 0.0 && outcome.facts["naptr"].is_null());
    // Another authority: nothing is asked over such a connection, and no account sent.
    let other = rcgen::generate_simple_self_signed(vec!["voice.example.net".to_owned()]).expect("another").cert.pem();
    let outcome = examine(&line, Some(tls(Some(&other))), account("hush"), false);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Failed, vec!["sip-silent", "sip-certificate"]), "{outcome:#?}");
    assert_eq!(reading(&outcome, "sip.certificate_valid").value, 0.0);
    assert!(readings(&outcome, "sip.registered").is_empty());
    // TLS is not in the domain's NAPTR: told as such, while the others answer.
    let all = [Transport::Udp, Transport::Tcp, Transport::Tls];
    let outcome = examine(&line, Some(service("voice.example.net", &all, None)), None, false);
    assert_eq!(codes(&outcome), ["sip-transport-failed"], "{outcome:#?}");
    assert!(outcome.flaws[0].what.contains("DNS names no server"), "{outcome:#?}");
}

#[test]
fn a_service_that_is_nowhere_or_refuses_is_told_at_once() {
    let line = line(services());
    let outcome = examine(&line, Some(service("nowhere.example.net", &BOTH, None)), account("hush"), false);
    assert_eq!(
        (outcome.status, codes(&outcome)),
        (Status::Failed, vec!["sip-no-server", "sip-silent", "sip-silent"]),
        "{outcome:#?}"
    );
    // Nothing listens: over either transport the host says so.
    let outcome = examine(&line, Some(service("203.0.113.53:5099", &BOTH, None)), None, false);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Failed, vec!["sip-silent"; 2]), "{outcome:#?}");
    assert!(outcome.flaws.iter().all(|flaw| flaw.what.contains("nothing listens")), "{outcome:#?}");
}

#[test]
fn the_far_end_tells_what_a_gateway_rewrites_and_translation_alone_is_none() {
    let outcome = examine(&line(services()), None, None, true);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!(reading(&outcome, "sip.rewritten").value, 0.0, "{outcome:#?}");
    for transport in ["udp", "tcp"] {
        assert_eq!(outcome.facts["rewriting"][transport], "arrives as it was sent", "{outcome:#?}");
    }
    let line = line(Services { rewrites_sip: true, sip: Some(SipService::Serving), ..services() });
    let outcome = examine(&line, Some(service("voice.example.net", &BOTH, None)), Some(sip_account()), true);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec!["sip-rewritten"]), "{outcome:#?}");
    assert_eq!(reading(&outcome, "sip.rewritten").value, 1.0);
    let marks = outcome.facts["rewriting"]["udp"]["marks"].to_string();
    assert!(marks.contains("arrives with 'Contact: <sip:doorstep-") && marks.contains("198.51.100.2"), "{marks}");
    assert_eq!(outcome.facts["rewriting"]["tcp"], "arrives as it was sent", "that gateway looks at UDP alone");
    // The customer's own device stays registered.
    assert_eq!(reading(&outcome, "sip.other_bindings").value, 1.0, "{outcome:#?}");
    assert_eq!(outcome.facts["registration"]["others_after"], 1, "{outcome:#?}");
}
