//! The far end's own probes back to the agent: the routers' routing is the truth; who may ask for them, and how often.

use std::net::{IpAddr, SocketAddr};

use doorstep::check::path::PathInDepth;
use doorstep::farend::api::{WayBackGrant, WayBackReport};
use doorstep::farend::client::{ClientError, Session};
use doorstep::farend::way_back;
use doorstep::net::stamped::StampedSocket;
use doorstep::practice::topology::LAPTOP_PORT;
use doorstep::reading::Outcome;
use doorstep::unit::Depth;
use doorstep::wire::train::Secret;
use serde_json::Value;

use crate::net::{Net, value};

/// Hop, who answered, answers and probes.
type Told = (u64, Vec<String>, u64, u64);

fn told(outcome: &Outcome, family: &str) -> Vec<Told> {
    let number = |value: &Value| value.as_u64().expect("a number");
    let one = |hop: &Value| {
        assert!(hop["ms"].as_f64().is_some_and(|ms| ms > 0.0 && ms < 1000.0), "{hop:#}");
        let addresses = hop["addresses"].as_array().expect("a list").iter();
        let addresses = addresses.map(|by| by["address"].as_str().expect("an address").to_owned()).collect();
        (number(&hop["hop"]), addresses, number(&hop["answers"]), number(&hop["of"]))
    };
    outcome.facts[family]["hops_backward"].as_array().expect("a list").iter().map(one).collect()
}

/// There by places 1 to 4, back by 5 and 1.
#[test]
fn a_way_back_that_is_two_hops_shorter_is_listed_and_told() {
    let net = Net::new(7, &[(0, 1), (1, 2), (2, 3), (3, 4), (1, 5), (5, 6), (4, 6)]);
    for (place, next) in [(0, 1), (1, 2), (2, 3), (3, 4), (4, 6), (5, 6)] {
        net.both(place, "default", &[(place, next)]);
    }
    for (place, back) in [(2, 1), (3, 2), (4, 3), (5, 1), (6, 5)] {
        net.back(place, back);
    }
    // What the far end says to the routers themselves is not at issue.
    net.both(6, "default", &[(6, 5)]);
    let far_end = net.serve();
    let (v4, v6) = net.end();
    for (to, family) in [(IpAddr::from(v4), "path_ipv4"), (v6.into(), "path_ipv6")] {
        let outcome = net.path_in_session(PathInDepth, net.context(Depth::Quick, to), &far_end, to);
        // A router may answer from the port toward whom it answers or from that where the packet came (RFC 4443 section 2.2).
        let at = |place: usize, ports: [usize; 2]| {
            ports.map(|other| net.cable(place, other)).map(|cable| match to {
                IpAddr::V4(_) => cable.v4(place).to_string(),
                IpAddr::V6(_) => cable.v6(place).to_string(),
            })
        };
        let (first, second) = (at(5, [6, 6]), at(1, [2, 5]));
        let path = &outcome.facts[family];
        let hops = told(&outcome, family);
        let by: Vec<Vec<String>> = hops.iter().map(|hop| hop.1.clone()).collect();
        assert_eq!(hops.iter().map(|hop| (hop.0, hop.2, hop.3)).collect::<Vec<_>>(), [(1, 3, 3), (2, 3, 3), (3, 3, 3)]);
        assert_eq!(by.iter().map(Vec::len).collect::<Vec<_>>(), [1, 1, 0], "{by:?}: {:#}", path["way_back"]);
        assert!(first.contains(&by[0][0]) && second.contains(&by[1][0]), "{by:?}");
        let hops = ["path.hops", "path.hops_back", "path.hops_backward"].map(|name| value(&outcome, name));
        assert_eq!(hops, [Some(5.0), Some(3.0), Some(3.0)]);
        let what = "the way back is not the way there: 3 hops from the far end to here, 5 hops from here to the far end";
        assert_eq!(path["way_back"]["what"], what);
        assert_eq!(path["hops_backward"][2]["is_here"], true);
        println!("{:#}", path["hops_backward"]);
    }
}

#[test]
fn probes_pass_a_nat_and_silent_routers_are_counted() {
    let net = Net::chain(4);
    net.nft(2, "table ip nat { chain out { type nat hook postrouting priority srcnat; oifname \"to3\" masquerade; } }");
    for place in 4..=5 {
        net.sh(place, &format!("ip route add 198.18.2.0/24 via {}", net.cable(place - 1, place).v4(place - 1)));
    }
    // Place 4 says nothing of what it does not carry on.
    net.nft(4, "table ip hush { chain out { type filter hook output priority 0; icmp type time-exceeded drop; } }");
    let far_end = net.serve();
    let to = IpAddr::from(net.end().0);
    let outcome = net.path_in_session(PathInDepth, net.context(Depth::Quick, to), &far_end, to);
    let path = &outcome.facts["path_ipv4"];
    let list = path["hops_backward"].as_array().unwrap_or_else(|| panic!("{:#}", path["way_back"]));
    let answers: Vec<_> = list.iter().map(|hop| (hop["answers"].as_u64(), hop["of"].as_u64())).collect();
    assert_eq!(answers, [0, 3, 3, 3, 3].map(|answers| (Some(answers), Some(3))), "{list:#?}");
    let outside = net.cable(2, 3).v4(2).to_string();
    let by = |hop: usize| list[hop - 1]["addresses"][0]["address"].as_str();
    assert_eq!((by(2), by(3)), (Some(&*net.cable(3, 4).v4(3).to_string()), Some(&*outside)));
    // The kernel translates the sender of an error from inside as well.
    assert_eq!(by(4), Some(&*outside), "{list:#?}");
    assert_eq!(["path.hops", "path.hops_backward"].map(|name| value(&outcome, name)), [Some(5.0), Some(5.0)]);
    assert_eq!(path["way_back"]["what"], "5 hops from the far end to here, 5 there");
}

/// What an agent does with a grant, from an address of its own.
async fn open_at(from: IpAddr, to: IpAddr, grant: &WayBackGrant) -> (StampedSocket, SocketAddr, Secret, bool) {
    let secret = Secret::new(&grant.secret.octets().expect("digits")).expect("32 octets");
    let socket = StampedSocket::udp(SocketAddr::new(from, 0), None).expect("a socket");
    let to = SocketAddr::new(to, grant.port);
    let opened = way_back::open(&socket, to, &secret).await.expect("sent");
    (socket, to, secret, opened)
}

#[test]
fn an_opening_from_another_address_is_left_alone_and_an_ended_session_is_refused() {
    let net = Net::chain(3);
    let far_end = net.serve();
    let to = IpAddr::from(net.end().0);
    net.settle(to);
    net.nft(4, "table ip count { chain out { type filter hook output priority 0; meta l4proto udp counter; } }");
    let (laptop, other) =
        (net.site(0).namespace().runtime(1).expect("runtime"), net.site(1).namespace().runtime(1).expect("runtime"));
    let target = far_end.target.clone();
    let opened = laptop.spawn(async move { Session::open(&target, to, LAPTOP_PORT).await });
    let session = laptop.block_on(opened).expect("no panic").expect("the far end is there");
    let grant = laptop.block_on(session.admit_way_back()).expect("admitted");
    // The right secret, shown by the router next door.
    let from = net.cable(1, 2).v4(1).into();
    let shown = other.spawn(async move { open_at(from, to, &grant).await.3 });
    assert!(!other.block_on(shown).expect("no panic"), "a foreign opening was answered");
    let report = laptop.block_on(session.finish_way_back()).expect("a report");
    assert_eq!(report, WayBackReport::default());
    let counted = net.site(4).namespace().command("nft").args(["list", "table", "ip", "count"]).output().expect("nft");
    let counted = String::from_utf8_lossy(&counted.stdout).into_owned();
    assert!(counted.contains("packets 0 "), "something was sent: {counted}");
    assert!(matches!(laptop.block_on(session.finish_way_back()), Err(ClientError::Ended(_))), "a report is given once");
    laptop.block_on(session.close()).expect("closed");
    let after = laptop.block_on(session.admit_way_back());
    assert!(matches!(after, Err(ClientError::Ended(_))), "{after:?}");
}

#[test]
fn one_at_a_time_and_six_a_minute() {
    let net = Net::chain(1);
    let far_end = net.serve();
    let (from, to) = (IpAddr::from(net.cables[0].v6(0)), IpAddr::from(net.end().1));
    net.settle(to);
    let runtime = net.site(0).namespace().runtime(1).expect("runtime");
    let target = far_end.target.clone();
    let run = runtime.spawn(async move {
        let session = Session::open(&target, to, LAPTOP_PORT).await.expect("the far end is there");
        for _ in 0..6 {
            let grant = session.admit_way_back().await.expect("admitted");
            let refused = session.admit_way_back().await.expect_err("another is under way");
            assert!(matches!(refused, ClientError::Busy { retry_after_s: None, .. }), "{refused}");
            let (socket, at, secret, opened) = open_at(from, to, &grant).await;
            assert!(opened);
            let report = tokio::select! {
                report = session.finish_way_back() => report.expect("a report"),
                answered = way_back::answer(&socket, at, secret.name()) => panic!("{answered:?}: more than 90 probes"),
            };
            assert_eq!((report.opened, report.length), (true, Some(2)), "{report:?}");
        }
        let refused = session.admit_way_back().await.expect_err("six within a minute");
        assert!(matches!(refused, ClientError::Busy { retry_after_s: Some(1..=61), .. }), "{refused}");
    });
    runtime.block_on(run).expect("as it should be");
}
