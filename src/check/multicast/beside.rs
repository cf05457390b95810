//! Echoes to the gateway and the far end in the very seconds in which channels are received: whether what TV loses others lose too, and how far
//! from the port that happens.
//!
//! Sparse, so that they are no load. It must not judge.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use crate::check::Context;
use crate::check::echo::targets::{far_end_addresses, gateway, source};
use crate::check::echo::{FRAME, PAYLOAD};
use crate::check::probing::{Device, run_echo};
use crate::metric::loss_interval::clopper_pearson;
use crate::proto::echo::schedule::Pattern;
use crate::proto::echo::{EchoMachine, EchoSettings};
use crate::reading::{Reading, Target};
use crate::unit::Family;

/// Between two echoes to one target: 20 kbit/s each way *(ours)*.
const GAP: Duration = Duration::from_millis(50);
/// As the quick look of check `echo`: a later answer is as good as none to a viewer.
const WAIT: Duration = Duration::from_secs(1);
/// Gateway and far end, over both IP versions.
const TARGETS: u64 = 4;

/// Octets that they take in so long, both ways.
pub(super) fn octets(time: Duration) -> u64 {
    (time.as_millis() / GAP.as_millis()) as u64 * TARGETS * 2 * FRAME
}

/// Sends until `over`, for as long as `time` at most, and says what was lost; why not, where there was nobody to ask or no right to.
pub(super) async fn echoes(context: &Context, time: Duration, over: &CancellationToken) -> Result<Vec<Reading>, String> {
    let known = &context.known;
    let families: Vec<Family> =
        [Family::Ipv4, Family::Ipv6].into_iter().filter(|family| source(known, *family).is_some()).collect();
    let far_end = far_end_addresses(context).await;
    let mut aims: Vec<(Target, IpAddr)> = Vec::new();
    for family in &families {
        aims.extend(gateway(known, *family).map(|address| (Target::Gateway, address)));
        let far = far_end.iter().find(|address| Family::of(**address) == *family);
        aims.extend(far.map(|address| (Target::FarEnd, *address)));
    }
    if aims.is_empty() {
        return Err("there is neither a gateway nor a far end to send echoes to".to_owned());
    }
    let settings = EchoSettings {
        count: (time.as_millis() / GAP.as_millis()) as u64,
        interval: GAP,
        pattern: Pattern::default(),
        waiting_time: WAIT,
        payload_len: PAYLOAD,
        identifier: rand::random(),
        seed: rand::random(),
    };
    let addresses: Vec<IpAddr> = aims.iter().map(|(_, address)| *address).collect();
    let device = Device { name: context.interface.name.clone(), index: context.interface.index };
    let machine = EchoMachine::new(settings, &addresses, Instant::now());
    let (machine, _) = run_echo(machine, &families, &device, over, |_| {}, None)
        .await
        .map_err(|error| crate::check::echo::not_opened(&device.name, &error))?;
    let reports = aims.into_iter().zip(machine.into_reports());
    let reading = |((target, address), (lost, answered)): ((Target, IpAddr), (u64, u64))| {
        let sent = lost + answered;
        let interval = clopper_pearson(lost, sent, context.effort.confidence);
        let reading = Reading::new("multicast.beside_loss_ratio", lost as f64 / sent as f64, sent, interval);
        reading.on(target).over(Family::of(address))
    };
    let counted = reports.map(|(aim, report)| (aim, (report.lost(), report.answered())));
    Ok(counted.filter(|(_, (lost, answered))| lost + answered > 0).map(reading).collect())
}
