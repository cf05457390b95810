//! Dialogues on a made-up clock, each by its clause.

use super::*;
use crate::wire::membership::RecordKind;
use proptest::prelude::*;

const ANY_GROUP: &str = "233.252.0.1";
const SSM_GROUP: &str = "232.0.1.1";

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// A host and its clock.
struct Scene {
    host: Host,
    start: Instant,
}

impl Scene {
    fn new(family: Family, wanted: Option<Version>) -> Self {
        Self { host: Host::new(family, wanted, 7), start: Instant::now() }
    }

    fn v4() -> Self {
        Self::new(Family::Ipv4, None)
    }

    fn at(&self, at_ms: u64) -> Instant {
        self.start + ms(at_ms)
    }

    fn join(&mut self, at_ms: u64, group: &str, source: Option<&str>) {
        self.host.join(self.start + ms(at_ms), ip(group), source.map(ip));
    }

    fn leave(&mut self, at_ms: u64, group: &str, source: Option<&str>) {
        self.host.leave(self.start + ms(at_ms), ip(group), source.map(ip));
    }

    fn ask(&mut self, at_ms: u64, version: Version, group: Option<&str>, within_ms: u64, sources: &[&str]) {
        let query = Query {
            version,
            group: group.map(ip),
            max_response: ms(within_ms),
            suppress: false,
            robustness: 0,
            interval: None,
            sources: sources.iter().map(|source| ip(source)).collect(),
        };
        self.host.on_message(self.start + ms(at_ms), &Message::Query(query));
    }

    /// All that is sent until then: when (ms), what, and of which groups it is news.
    fn sent_until(&mut self, until_ms: u64) -> Vec<(u64, Message, usize)> {
        let mut sent = Vec::new();
        let mut now = self.start;
        loop {
            while let Some(out) = self.host.transmit(now) {
                sent.push(((now - self.start).as_millis() as u64, out.message, out.news.len()));
            }
            match self.host.next_wake() {
                Some(at) if at <= self.at(until_ms) => now = at.max(now),
                _ => return sent,
            }
        }
    }
}

fn records(message: &Message) -> Vec<(RecordKind, String, Vec<String>)> {
    let Message::Records(records) = message else { panic!("{message:?}") };
    let text =
        |record: &Record| (record.kind, record.group.to_string(), record.sources.iter().map(ToString::to_string).collect());
    records.iter().map(text).collect()
}

fn record(kind: RecordKind, group: &str, sources: &[&str]) -> (RecordKind, String, Vec<String>) {
    (kind, group.to_owned(), sources.iter().map(|source| (*source).to_owned()).collect())
}

/// RFC 3376 section 5.1: a change is told at once and, with a robustness of 2, once more within the unsolicited report interval of 1 s.
#[test]
fn joins_and_leaves_are_told_at_once_and_once_again() {
    for (source, joined, left) in [
        (None, record(RecordKind::ToExclude, ANY_GROUP, &[]), record(RecordKind::ToInclude, ANY_GROUP, &[])),
        (
            Some("192.0.2.9"),
            record(RecordKind::Allow, ANY_GROUP, &["192.0.2.9"]),
            record(RecordKind::Block, ANY_GROUP, &["192.0.2.9"]),
        ),
    ] {
        let mut scene = Scene::v4();
        scene.join(0, ANY_GROUP, source);
        let sent = scene.sent_until(5000);
        assert_eq!(sent.len(), 2, "{sent:?}");
        assert!(sent[0].0 == 0 && sent[0].2 == 1 && sent[1].0 <= 1000 && sent[1].2 == 0, "{sent:?}");
        assert!(sent.iter().all(|(_, message, _)| records(message) == [joined.clone()]), "{sent:?}");
        scene.start += ms(5000);
        scene.leave(0, ANY_GROUP, source);
        assert!(!scene.host.is_member(ip(ANY_GROUP)));
        let sent = scene.sent_until(5000);
        assert!(sent.len() == 2 && sent.iter().all(|(_, message, _)| records(message) == [left.clone()]), "{sent:?}");
        assert_eq!(scene.host.next_wake(), None, "nothing is left of it");
    }
}

/// Two changes at one moment go in one report, so that a change of channel is one packet.
#[test]
fn a_change_of_channel_is_one_report() {
    let mut scene = Scene::v4();
    scene.join(0, ANY_GROUP, None);
    scene.sent_until(3000);
    scene.start += ms(3000);
    scene.leave(0, ANY_GROUP, None);
    scene.join(0, SSM_GROUP, Some("192.0.2.9"));
    let sent = scene.sent_until(0);
    assert_eq!(sent.len(), 1);
    let want = [record(RecordKind::Allow, SSM_GROUP, &["192.0.2.9"]), record(RecordKind::ToInclude, ANY_GROUP, &[])];
    assert_eq!((records(&sent[0].1), sent[0].2), (want.to_vec(), 2));
}

/// Section 5.1: what changes while a change is still to be told is told from the new state.
#[test]
fn a_source_that_comes_and_goes_is_told_as_gone() {
    let mut scene = Scene::v4();
    scene.join(0, SSM_GROUP, Some("192.0.2.9"));
    scene.join(0, SSM_GROUP, Some("192.0.2.10"));
    let first = scene.sent_until(0);
    assert_eq!(records(&first[0].1), [record(RecordKind::Allow, SSM_GROUP, &["192.0.2.9", "192.0.2.10"])]);
    scene.leave(1, SSM_GROUP, Some("192.0.2.9"));
    let sent = scene.sent_until(1);
    let want = [record(RecordKind::Allow, SSM_GROUP, &["192.0.2.10"]), record(RecordKind::Block, SSM_GROUP, &["192.0.2.9"])];
    assert_eq!(records(&sent.last().unwrap().1), want);
    // Any source beside it: the mode changes, and tells all.
    scene.join(5000, SSM_GROUP, None);
    let sent = scene.sent_until(9000);
    assert!(sent.iter().any(|(_, message, _)| records(message) == [record(RecordKind::ToExclude, SSM_GROUP, &[])]), "{sent:?}");
    scene.leave(9000, SSM_GROUP, None);
    scene.start += ms(9000);
    let sent = scene.sent_until(0);
    assert_eq!(records(&sent[0].1), [record(RecordKind::ToInclude, SSM_GROUP, &["192.0.2.10"])]);
}

/// Section 5.2 and the table of 5.2.: general, group, and group-and-source queries.
#[test]
fn queries_are_answered_once_within_their_time_with_what_was_asked_for() {
    let set_up = || {
        let mut scene = Scene::v4();
        scene.join(0, ANY_GROUP, None);
        scene.join(0, SSM_GROUP, Some("192.0.2.9"));
        scene.sent_until(5000);
        scene.start += ms(5000);
        scene
    };
    let any = record(RecordKind::IsExclude, ANY_GROUP, &[]);
    let ssm = record(RecordKind::IsInclude, SSM_GROUP, &["192.0.2.9"]);
    type Case<'a> = (Option<&'a str>, &'a [&'a str], Vec<(RecordKind, String, Vec<String>)>);
    let cases: [Case<'_>; 6] = [
        (None, &[], vec![ssm.clone(), any.clone()]),
        (Some(ANY_GROUP), &[], vec![any]),
        (Some(SSM_GROUP), &[], vec![ssm.clone()]),
        (Some(SSM_GROUP), &["192.0.2.9", "192.0.2.10"], vec![ssm]),
        (Some(ANY_GROUP), &["192.0.2.77"], vec![record(RecordKind::IsInclude, ANY_GROUP, &["192.0.2.77"])]),
        (Some(SSM_GROUP), &["192.0.2.77"], vec![]),
    ];
    for (group, sources, want) in cases {
        let mut scene = set_up();
        scene.ask(0, Version::Igmp3, group, 1000, sources);
        let sent = scene.sent_until(60_000);
        let told: Vec<_> = sent.iter().flat_map(|(_, message, _)| records(message)).collect();
        assert_eq!(told, want, "{group:?} {sources:?}");
        assert!(sent.iter().all(|(at, _, news)| *at <= 1000 && *news == 0), "{sent:?}");
    }
    let mut scene = set_up();
    scene.ask(0, Version::Igmp3, Some("233.252.0.77"), 1000, &[]);
    assert_eq!(scene.sent_until(60_000), [], "no member of it");
}

/// Section 5.2 rules 1, 4 and 5.
#[test]
fn answers_that_are_due_are_merged_and_never_put_off() {
    let mut scene = Scene::v4();
    scene.join(0, SSM_GROUP, Some("192.0.2.9"));
    scene.join(0, SSM_GROUP, Some("192.0.2.10"));
    scene.sent_until(5000);
    scene.start += ms(5000);
    scene.ask(0, Version::Igmp3, Some(SSM_GROUP), 500, &["192.0.2.9"]);
    scene.ask(0, Version::Igmp3, Some(SSM_GROUP), 20_000, &["192.0.2.10"]);
    let sent = scene.sent_until(60_000);
    assert_eq!(sent.len(), 1);
    assert!(sent[0].0 <= 500 && records(&sent[0].1)[0].2.len() == 2, "{sent:?}");
    // One that is due for all tells for the group too.
    scene.ask(60_000, Version::Igmp3, None, 1, &[]);
    scene.ask(60_000, Version::Igmp3, Some(SSM_GROUP), 20_000, &[]);
    scene.start += ms(60_000);
    assert_eq!(scene.sent_until(60_000).len(), 1);
}

/// Section 7.2.1 and RFC 2236: an IGMPv2 querier makes the host speak version 2, until 2 x 125 + 10 s have passed without it.
#[test]
fn an_older_querier_has_its_version_until_it_is_gone() {
    let mut scene = Scene::v4();
    scene.join(0, ANY_GROUP, None);
    scene.ask(0, Version::Igmp2, None, 10_000, &[]);
    assert_eq!(scene.host.mode(), Version::Igmp2);
    let sent = scene.sent_until(20_000);
    let report = Message::Report { version: Version::Igmp2, group: ip(ANY_GROUP) };
    // What was due in version 3 is forgotten; the query is answered, and that is the first that is told of the join.
    assert_eq!(sent.iter().map(|(_, message, news)| (message.clone(), *news)).collect::<Vec<_>>(), [(report, 1)]);
    scene.leave(20_000, ANY_GROUP, None);
    scene.start += ms(20_000);
    assert_eq!(scene.sent_until(0)[0].1, Message::Leave(ip(ANY_GROUP)));
    // 259 s after the query it is still there, 261 s after it is not.
    for (after, mode) in [(259_000, Version::Igmp2), (261_000, Version::Igmp3)] {
        scene.host.transmit(scene.start + ms(after - 20_000));
        assert_eq!(scene.host.mode(), mode, "{after}");
    }
}

/// RFC 2236 section 3: a join is told at once and again within 10 s, unless another host tells it; a query by a random time.
#[test]
fn version_two_tells_its_join_twice_and_hears_others() {
    let mut scene = Scene::new(Family::Ipv4, Some(Version::Igmp2));
    scene.join(0, ANY_GROUP, None);
    let sent = scene.sent_until(30_000);
    assert!(sent.len() == 2 && sent[0].0 == 0 && sent[1].0 <= 10_000, "{sent:?}");
    scene.ask(30_000, Version::Igmp2, None, 10_000, &[]);
    let other = Message::Report { version: Version::Igmp2, group: ip(ANY_GROUP) };
    scene.host.on_message(scene.at(30_000), &other);
    assert_eq!(scene.sent_until(60_000), [], "another host told it");
    scene.ask(60_000, Version::Igmp2, Some(ANY_GROUP), 1000, &[]);
    assert_eq!(scene.sent_until(61_000).len(), 1);
    // A newer querier does not make it newer than it was told to be.
    scene.ask(62_000, Version::Igmp3, None, 100, &[]);
    assert_eq!(scene.host.mode(), Version::Igmp2);
}

/// RFC 2236 section 4: a query of version 1 leaves 10 s; nobody says farewell in version 1.
#[test]
fn version_one_leaves_in_silence() {
    let mut scene = Scene::v4();
    scene.ask(0, Version::Igmp1, None, 0, &[]);
    scene.join(0, ANY_GROUP, None);
    let sent = scene.sent_until(30_000);
    let report = Message::Report { version: Version::Igmp1, group: ip(ANY_GROUP) };
    assert!(sent.len() == 2 && sent.iter().all(|(_, message, _)| *message == report), "{sent:?}");
    scene.leave(30_000, ANY_GROUP, None);
    assert_eq!(scene.sent_until(60_000), []);
}

/// RFC 3810 is RFC 3376 for IPv6, and RFC 2710 is RFC 2236.
#[test]
fn ipv6_is_told_the_same_way() {
    let mut scene = Scene::new(Family::Ipv6, None);
    scene.join(0, "ff3e::8000:1", Some("2001:db8::9"));
    assert_eq!(records(&scene.sent_until(0)[0].1), [record(RecordKind::Allow, "ff3e::8000:1", &["2001:db8::9"])]);
    scene.ask(0, Version::Mld1, None, 1000, &[]);
    let sent = scene.sent_until(2000);
    assert_eq!(sent[0].1, Message::Report { version: Version::Mld1, group: ip("ff3e::8000:1") });
    scene.leave(2000, "ff3e::8000:1", Some("2001:db8::9"));
    assert_eq!(scene.sent_until(2000)[0].1, Message::Leave(ip("ff3e::8000:1")));
}

#[test]
fn nobody_reports_groups_of_the_link_or_of_the_other_version() {
    let mut scene = Scene::v4();
    for group in ["224.0.0.251", "ff0e::1", "192.0.2.1"] {
        scene.join(0, group, None);
    }
    assert_eq!(scene.sent_until(60_000), []);
}

#[derive(Debug, Clone)]
enum Step {
    Join(u8, Option<u8>),
    Leave(u8, Option<u8>),
    Ask(Option<u8>, u16),
    Wait(u16),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = prop_oneof![
        (0_u8..3, prop::option::of(0_u8..3)).prop_map(|(group, source)| Step::Join(group, source)),
        (0_u8..3, prop::option::of(0_u8..3)).prop_map(|(group, source)| Step::Leave(group, source)),
        (prop::option::of(0_u8..3), 0_u16..10_000).prop_map(|(group, within)| Step::Ask(group, within)),
        (0_u16..30_000).prop_map(Step::Wait),
    ];
    prop::collection::vec(step, 0..40)
}

proptest! {
    /// Whatever is joined, left and asked: a router that hears all and takes records as section 6.4 says ends with what the host
    /// listens to, once all is told. Only a leave of version 1 is silent, so that one isn't asked here.
    #[test]
    fn a_router_that_hears_all_knows_what_the_host_listens_to(steps in steps(), seed: u64) {
        let start = Instant::now();
        let mut host = Host::new(Family::Ipv4, None, seed);
        let mut now = start;
        let mut wanted: BTreeMap<IpAddr, BTreeSet<Option<IpAddr>>> = BTreeMap::new();
        let mut known: BTreeMap<IpAddr, BTreeSet<Option<IpAddr>>> = BTreeMap::new();
        let group = |n: u8| IpAddr::from([233, 252, 0, n + 1]);
        let source = |n: u8| IpAddr::from([192, 0, 2, n + 1]);
        let mut hear = |message: Message| {
            let Message::Records(records) = message else { return };
            for Record { kind, group, sources } in records {
                let state = known.entry(group).or_default();
                let named = sources.iter().copied().map(Some);
                match kind {
                    RecordKind::ToExclude | RecordKind::IsExclude => *state = [None].into(),
                    RecordKind::ToInclude => *state = named.collect(),
                    RecordKind::Allow => state.extend(named),
                    RecordKind::Block => state.retain(|one| one.is_none() || !sources.contains(&one.unwrap_or(group))),
                    RecordKind::IsInclude => named.for_each(|one| {
                        if !state.contains(&None) { state.insert(one); }
                    }),
                    RecordKind::Other(_) => {}
                }
            }
        };
        for step in steps {
            match step {
                Step::Join(g, s) => {
                    host.join(now, group(g), s.map(source));
                    wanted.entry(group(g)).or_default().insert(s.map(source));
                }
                Step::Leave(g, s) => {
                    host.leave(now, group(g), s.map(source));
                    wanted.entry(group(g)).or_default().remove(&s.map(source));
                }
                Step::Ask(g, within) => {
                    let query = Query { version: Version::Igmp3, group: g.map(group), max_response: ms(within.into()), suppress: false,
                        robustness: 2, interval: None, sources: Vec::new() };
                    host.on_message(now, &Message::Query(query));
                }
                Step::Wait(wait) => {
                    let until = now + ms(wait.into());
                    while let Some(at) = host.next_wake().filter(|at| *at <= until) {
                        now = now.max(at);
                        while let Some(out) = host.transmit(now) { hear(out.message); }
                    }
                    now = until;
                }
            }
            while let Some(out) = host.transmit(now) { hear(out.message); }
            if let Some(at) = host.next_wake() {
                prop_assert!(at > now, "all that is due was sent");
            }
        }
        while let Some(at) = host.next_wake() {
            now = now.max(at);
            while let Some(out) = host.transmit(now) { hear(out.message); }
        }
        for (group, mut listens) in wanted {
            // Any source is all of them.
            if listens.contains(&None) { listens = [None].into(); }
            prop_assert_eq!(known.remove(&group).unwrap_or_default(), listens, "{}", group);
        }
    }
}
