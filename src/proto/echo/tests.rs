use super::*;
use crate::unit::Stamp;

const NEAR: &str = "192.0.2.1";
const FAR: &str = "203.0.113.10";
const MS: Duration = Duration::from_millis(1);

fn settings(count: u64) -> EchoSettings {
    EchoSettings {
        count,
        interval: 20 * MS,
        pattern: Pattern::Periodic,
        waiting_time: 1000 * MS,
        payload_len: 64,
        identifier: 0x7000,
        seed: 5,
    }
}

/// A made-up clock: wall clock and monotonic clock run together unless `step_ns` says otherwise.
struct Bench {
    machine: EchoMachine,
    start: Instant,
    step_ns: i64,
}

impl Bench {
    fn new(count: u64, targets: &[&str]) -> Self {
        Self::with(settings(count), targets)
    }

    fn with(settings: EchoSettings, targets: &[&str]) -> Self {
        let start = Instant::now();
        let targets: Vec<IpAddr> = targets.iter().map(|t| t.parse().unwrap()).collect();
        Self { machine: EchoMachine::new(settings, &targets, start), start, step_ns: 0 }
    }

    fn moment(&self, at: Instant, source: StampSource) -> Moment {
        let unix_ns = 1_700_000_000_000_000_000 + (at - self.start).as_nanos() as i64 + self.step_ns;
        Moment { stamp: Stamp { unix_ns, source, adapter_ns: None }, at }
    }

    /// The next probe at its due time, with both the send and the transmit stamp told.
    fn send(&mut self) -> (EchoProbe, Instant) {
        let at = self.machine.targets.iter().filter_map(|t| t.schedule.next_at()).min().unwrap();
        let probe = self.machine.transmit(at).unwrap();
        self.machine.on_sent(probe.id, self.moment(at, StampSource::User));
        self.machine.on_departure(probe.id, self.moment(at, StampSource::Kernel));
        (probe, at)
    }

    fn reply(&mut self, probe: &EchoProbe, at: Instant) {
        let bytes = reply_to(&probe.bytes);
        self.machine.on_packet(self.moment(at, StampSource::Kernel), probe.to, Some(61), &bytes);
    }

    /// Lets all waiting times end and takes the reports.
    fn end(mut self) -> Vec<TargetReport> {
        while let Some(at) = self.machine.next_wake() {
            self.machine.on_wake(at);
        }
        self.machine.into_reports()
    }
}

fn reply_to(request: &[u8]) -> Vec<u8> {
    let parsed = icmp::parse(Family::Ipv4, request, icmp::Reading::default()).unwrap();
    let Message::EchoRequest(echo) = parsed.message else { panic!("{parsed:?}") };
    icmp::emit_reply(Family::Ipv4, echo)
}

/// Time exceeded or unreachable about a request, with the quote of a router that owes only eight octets.
fn error_about(request: &EchoProbe, kind: u8, code: u8) -> Vec<u8> {
    let IpAddr::V4(to) = request.to else { panic!("IPv4 only") };
    let mut quoted = vec![0x45, 0, 0, 92, 0, 0, 0, 0, 1, 1, 0, 0, 192, 0, 2, 50];
    quoted.extend(to.octets());
    quoted.extend(&request.bytes[..8]);
    icmp::emit_error(Family::Ipv4, kind, code, [0; 4], &quoted, &icmp::extension::Extensions::default())
}

#[test]
fn a_probe_that_goes_late_says_by_how_much() {
    let mut bench = Bench::new(3, &[NEAR]);
    for late in [0, 7, 2] {
        let due = bench.machine.targets[0].schedule.next_at().unwrap();
        let probe = bench.machine.transmit(due + late * MS).unwrap();
        bench.machine.on_sent(probe.id, bench.moment(due, StampSource::User));
    }
    assert_eq!(bench.end()[0].behind_schedule, [Duration::ZERO, 7 * MS, 2 * MS]);
}

#[test]
fn answered_probes_have_the_round_trip_of_the_kernel_stamps() {
    let mut bench = Bench::new(5, &[NEAR]);
    for _ in 0..5 {
        let (probe, at) = bench.send();
        bench.reply(&probe, at + 7 * MS);
    }
    assert_eq!(bench.machine.next_wake(), None, "all is answered, so there is nothing to wait for");
    let report = bench.end().remove(0);
    assert_eq!((report.sent(), report.answered(), report.lost()), (5, 5, 0));
    assert!(report.probes.iter().all(|(_, fate)| *fate == Fate::Answered(7 * MS)));
    assert_eq!((report.stamped_by, report.hop_limit), (Some(StampSource::Kernel), Some((61, 61))));
}

#[test]
fn a_reply_after_the_waiting_time_is_lost_and_told_as_late() {
    let mut bench = Bench::new(2, &[NEAR]);
    let (first, at) = bench.send();
    bench.machine.on_wake(at + 1000 * MS);
    assert_eq!(bench.machine.poll_event(), Some(Event::Lost { target: 0 }));
    bench.reply(&first, at + 1001 * MS);
    let (second, at) = bench.send();
    // Read before the waiting time was found to be over, but stamped after it.
    bench.reply(&second, at + 1001 * MS);
    let report = bench.end().remove(0);
    assert_eq!((report.sent(), report.lost(), report.late), (2, 2, 2));
}

#[test]
fn duplicates_are_counted_and_change_nothing() {
    let mut bench = Bench::new(1, &[NEAR]);
    let (probe, at) = bench.send();
    bench.reply(&probe, at + 3 * MS);
    bench.reply(&probe, at + 9 * MS);
    let report = bench.end().remove(0);
    assert_eq!((report.answered(), report.duplicates), (1, 1));
    assert_eq!(report.probes[0].1, Fate::Answered(3 * MS));
}

#[test]
fn targets_are_probed_side_by_side_and_told_apart() {
    let mut bench = Bench::new(50, &[NEAR, FAR]);
    for _ in 0..100 {
        let (probe, at) = bench.send();
        if probe.to == NEAR.parse::<IpAddr>().unwrap() {
            bench.reply(&probe, at + MS);
        }
    }
    let reports = bench.end();
    assert_eq!((reports[0].sent(), reports[0].answered()), (50, 50));
    assert_eq!((reports[1].sent(), reports[1].lost()), (50, 50));
}

#[test]
fn an_icmp_error_is_loss_with_its_offender() {
    let mut bench = Bench::new(3, &[FAR]);
    for _ in 0..3 {
        let (probe, at) = bench.send();
        let error = error_about(&probe, 3, 13);
        let moment = bench.moment(at + 2 * MS, StampSource::Kernel);
        bench.machine.on_packet(moment, NEAR.parse().unwrap(), Some(64), &error);
        assert_eq!(bench.machine.poll_event(), Some(Event::Refused { target: 0 }));
    }
    let report = bench.end().remove(0);
    assert_eq!((report.sent(), report.lost()), (3, 3));
    let [refusal] = &report.refusals[..] else { panic!("{:?}", report.refusals) };
    assert_eq!((refusal.offender, refusal.count), (NEAR.parse().unwrap(), 3));
    assert_eq!(refusal.meaning.slug(), "unreachable-prohibited");
}

#[test]
fn errors_about_others_packets_are_not_ours() {
    let mut bench = Bench::new(1, &[FAR]);
    let (mut probe, at) = bench.send();
    probe.to = NEAR.parse().unwrap();
    let error = error_about(&probe, 3, 1);
    let moment = bench.moment(at + MS, StampSource::Kernel);
    bench.machine.on_packet(moment, NEAR.parse().unwrap(), None, &error);
    let report = bench.end().remove(0);
    assert_eq!(report.refusals, []);
}

#[test]
fn a_failed_send_is_the_test_sets_own_and_not_loss() {
    let mut bench = Bench::new(3, &[NEAR]);
    let (probe, at) = bench.send();
    bench.reply(&probe, at + MS);
    let due = bench.machine.next_wake().unwrap();
    let probe = bench.machine.transmit(due).unwrap();
    bench.machine.on_send_failed(probe.id);
    let (probe, at) = bench.send();
    bench.reply(&probe, at + MS);
    let report = bench.end().remove(0);
    assert_eq!((report.sent(), report.answered(), report.lost(), report.not_sent), (2, 2, 0, 1));
}

#[test]
fn due_times_that_were_missed_are_counted_and_not_sent_in_a_burst() {
    let mut bench = Bench::new(10, &[NEAR]);
    let due = bench.machine.next_wake().unwrap();
    assert!(bench.machine.transmit(due + 90 * MS).is_some());
    assert_eq!(bench.machine.transmit(due + 90 * MS), None);
    assert_eq!(bench.machine.targets[0].report.missed, 4);
}

#[test]
fn a_clock_step_discards_the_round_trip_but_is_no_loss() {
    let mut bench = Bench::new(2, &[NEAR]);
    let (probe, at) = bench.send();
    bench.step_ns = -3_600_000_000_000;
    bench.reply(&probe, at + 5 * MS);
    let (probe, at) = bench.send();
    bench.reply(&probe, at + 5 * MS);
    let report = bench.end().remove(0);
    assert_eq!((report.answered(), report.discarded(), report.lost()), (2, 1, 0));
    assert_eq!(report.probes[1].1, Fate::Answered(5 * MS));
}

#[test]
fn a_missing_transmit_stamp_falls_back_when_the_waiting_time_is_over() {
    let mut bench = Bench::new(1, &[NEAR]);
    let at = bench.machine.next_wake().unwrap();
    let probe = bench.machine.transmit(at).unwrap();
    bench.machine.on_sent(probe.id, bench.moment(at, StampSource::User));
    bench.reply(&probe, at + 5 * MS);
    assert_eq!(bench.machine.poll_event(), None);
    let report = bench.end().remove(0);
    assert_eq!((report.probes[0].1, report.stamped_by), (Fate::Answered(5 * MS), Some(StampSource::User)));
}

#[test]
fn altered_data_and_a_foreign_source_are_told() {
    let mut bench = Bench::new(2, &[NEAR]);
    let (probe, at) = bench.send();
    let mut altered = probe.bytes.clone();
    *altered.last_mut().unwrap() ^= 1;
    let bytes = reply_to(&altered);
    let moment = bench.moment(at + MS, StampSource::Kernel);
    bench.machine.on_packet(moment, probe.to, None, &bytes);
    let (probe, at) = bench.send();
    let bytes = reply_to(&probe.bytes);
    let moment = bench.moment(at + MS, StampSource::Kernel);
    bench.machine.on_packet(moment, FAR.parse().unwrap(), None, &bytes);
    let report = bench.end().remove(0);
    assert_eq!((report.altered, report.misaddressed), (1, 1));
    assert_eq!((report.answered(), report.lost()), (1, 1));
}

#[test]
fn a_reply_with_a_wrong_checksum_never_came() {
    let mut bench = Bench::new(1, &[NEAR]);
    let (probe, at) = bench.send();
    let mut bytes = reply_to(&probe.bytes);
    *bytes.last_mut().unwrap() ^= 1;
    let moment = bench.moment(at + MS, StampSource::Kernel);
    bench.machine.on_packet(moment, probe.to, None, &bytes);
    assert_eq!(bench.end().remove(0).lost(), 1);
}

#[test]
fn sequence_numbers_wrap_without_mixing_probes_up() {
    let mut bench = Bench::with(EchoSettings { interval: MS, waiting_time: 50 * MS, ..settings(65_600) }, &[NEAR]);
    let mut late = None;
    for number in 0..65_600_u64 {
        let (probe, at) = bench.send();
        if number == 10 {
            late = Some(probe);
        } else {
            bench.reply(&probe, at + MS);
        }
        bench.machine.on_wake(at + MS);
        while bench.machine.poll_event().is_some() {}
    }
    // Sequence 10 was used twice; the first is late, the second was answered.
    let end = bench.start + Duration::from_secs(70);
    bench.reply(&late.unwrap(), end);
    let report = bench.end().remove(0);
    assert_eq!((report.answered(), report.lost(), report.late, report.duplicates), (65_599, 1, 1, 0));
}

#[test]
fn no_packet_makes_it_panic() {
    let mut bench = Bench::new(3, &[NEAR]);
    let (probe, at) = bench.send();
    let moment = bench.moment(at, StampSource::Kernel);
    for whole in [reply_to(&probe.bytes), error_about(&probe, 11, 0)] {
        for end in 0..whole.len() {
            for family_of in [NEAR, "2001:db8::1"] {
                bench.machine.on_packet(moment, family_of.parse().unwrap(), None, &whole[..end]);
            }
        }
    }
}

#[test]
fn what_shows_on_the_way_is_told_of_each_target_by_itself() {
    let mut bench = Bench::new(10, &[NEAR, FAR]);
    for number in 0..10 {
        let (probe, at) = bench.send();
        // The near one answers all but its second; the far one nothing yet.
        if probe.to == NEAR.parse::<IpAddr>().unwrap() && number / 2 != 1 {
            bench.reply(&probe, at + MS);
        }
    }
    assert_eq!(bench.machine.decided(), 5);
    let reports = bench.machine.reports_so_far();
    assert_eq!((reports[0].sent(), reports[0].answered(), reports[0].lost()), (5, 4, 1));
    assert_eq!(reports[1].sent(), 0, "who has not answered yet shows nothing yet");
}

#[test]
fn a_stopped_machine_sends_no_more_and_waits_for_what_is_out() {
    let mut bench = Bench::new(10, &[NEAR]);
    let (first, at) = bench.send();
    bench.machine.stop();
    assert!(bench.machine.transmit(at + 100 * MS).is_none());
    assert!(bench.machine.next_wake().is_some(), "the first is still awaited");
    bench.reply(&first, at + MS);
    assert_eq!(bench.machine.next_wake(), None);
    let reports = bench.end();
    assert_eq!((reports[0].sent(), reports[0].answered()), (1, 1));
}
