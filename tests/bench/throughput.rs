//! What `throughput` makes of a bare cable, against plain send and receive loops over the same cable in the same run.
//!
//! `cargo bench --bench throughput` (as root). About two minutes. The two take turns, so that what else the machine does meets both;
//! the ratio is that of the medians. All traffic stays in two namespaces made here; every load ends by itself.

#[path = "loops.rs"]
mod loops;
#[path = "scene.rs"]
mod scene;

use std::sync::Arc;
use std::time::Duration;

use doorstep::check::throughput::Throughput;
use doorstep::check::{Check, Context, Effort, Interface, Known};
use doorstep::farend::client::{FarEndTarget, Session};
use doorstep::unit::{Depth, Direction, Position};
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;

use loops::bare;
use scene::{FAR, NEAR, PORT, cable, far_end, median, say};

/// Turns of each.
const TURNS: usize = 9;
/// Measured time of a turn, after a second of start-up.
const TIME: Duration = Duration::from_secs(2);
const START_UP: Duration = Duration::from_secs(1);

/// What the check reports for the way down.
fn by_check(runtime: &Runtime, index: u32, target: &FarEndTarget, streams: u16) -> f64 {
    let target = target.clone();
    let work = async move {
        let session = Arc::new(Session::open(&target, FAR.into(), PORT).await.expect("the far end is there"));
        let known = Known { ipv4: Some((NEAR, 24)), far_end: Some(Arc::clone(&session)), ..Known::default() };
        let context = Context {
            port: Interface { name: PORT.into(), index, mac: [2, 0, 0x5e, 0, 3, 1] },
            vlan: doorstep::wire::vlan::TagStack::NONE,
            access: doorstep::check::Access::Ethernet,
            dhcp4: Default::default(),
            pages: Default::default(),
            sip: Default::default(),
            tv: Default::default(),
            interface: Interface { name: PORT.into(), index, mac: [2, 0, 0x5e, 0, 3, 1] },
            known: Arc::new(known),
            effort: Effort {
                depth: Depth::Quick,
                sold_down_mbit: 40_000.0,
                sold_up_mbit: 40_000.0,
                streams,
                load_time: TIME,
                max_octets: None,
                confidence: 0.95,
                dscp: 0,
                capacity: Default::default(),
                classes: None,
                voice: Default::default(),
                sizes: doorstep::plan::Sizes::NONE,
            },
            position: Position::Gateway,
            far_end: Some(target),
            settling: None,
            cancel: CancellationToken::new(),
            live: Arc::new(|_| {}),
        };
        let outcome = Throughput.run(context).await.outcome;
        session.close().await.expect("the far end is there");
        outcome
    };
    let outcome = runtime.block_on(runtime.spawn(work)).expect("no panic");
    let rate = outcome.readings.iter().find(|r| r.name == "throughput.tcp_payload_rate" && r.direction == Some(Direction::Down));
    rate.unwrap_or_else(|| panic!("{outcome:#?}")).value
}

fn main() {
    let (places, index) = cable();
    let (there, here) = (places[1].runtime(1).expect("runtime"), places[0].runtime(1).expect("runtime"));
    let (_server, target) = far_end(&there, Some(862), None);

    for streams in [1, 4] {
        let (mut plain, mut checked) = (Vec::new(), Vec::new());
        for _ in 0..TURNS {
            plain.push(bare(&places[0], &places[1], FAR, START_UP, TIME, usize::from(streams)));
            checked.push(by_check(&here, index, &target, streams));
        }
        let (p, c) = (median(plain.clone()), median(checked.clone()));
        let list = |values: &[f64]| values.iter().map(|v| format!("{:.1}", v / 1e3)).collect::<Vec<_>>().join(", ");
        say(&format!("{streams} stream(s): bare loops {:.1} Gbit/s ({})", p / 1e3, list(&plain)));
        say(&format!("{streams} stream(s): throughput {:.1} Gbit/s ({}), ratio {:.3}", c / 1e3, list(&checked), c / p));
    }
}
