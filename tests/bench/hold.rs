//! A channel held longer than a membership lasts, at the standard's own times: 300 s at depth soak, behind a bridge whose
//! queries come, and behind one whose queries are swallowed on their way, so that it forgets who listens.
//!
//! `cargo bench --bench hold` (as root). About five minutes, both at once. All traffic stays in namespaces and ends by itself. The suite has the same
//! with a membership of one second (`tests/multicast.rs`).

#[path = "../common/context.rs"]
mod context;
#[path = "../multicast/scene.rs"]
#[allow(dead_code, reason = "the tests use more of it")]
mod scene;

use std::io::Write;
use std::time::Duration;

use doorstep::proto::membership::Terms;
use doorstep::reading::Outcome;
use doorstep::unit::Depth;

use scene::{Scene, channel};

const GROUP: &str = "233.252.0.1";
/// RFC 3376 section 8.4: 2 x 125 s + 10 s, in hundredths of a second, and what else the kernel has as default (ip-link(8)).
const TIMES: &str = "mcast_snooping 1 mcast_igmp_version 3 mcast_query_interval 12500 mcast_query_response_interval 1000 \
    mcast_membership_interval 26000";

/// Toward the home: a switch there that lets no query through.
const SWALLOW: &str =
    "table netdev lab {\n chain c {\n type filter hook egress device \"home\" priority 0;\n ip protocol igmp drop\n }\n}";

/// A bridge that asks each 125 s, and whether its queries reach the home.
fn held(are_heard: bool) -> Outcome {
    let mut scene = Scene::bridge(TIMES, true);
    // It floods until its first wait for answers is over.
    std::thread::sleep(Duration::from_secs(11));
    if !are_heard {
        let status = scene.middle.namespace().command("nft").arg(SWALLOW).status().expect("nftables is installed");
        assert!(status.success(), "a kernel with the egress hook");
    }
    scene.send(GROUP);
    scene.check(Terms { channels: vec![channel(GROUP)], at_once: 1, ..Terms::default() }, Depth::Soak)
}

fn main() {
    std::thread::scope(|scope| {
        let bridges = [("whose queries a switch swallows", false), ("whose queries come", true)];
        let running: Vec<_> = bridges.map(|(what, are_heard)| (what, scope.spawn(move || held(are_heard)))).into();
        for (what, one) in running {
            let outcome = one.join().expect("no panic");
            let figure = |name: &str| outcome.readings.iter().find(|r| r.name == name).map(|r| r.value);
            writeln!(
                std::io::stdout(),
                "a bridge {what}: arrives {:?}, stays {:?}, ends when left {:?}, continuity errors {:?}, flaws {:?}",
                figure("multicast.arrives"),
                figure("multicast.stays"),
                figure("multicast.stops_on_leave"),
                figure("multicast.stream_continuity_errors"),
                outcome.flaws.iter().map(|flaw| format!("{}: {}", flaw.code, flaw.what)).collect::<Vec<_>>()
            )
            .expect("stdout");
        }
    });
}
