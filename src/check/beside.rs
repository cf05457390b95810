//! A sparse two-way stream beside a load: what becomes of the round trip while the line is filled. It must not know what fills it.

use std::net::IpAddr;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::Context;
use super::twoway::{Form, StreamConfig, StreamPlan, StreamResult, run_stream, stream_config};
use crate::farend::client::{Session, StampOffer};
use crate::unit::Direction;

/// Pace of the twoway stream beside the load. What it takes is missing from the rate, so it is a quarter of a percent of what
/// was sold; more only below 4 Mbit/s, where 10 s of load must still give the 72 samples that a 95th percentile needs.
const PROBE_INTERVALS: (Duration, Duration) = (Duration::from_millis(10), Duration::from_millis(125));
const PROBE_SHARE: f64 = 0.0025;
/// Octets of its IP packets: an authenticated packet with two TLVs, not padded (RFC 8762 section 4.2, RFC 8972).
pub(super) const PROBE_OCTETS: f64 = 168.0;
/// A full queue drops a probe now and then, and the whole waiting time for it would stand on every visit's clock: once a
/// later one is answered, so long is waited for one that was overtaken. Reordering goes by milliseconds (common practice).
const OVERTAKEN: Duration = Duration::from_millis(250);
/// Packets behind the load's end that tell the reflector's count.
const CLOSING: u32 = 10;

/// The round trip while the line is filled. Without a reflector, or with one that can't be used, there is none.
pub(super) async fn round_trips(
    context: &Context,
    session: &Session,
    direction: Direction,
    over: CancellationToken,
) -> Option<StreamResult> {
    let offer = session.stamp.as_ref()?;
    let plan = StreamPlan {
        device: Some(context.interface.name.clone()),
        dscp: context.effort.dscp,
        count: None,
        interval: probe_interval(context.effort.sold(direction)),
    };
    run_stream(beside_load(session.address, offer, plan), over, |_| {}).await.ok()
}

fn beside_load(address: IpAddr, offer: &StampOffer, plan: StreamPlan) -> StreamConfig {
    let mut config = stream_config(address, offer, Form::Offered, plan);
    // The direction of each loss matters less here than the technician's time.
    config.stream.closing = CLOSING;
    config.stream.overtaken = Some(OVERTAKEN);
    config.stream.payload_octets = 0;
    config
}

/// The pace at which the probes take their share of the sold rate.
fn probe_interval(sold_mbit: Option<f64>) -> Duration {
    let (least, most) = PROBE_INTERVALS;
    let at_share = |mbit: f64| Duration::from_secs_f64((PROBE_OCTETS * 8.0 / (mbit * 1e6 * PROBE_SHARE)).min(1.0));
    sold_mbit.map_or(least, |mbit| at_share(mbit).clamp(least, most))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::stamp::sender::Sender;
    use crate::wire::stamp::Key;
    use std::time::Instant;

    #[test]
    fn a_probe_has_the_octets_that_are_planned_for() {
        let offer = StampOffer { port: 862, ssid: 7, key: Some(Key::new(&[1; 32])) };
        let plan = StreamPlan { device: None, dscp: 0, count: None, interval: Duration::from_millis(10) };
        let sender = Sender::new(Instant::now(), beside_load([127, 0, 0, 1].into(), &offer, plan).stream);
        // 20 octets of IPv4 and 8 of UDP (RFC 791, RFC 768).
        assert_eq!(sender.payload_octets() as f64 + 28.0, PROBE_OCTETS);
    }

    #[test]
    fn the_probes_take_little_of_a_slow_line_and_are_dense_on_a_fast_one() {
        let share = |mbit: f64| PROBE_OCTETS * 8.0 / 1e6 / probe_interval(Some(mbit)).as_secs_f64() / mbit;
        for (mbit, most) in [(1.0, 0.011), (4.0, 0.003), (16.0, 0.0026), (100.0, 0.0015), (1000.0, 0.0002)] {
            assert!(share(mbit) <= most, "{mbit} Mbit/s: {}", share(mbit));
        }
        assert_eq!([None, Some(1000.0)].map(probe_interval), [Duration::from_millis(10); 2]);
        assert!(10.0 / probe_interval(Some(1.0)).as_secs_f64() >= 72.0);
    }
}
