use super::*;
use crate::proto::channel_watch::ChannelWatch;
use crate::proto::tv_source::{Settings, TvSource};
use crate::reading::Limit;

fn report(seconds: u64, mut keep: impl FnMut(u64) -> bool) -> Report {
    let mut source = TvSource::new(Settings::default()).unwrap();
    let mut watch = ChannelWatch::new();
    let mut place = 0;
    while source.next_due().as_secs() < seconds {
        let at_ns = source.next_due().as_nanos() as i64;
        let mut datagram = Vec::new();
        source.datagram(&mut datagram);
        if keep(place) {
            watch.on_datagram(at_ns, &datagram);
        }
        place += 1;
    }
    watch.report(i64::MAX)
}

fn taken() -> Taken {
    Taken {
        target: Target::Class(0),
        name: "the channel".to_owned(),
        family: Family::Ipv4,
        stamped_by: StampSource::Kernel,
        confidence: 0.95,
        limits: Vec::new(),
    }
}

fn value(told: &Told, name: &str) -> f64 {
    told.readings.iter().find(|reading| reading.name == name).unwrap_or_else(|| panic!("{name}")).value
}

#[test]
fn every_name_of_the_stream_is_told_of_a_sound_channel_and_each_once() {
    let told = tell(&report(5, |_| true), &taken());
    let mut names: Vec<&str> = told.readings.iter().map(|reading| reading.name.as_str()).collect();
    names.sort_unstable();
    let mut all: Vec<&str> =
        crate::reading::names::ALL.iter().map(|spec| spec.name).filter(|name| name.starts_with("multicast.stream_")).collect();
    all.sort_unstable();
    assert_eq!(names, all);
    assert!(told.flaws.is_empty(), "{:?}", told.flaws);
    // 4 Mbit/s of packets in datagrams of 1316 octets, with RTP, UDP and IP 1356.
    assert!((value(&told, "multicast.stream_rate") - 4.0 * 1356.0 / 1316.0).abs() < 0.001);
    assert!((value(&told, "multicast.stream_clock_rate") - 4.0).abs() < 0.001);
    assert!(told.readings.iter().all(|reading| reading.stamped_by == Some(StampSource::Kernel) && reading.target.is_some()));
    assert_eq!((told.series.len(), told.series[0].values.len()), (3, 4));
    assert_eq!(told.facts["carried_in"], "RTP");
    assert_eq!(told.facts["programs"][0]["streams"][0]["kind"], "0x02");
}

#[test]
fn loss_has_its_interval_and_its_bound_is_told() {
    let limits = vec![LimitedBy { side: Limit::TestSet, what: "the receive queue dropped 9 datagrams".to_owned() }];
    let told = tell(&report(5, |place| place % 100 != 50), &Taken { limits: limits.clone(), ..taken() });
    let loss = told.readings.iter().find(|reading| reading.name == "multicast.stream_loss_ratio").unwrap();
    assert!((loss.value - 0.01).abs() < 0.0005 && loss.low.unwrap() < 0.01 && loss.high.unwrap() > 0.01, "{loss:?}");
    assert!(told.readings.iter().all(|reading| reading.limited_by == limits));
    assert!(value(&told, "multicast.stream_continuity_errors") > 0.0);
    assert!(told.flaws.is_empty(), "the line's loss is a figure: {:?}", told.flaws);
}

#[test]
fn what_is_no_stream_is_a_flaw_and_silence_is_nothing() {
    let mut watch = ChannelWatch::new();
    (0..10).for_each(|at| watch.on_datagram(at * 1_000_000, &[0; 400]));
    let told = tell(&watch.report(i64::MAX), &taken());
    assert_eq!(told.flaws.len(), 1);
    assert_eq!(
        (told.flaws[0].code.as_str(), told.facts["carried_in"].as_str()),
        ("multicast-stream-unreadable", Some("unknown"))
    );
    assert!(tell(&ChannelWatch::new().report(0), &taken()).readings.is_empty());
}
