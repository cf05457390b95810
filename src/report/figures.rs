//! The key figures of each check in a line.

use crate::reading::{Reading, Target, words};
use crate::unit::{Direction, Family, Load};

/// The checks from the port outwards; those not listed follow in the order of the record.
pub(super) const ORDER: &[&str] =
    &["link", "dhcp4", "pppoe", "ipv6", "gateway", "dns", "echo", "path", "farend", "twoway", "throughput", "multicast", "voice"];

/// The lines of a check: one, or one for each IP version when it has figures of both.
pub(super) fn lines(check: &str, readings: &[&Reading]) -> Vec<(String, String)> {
    let of = |family| readings.iter().copied().filter(|r| r.family == Some(family)).collect::<Vec<_>>();
    let (four, six) = (of(Family::Ipv4), of(Family::Ipv6));
    let parts = if four.is_empty() || six.is_empty() {
        vec![(check.to_owned(), readings.to_vec())]
    } else {
        let other: Vec<&Reading> = readings.iter().copied().filter(|r| r.family != Some(Family::Ipv6)).collect();
        vec![(check.to_owned(), other), (format!("{check} IPv6"), six)]
    };
    let said = parts.into_iter().map(|(name, readings)| (name, line(check, &Figures(readings))));
    said.filter(|(_, text)| !text.is_empty()).collect()
}

fn line(check: &str, figures: &Figures<'_>) -> String {
    match check {
        "link" => link(figures),
        "dhcp4" => dhcp4(figures),
        "pppoe" => pppoe(figures),
        "ipv6" => ipv6(figures),
        "gateway" => gateway(figures),
        "dns" => dns(figures),
        "echo" => echo(figures),
        "path" => figures.first("path.hops").map_or_else(String::new, |hops| format!("{} hops to the far end", words::of(hops))),
        "farend" => farend(figures),
        "twoway" => twoway(figures),
        "throughput" => throughput(figures),
        _ => other(figures),
    }
}

/// Readings with the look-ups that the lines need.
struct Figures<'a>(Vec<&'a Reading>);

impl<'a> Figures<'a> {
    fn all(&self, name: &str) -> Vec<&'a Reading> {
        self.0.iter().copied().filter(|r| r.name == name).collect()
    }

    fn first(&self, name: &str) -> Option<&'a Reading> {
        self.0.iter().copied().find(|r| r.name == name)
    }

    fn worst(&self, name: &str) -> Option<&'a Reading> {
        self.all(name).into_iter().max_by(|a, b| a.value.total_cmp(&b.value))
    }

    fn toward(&self, name: &str, direction: Direction) -> Option<&'a Reading> {
        self.0.iter().copied().find(|r| r.name == name && r.direction == Some(direction))
    }
}

fn joined(parts: impl IntoIterator<Item = Option<String>>) -> String {
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn link(figures: &Figures<'_>) -> String {
    if figures.first("link.carrier").is_some_and(|r| r.value < 1.0) {
        return "no carrier".to_owned();
    }
    let duplex = figures.first("link.full_duplex").map(|r| if r.value < 1.0 { "half duplex" } else { "full duplex" });
    let errors = figures.first("link.receive_errors").map(|r| format!("{} errored frames", words::of(r)));
    joined([figures.first("link.speed").map(words::of), duplex.map(str::to_owned), errors])
}

fn dhcp4(figures: &Figures<'_>) -> String {
    let offer = figures.first("dhcp4.offer_time").map(|r| format!("offered in {}", words::of(r)));
    let ack = figures.first("dhcp4.ack_time").map(|r| format!("confirmed in {}", words::of(r)));
    let servers = figures.first("dhcp4.servers").filter(|r| r.value > 1.0).map(|r| format!("{} servers", words::of(r)));
    let lease = figures.first("dhcp4.lease_time").map(|r| format!("lease {}", words::of(r)));
    joined([offer, ack, servers, lease])
}

fn pppoe(figures: &Figures<'_>) -> String {
    let Some(concentrators) = figures.first("pppoe.concentrators") else { return String::new() };
    if concentrators.value == 0.0 {
        return "no concentrator offers a session".to_owned();
    }
    let offer = figures.first("pppoe.offer_time").map(|r| format!("offered in {}", words::of(r)));
    let session = figures.first("pppoe.session_time").map(|r| format!("session opened in {}", words::of(r)));
    let several = (concentrators.value > 1.0).then(|| format!("{} concentrators", words::of(concentrators)));
    joined([offer, session, several])
}

fn ipv6(figures: &Figures<'_>) -> String {
    let Some(routers) = figures.first("ipv6.routers") else { return String::new() };
    if routers.value == 0.0 {
        return "no router offers a default route".to_owned();
    }
    let time = figures.first("ipv6.advertisement_time").map(|r| format!("advertised in {}", words::of(r)));
    let several = (routers.value > 1.0).then(|| format!("{} routers", words::of(routers)));
    joined([time, several])
}

/// Traffic of others below this is the chatter of idle devices.
const NOTABLE_MBIT: f64 = 0.1;

fn gateway(figures: &Figures<'_>) -> String {
    let line = both(figures, "gateway.link_rate").map(|text| format!("says its line runs at {text}"));
    let uptime = figures.first("gateway.uptime").map(|r| format!("connected for {}", words::of(r)));
    let others = figures.worst("gateway.other_traffic").map(|most| match both(figures, "gateway.other_traffic") {
        Some(text) if most.value >= NOTABLE_MBIT => format!("others move {text}"),
        _ => "nobody else uses it".to_owned(),
    });
    let noise = figures.first("gateway.group_frame_rate");
    let noise = noise.map(|r| format!("{} broadcast and multicast frames a second", words::significant(r.value)));
    joined([line, uptime, others, noise])
}

fn dns(figures: &Figures<'_>) -> String {
    let time = figures.worst("dns.lookup_time_p50").map(|r| format!("lookup {}", words::of(r)));
    let cached = figures.worst("dns.cached_time_p50").map(|r| format!("cached {}", words::of(r)));
    let failing = figures.worst("dns.failure_ratio").map(|r| match (&r.target, r.value > 0.0) {
        (_, false) => "none failed".to_owned(),
        (Some(target), true) => format!("{} failed at {}", words::of(r), words::target_words(target)),
        (None, true) => format!("{} failed", words::of(r)),
    });
    let lies = figures.worst("dns.false_answers").filter(|r| r.value > 0.0).map(|r| format!("{} false answers", words::of(r)));
    joined([time, cached, failing, lies])
}

fn echo(figures: &Figures<'_>) -> String {
    let points = [(Target::Gateway, "gateway"), (Target::ProviderHop, "provider"), (Target::FarEnd, "far end")];
    let said = points.into_iter().map(|(target, name)| {
        let of = |reading: &str| figures.0.iter().copied().find(|r| r.name == reading && r.target.as_ref() == Some(&target));
        let loss = of("echo.loss_ratio").filter(|r| r.value > 0.0);
        match (of("echo.round_trip_p50"), loss) {
            (Some(time), Some(loss)) => Some(format!("{name} {} with {} lost", words::of(time), words::of(loss))),
            (Some(time), None) => Some(format!("{name} {}", words::of(time))),
            (None, Some(_)) => Some(format!("{name} silent")),
            (None, None) => None,
        }
    });
    joined(said)
}

fn farend(figures: &Figures<'_>) -> String {
    let connect = figures.first("farend.connect_time").map(|r| format!("connected in {}", words::of(r)));
    joined([connect, figures.first("farend.hello_time").map(|r| format!("greeted in {}", words::of(r)))])
}

fn twoway(figures: &Figures<'_>) -> String {
    let median = figures.first("twoway.round_trip_p50").map(|r| format!("round trip {}", words::of(r)));
    let tail = figures.first("twoway.round_trip_p95").map(|r| tail(r, ""));
    let ways = both(figures, "twoway.loss_ratio");
    let loss = ways.or_else(|| figures.first("twoway.loss_ratio").map(words::of)).map(|text| format!("loss {text}"));
    let variation = both(figures, "twoway.delay_variation_p95").map(|text| format!("variation {text}"));
    joined([median, tail, loss, variation])
}

/// `95 % of round trips within 3 ms`; where the 95th percentile lies among the lost, what that says.
fn tail(p95: &Reading, what: &str) -> String {
    if p95.exceeds {
        format!("over 5 %{what} not back within {}", words::figure(&p95.name, p95.unit, p95.value))
    } else {
        format!("95 %{what} within {}", words::of(p95))
    }
}

/// `down 0.3 % and up 0 %`.
fn both(figures: &Figures<'_>, name: &str) -> Option<String> {
    let way = |direction: Direction| figures.toward(name, direction).map(|r| format!("{direction} {}", words::of(r)));
    let ways: Vec<String> = [Direction::Down, Direction::Up].into_iter().filter_map(way).collect();
    (!ways.is_empty()).then(|| ways.join(" and "))
}

fn throughput(figures: &Figures<'_>) -> String {
    let rates = both(figures, "throughput.tcp_payload_rate");
    let delays = figures.all("throughput.delay_under_load_p95").into_iter().map(|r| {
        let when = match r.load {
            Some(Load::Down) => " down",
            Some(Load::Up) => " up",
            Some(Load::Both) => " both ways",
            Some(Load::Idle) | None => "",
        };
        Some(format!("{} while filled{when}", tail(r, " of round trips")))
    });
    joined([rates].into_iter().chain(delays))
}

/// For checks that have no line of their own yet: the first three figures by their names.
fn other(figures: &Figures<'_>) -> String {
    let name = |r: &Reading| r.name.split_once('.').map_or_else(|| r.name.clone(), |(_, figure)| figure.replace('_', " "));
    let said = figures.0.iter().take(3).map(|r| match words::selector(r) {
        none if none.is_empty() => Some(format!("{} {}", name(r), words::of(r))),
        some => Some(format!("{} {} ({some})", name(r), words::of(r))),
    });
    joined(said)
}
