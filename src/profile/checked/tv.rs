//! Reading the table `[tv]`: the channels that are listened to, and how hard.

use std::net::IpAddr;
use std::time::Duration;

use super::Sold;
use crate::proto::membership::{Carriage, Channel, Terms, is_local, is_source_specific};
use crate::typed::table::{Document, Placed, Table};
use crate::unit::Family;
use crate::wire::membership::Version;
use crate::wire::vlan::TagStack;

/// The keys of `[tv]`, and of each `[[tv.channel]]`.
pub(super) const KEYS: &[&str] = &["channels_at_once", "changes", "version", "join", "hold_seconds", "channel"];
const CHANNEL_KEYS: &[&str] = &["name", "group", "source", "port", "carriage", "rate_mbit", "vlan"];
/// So many channels at most: each is a stream of its own to watch.
const MOST: usize = 16;
/// Changes without a word of the profile: the median has its interval from 6 on *(ours)*.
const USUAL_CHANGES: u32 = 20;
/// Share of the sold downstream rate that the channels at once may take *(ours)*: the visit's other checks want an idle line.
const MOST_OF_SOLD: f64 = 0.5;

/// Reads the table; what is wrong is noted and left out.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>, sold: Option<&Sold>) -> Terms {
    let tables = table.tables("channel", CHANNEL_KEYS);
    if tables.is_empty() || !table.has("channel") {
        table.missing("channel", "a table [tv] without channels tests nothing; head each channel with [[tv.channel]]");
    }
    if let Some(over) = tables.get(MOST) {
        document.wrong(&over.here(), format!("{} channels; at most {MOST} are listened to", tables.len()));
    }
    let mut channels: Vec<Channel> = Vec::new();
    for table in &tables {
        let Some(channel) = channel(document, table) else { continue };
        let is_twice = |other: &Channel| {
            (other.group, other.port, other.source, other.vlan) == (channel.group, channel.port, channel.source, channel.vlan)
        };
        if channels.iter().any(|other| other.name == channel.name || is_twice(other)) {
            document.wrong(&table.here(), "a second channel of this name, or of this group, source and port");
        }
        channels.push(channel);
    }
    let at_once = table.whole("channels_at_once", 1..=MOST as u64);
    if let Some(at_once) = at_once.as_ref().filter(|n| n.value > channels.len() as u64 && !channels.is_empty()) {
        document.wrong(at_once, format!("{} channels at once, and only {} are named", at_once.value, channels.len()));
    }
    let version = table.word(
        "version",
        &[
            ("igmpv1", Version::Igmp1),
            ("igmpv2", Version::Igmp2),
            ("igmpv3", Version::Igmp3),
            ("mldv1", Version::Mld1),
            ("mldv2", Version::Mld2),
        ],
    );
    let by_kernel = table.word("join", &[("doorstep", false), ("kernel", true)]).unwrap_or(false);
    if by_kernel && channels.iter().any(|channel| channel.vlan.is_some()) {
        document.wrong(&table.here(), "the kernel joins only where the visit's IP goes: leave out join, or the channels' vlan");
    }
    let terms = Terms {
        at_once: at_once.and_then(|n| usize::try_from(n.value).ok()).unwrap_or(1),
        changes: table.whole("changes", 0..=500).and_then(|n| u32::try_from(n.value).ok()).unwrap_or(USUAL_CHANGES),
        version,
        by_kernel,
        hold: table.whole("hold_seconds", 1..=3600).map(|n| Duration::from_secs(n.value)),
        channels,
    };
    too_much(document, table, &terms, sold);
    terms
}

fn too_much(document: &Document<'_>, table: &Table<'_, '_>, terms: &Terms, sold: Option<&Sold>) {
    let taken = terms.mbit_at_once();
    if let Some(sold) = sold.filter(|sold| taken > sold.down_mbit * MOST_OF_SOLD) {
        let what = format!(
            "{} channel(s) at once take {taken:.1} Mbit/s, more than half of the {} Mbit/s sold downstream; listen to fewer",
            terms.at_once, sold.down_mbit
        );
        document.wrong(&table.here(), what);
    }
}

fn channel(document: &Document<'_>, table: &Table<'_, '_>) -> Option<Channel> {
    let name = table.required_text("name", "the channel's name for people");
    let group = table.required_text("group", "the address of the group that it is sent to");
    let group = group.and_then(|text| group_of(document, &text));
    let source = table.text("source").and_then(|text| source_of(document, &text, group));
    if let Some(group) = group.filter(|group| is_source_specific(*group) && !table.has("source")) {
        table.missing("source", &format!("{group} is of the source-specific range (RFC 4607): name its source"));
    }
    for (key, meaning) in [("port", "the UDP port that it is sent to"), ("rate_mbit", "the rate of its IP packets in Mbit/s")] {
        if !table.has(key) {
            table.missing(key, meaning);
        }
    }
    let port = table.whole("port", 1..=65_535);
    let rate = table.real("rate_mbit", &(0.1..=200.0), "Mbit/s");
    let carriage = table.word("carriage", &[("rtp", Carriage::Rtp), ("udp", Carriage::Udp)]).unwrap_or_default();
    let vlan = table.text("vlan").and_then(|text| match text.value.as_str() {
        "untagged" => Some(TagStack::NONE),
        typed => typed.parse().map_err(|error| document.wrong(&text, format!("{error}"))).ok(),
    });
    let port = u16::try_from(port?.value).ok()?;
    Some(Channel { name: name?.value, group: group?, source, port, carriage, rate_mbit: rate?.value, vlan })
}

fn group_of(document: &Document<'_>, text: &Placed<String>) -> Option<IpAddr> {
    match text.value.parse::<IpAddr>() {
        Ok(group) if group.is_multicast() && !is_local(group) => return Some(group),
        Ok(group) if group.is_multicast() => {
            document.wrong(text, format!("{group} never leaves its link, so no channel is there"))
        }
        Ok(address) => document.wrong(text, format!("{address} is no group: those are 224.0.0.0/4 and ff00::/8")),
        Err(_) => document.wrong(text, "here stands the address of a group, for instance 233.252.0.1 or ff3e::8000:1"),
    }
    None
}

fn source_of(document: &Document<'_>, text: &Placed<String>, group: Option<IpAddr>) -> Option<IpAddr> {
    match text.value.parse::<IpAddr>() {
        Ok(source) if source.is_multicast() || source.is_unspecified() => {
            document.wrong(text, format!("{source} can't be a source: it is no single host's address"));
        }
        Ok(source) if group.is_some_and(|group| Family::of(group) != Family::of(source)) => {
            document.wrong(text, "source and group are of different IP versions");
        }
        Ok(source) => return Some(source),
        Err(_) => document.wrong(text, "here stands the source's address"),
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse;

    const HEAD: &str = "name = \"t\"\ntitle = \"t\"\n[sold]\ndown = 50\nup = 10\nlayer = \"ip\"\nbasis = \"invented\"\n\
        [[criterion]]\nname = \"c\"\nreading = \"link.carrier\"\nat_least = 1\nseverity = \"must\"\nbasis = \"b\"\n";
    const ONE: &str = "[[tv.channel]]\nname = \"One\"\ngroup = \"233.252.0.1\"\nport = 5000\nrate_mbit = 8\n";

    fn read_of(text: &str) -> Result<Option<Terms>, String> {
        parse(&format!("{HEAD}{text}"), "test").map(|profile| profile.tv).map_err(|error| error.to_string())
    }

    #[test]
    fn channels_are_taken_as_meant() {
        assert_eq!(read_of(""), Ok(None));
        let text = format!(
            "[tv]\nchannels_at_once = 2\nchanges = 5\nversion = \"igmpv2\"\nhold_seconds = 30\n{ONE}\
             [[tv.channel]]\nname = \"Two\"\ngroup = \"232.0.1.2\"\nsource = \"203.0.113.80\"\nport = 5000\ncarriage = \"udp\"\n\
             rate_mbit = 3.5\nvlan = \"10\"\n\
             [[tv.channel]]\nname = \"Six\"\ngroup = \"ff3e::8000:1\"\nsource = \"2001:db8::80\"\nport = 5000\nrate_mbit = 3\nvlan = \"untagged\"\n"
        );
        let terms = read_of(&text).unwrap().unwrap();
        assert_eq!((terms.at_once, terms.changes, terms.version, terms.by_kernel), (2, 5, Some(Version::Igmp2), false));
        assert_eq!((terms.hold(), terms.mbit_at_once()), (Duration::from_secs(30), 11.5));
        let [one, two, six] = &terms.channels[..] else { panic!("{terms:?}") };
        assert_eq!((one.source, one.carriage, one.vlan), (None, Carriage::Rtp, None));
        assert_eq!((two.carriage, two.vlan), (Carriage::Udp, Some(TagStack::single(10))));
        assert_eq!((six.family(), six.vlan), (Family::Ipv6, Some(TagStack::NONE)));
        let usual = read_of(&format!("[tv]\n{ONE}")).unwrap().unwrap();
        assert_eq!((usual.at_once, usual.changes, usual.hold()), (1, USUAL_CHANGES, Terms::HOLD));
    }

    #[test]
    fn each_mistake_is_told_with_its_place() {
        let with = |from: &str, to: &str| format!("[tv]\n{}", ONE.replacen(from, to, 1));
        for (text, words) in [
            ("[tv]\nchanges = 5".to_owned(), "without channels tests nothing"),
            (with("233.252.0.1", "192.0.2.1"), "no group: those are 224.0.0.0/4"),
            (with("233.252.0.1", "224.0.0.251"), "never leaves its link"),
            (with("233.252.0.1", "one"), "the address of a group"),
            (with("233.252.0.1", "232.0.1.2"), "name its source"),
            (with("port = 5000", "port = 5000\nsource = \"233.252.0.2\""), "can't be a source"),
            (with("port = 5000", "port = 5000\nsource = \"2001:db8::1\""), "different IP versions"),
            (with("port = 5000", "port = 0"), "between 1 and 65535"),
            (with("port = 5000\n", ""), "the UDP port"),
            (with("rate_mbit = 8", "rate_mbit = 800"), "between 0.1 and 200"),
            (with("rate_mbit = 8", "rate_mbit = 26"), "more than half of the 50 Mbit/s"),
            (with("port = 5000", "port = 5000\nvlan = \"0\""), "1 to 4094"),
            (with("port = 5000", "port = 5000\ncarriage = \"ts\""), "rtp, udp"),
            (format!("[tv]\n{ONE}{ONE}"), "a second channel"),
            (format!("[tv]\nchannels_at_once = 2\n{ONE}"), "only 1 are named"),
            (format!("[tv]\nversion = \"igmpv4\"\n{ONE}"), "igmpv3"),
            (format!("[tv]\njoin = \"kernel\"\n{ONE}vlan = \"10\"\n"), "where the visit's IP goes"),
        ] {
            let error = read_of(&text).expect_err(&text);
            assert!(error.contains(words) && error.contains("tv"), "{text}: {error}");
        }
        let many: String = (1..=17).map(|n| ONE.replace("One", &n.to_string()).replace("0.1\"", &format!("0.{n}\""))).collect();
        let error = read_of(&format!("[tv]\n{many}")).expect_err("17");
        assert!(error.contains("17 channels; at most 16"), "{error}");
    }
}
