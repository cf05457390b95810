//! The key figures of each check in a line.

use crate::reading::{Reading, Target, words};
use crate::unit::{Direction, Family, Load};

/// The checks from the port outwards; those not listed follow in the order of the record.
pub(super) const ORDER: &[&str] = &[
    "selftest",
    "line",
    "link",
    "dhcp4",
    "vlan",
    "pppoe",
    "ipv6",
    "gateway",
    "dns",
    "echo",
    "path",
    "farend",
    "between",
    "mtu",
    "web",
    "sip",
    "twoway",
    "throughput",
    "capacity",
    "shaping",
    "responsiveness",
    "multicast",
    "voice",
];

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
        "line" => typed_line(figures),
        "selftest" => selftest(figures),
        "link" => link(figures),
        "dhcp4" => dhcp4(figures),
        "pppoe" => pppoe(figures),
        "vlan" => vlan(figures),
        "ipv6" => ipv6(figures),
        "gateway" => gateway(figures),
        "dns" => dns(figures),
        "between" => between(figures),
        "mtu" => mtu(figures),
        "echo" => echo(figures),
        "path" => path(figures),
        "farend" => farend(figures),
        "twoway" => twoway(figures),
        "multicast" => multicast(figures),
        "throughput" => throughput(figures),
        "capacity" => both(figures, "capacity.ip_rate").map(|text| format!("{text} of IP packets at most")).unwrap_or_default(),
        "shaping" => both(figures, "shaping.rate").map(|text| format!("held to {text} of IP packets")).unwrap_or_default(),
        "web" => web(figures),
        "sip" => sip(figures),
        "responsiveness" => both(figures, "responsiveness.round_trips_per_minute")
            .map(|text| format!("round trips under load: {text}"))
            .unwrap_or_default(),
        "voice" => voice(figures),
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

    fn least(&self, name: &str) -> Option<&'a Reading> {
        self.all(name).into_iter().min_by(|a, b| a.value.total_cmp(&b.value))
    }

    fn toward(&self, name: &str, direction: Direction) -> Option<&'a Reading> {
        self.0.iter().copied().find(|r| r.name == name && r.direction == Some(direction))
    }
}

fn joined(parts: impl IntoIterator<Item = Option<String>>) -> String {
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// `the test set moves TCP 9,400 Mbit/s, UDP up 3,100 Mbit/s, down 2,900 Mbit/s over its loopback`; nothing where it was not loaded.
fn selftest(figures: &Figures<'_>) -> String {
    let udp = both(figures, "selftest.udp_rate").map(|text| format!("UDP {text}"));
    let moved = joined([figures.first("selftest.tcp_rate").map(|r| format!("TCP {}", words::of(r))), udp]);
    if moved.is_empty() { moved } else { format!("the test set moves {moved} over its loopback") }
}

fn link(figures: &Figures<'_>) -> String {
    if figures.first("link.carrier").is_some_and(|r| r.value < 1.0) {
        return "no carrier".to_owned();
    }
    let duplex = figures.first("link.full_duplex").map(|r| if r.value < 1.0 { "half duplex" } else { "full duplex" });
    let errors = figures.first("link.receive_errors").map(|r| format!("{} errored frames", words::of(r)));
    joined([figures.first("link.speed").map(words::of), duplex.map(str::to_owned), errors])
}

/// `typed in: down 105.3 Mbit/s, margin 9.1 dB; up 42 Mbit/s`.
fn typed_line(figures: &Figures<'_>) -> String {
    let shown = [
        ("line.rate", ""),
        ("line.margin", "margin "),
        ("line.attenuation", "attenuation "),
        ("line.errored_second_ratio", "errored seconds "),
    ];
    let way = |direction: Direction| {
        let parts =
            shown.into_iter().map(|(name, lead)| figures.toward(name, direction).map(|r| format!("{lead}{}", words::of(r))));
        Some(joined(parts)).filter(|text| !text.is_empty()).map(|text| format!("{direction} {text}"))
    };
    let light = figures.first("line.received_power").map(|r| format!("light received {}", words::of(r)));
    let said: Vec<String> = [way(Direction::Down), way(Direction::Up), light].into_iter().flatten().collect();
    format!("typed in: {}", if said.is_empty() { "technology only".to_owned() } else { said.join("; ") })
}

fn dhcp4(figures: &Figures<'_>) -> String {
    let offer = figures.first("dhcp4.offer_time").map(|r| format!("offered in {}", words::of(r)));
    let ack = figures.first("dhcp4.ack_time").map(|r| format!("confirmed in {}", words::of(r)));
    let servers = figures.first("dhcp4.servers").filter(|r| r.value > 1.0).map(|r| format!("{} servers", words::of(r)));
    let lease = figures.first("dhcp4.lease_time").map(|r| format!("lease {}", words::of(r)));
    let renewal = figures.first("dhcp4.renewal_time").map(|r| format!("renewed in {}", words::of(r)));
    let conflicts = figures.first("dhcp4.conflicts").filter(|r| r.value > 0.0).map(|_| "address in use by another".to_owned());
    joined([offer, ack, servers, lease, renewal, conflicts])
}

fn pppoe(figures: &Figures<'_>) -> String {
    let Some(concentrators) = figures.first("pppoe.concentrators") else { return String::new() };
    if concentrators.value == 0.0 {
        return "no concentrator offers a session".to_owned();
    }
    let offer = figures.first("pppoe.offer_time").map(|r| format!("offered in {}", words::of(r)));
    let session = figures.first("pppoe.session_time").map(|r| format!("session opened in {}", words::of(r)));
    let ready = figures.first("pppoe.setup_time").map(|r| format!("logged in after {}", words::of(r)));
    let echo = figures.first("pppoe.echo_time_p50").map(|r| format!("echo in the session {}", words::of(r)));
    let several = (concentrators.value > 1.0).then(|| format!("{} concentrators", words::of(concentrators)));
    joined([offer, session.filter(|_| ready.is_none()), ready, echo, several])
}

/// `2 of 3 channels came, first packet after 12 ms, picture after 480 ms, changes 510 ms`.
fn multicast(figures: &Figures<'_>) -> String {
    let arrivals = figures.all("multicast.arrives");
    let came = arrivals.iter().filter(|r| r.value > 0.0).count();
    let channels = (!arrivals.is_empty()).then(|| format!("{came} of {} channels came", arrivals.len()));
    let time = |name, lead: &str| figures.worst(name).map(|r| format!("{lead} {}", words::of(r)));
    let loss = figures.worst("multicast.stream_loss_ratio").map(|r| format!("{} lost", words::of(r)));
    // What is wrong in the stream itself; nothing is said of what is right.
    let amiss = |name, what: &str| figures.worst(name).filter(|r| r.value > 0.0).map(|r| format!("{} {what}", words::of(r)));
    joined([
        channels,
        time("multicast.join_time", "first packet after"),
        time("multicast.first_picture_time", "picture after"),
        time("multicast.change_time_p50", "change of channel"),
        loss,
        amiss("multicast.stream_continuity_errors", "continuity errors"),
        amiss("multicast.stream_missing_pids", "streams that a program names and that do not come"),
        amiss("multicast.stream_pcr_accuracy_errors", "inaccurate clock references"),
        amiss("multicast.stream_duplicate_ratio", "of packets came twice"),
    ])
}

fn path(figures: &Figures<'_>) -> String {
    let Some(hops) = figures.first("path.hops") else { return String::new() };
    let to = hops.target.as_ref().map_or_else(|| "the far end".to_owned(), words::target_words);
    let several = figures.first("path.parallel_next_hops").filter(|r| r.value > 1.0);
    let several = several.map(|r| format!("up to {} next hops side by side", words::of(r)));
    let back = figures.first("path.hops_backward").filter(|r| r.family == hops.family && (r.value - hops.value).abs() >= 2.0);
    let back = back.map(|r| format!("{} hops back", words::of(r)));
    joined([Some(format!("{} hops to {to}", words::of(hops))), back, several])
}

/// Who answers where, and what to type for a visit there.
fn vlan(figures: &Figures<'_>) -> String {
    const SERVICES: [(&str, &str); 3] =
        [("vlan.dhcp_time", "DHCP"), ("vlan.pppoe_time", "PPPoE"), ("vlan.router_time", "IPv6 router")];
    let mut places: Vec<(u16, u16)> = figures.0.iter().filter_map(|r| vlan_of(r)).collect();
    places.sort_unstable();
    places.dedup();
    if places.is_empty() && figures.first("vlan.answering").is_some() {
        return "nobody answers, with or without a tag".to_owned();
    }
    let place = |place: (u16, u16)| {
        let has = |name: &str| figures.0.iter().any(|r| r.name == name && vlan_of(r) == Some(place));
        let found: Vec<&str> = SERVICES.iter().filter(|(name, _)| has(name)).map(|(_, service)| *service).collect();
        let flag = match place {
            (0, _) => None,
            (outer, 0) => Some(format!("--vlan {outer}")),
            (outer, inner) => Some(format!("--vlan {outer}.{inner}")),
        };
        let login = (has("vlan.pppoe_time") && !has("vlan.dhcp_time")).then(|| "--access pppoe".to_owned());
        let flags: Vec<String> = flag.into_iter().chain(login).collect();
        let how = if flags.is_empty() { String::new() } else { format!(" (visit it with {})", flags.join(" ")) };
        format!("{}: {}{how}", words::target_words(&Target::Vlan(place.0, place.1)), found.join(", "))
    };
    places.into_iter().map(place).collect::<Vec<_>>().join("; ")
}

fn vlan_of(reading: &Reading) -> Option<(u16, u16)> {
    match reading.target {
        Some(Target::Vlan(outer, inner)) => Some((outer, inner)),
        _ => None,
    }
}

fn ipv6(figures: &Figures<'_>) -> String {
    let Some(routers) = figures.first("ipv6.routers") else { return String::new() };
    if routers.value == 0.0 && figures.first("ipv6.address_held").is_none() {
        return "no router offers a default route".to_owned();
    }
    let time = figures.first("ipv6.advertisement_time").map(|r| format!("advertised in {}", words::of(r)));
    let several = (routers.value > 1.0).then(|| format!("{} routers", words::of(routers)));
    let held = figures.first("ipv6.address_held").map(|r| if r.value < 1.0 { "no address" } else { "address held" });
    let prefix = figures.first("ipv6.delegated_prefix_length").map(|r| format!("/{} delegated", words::of(r)));
    let none = figures.first("ipv6.prefix_delegated").filter(|r| r.value < 1.0).map(|_| "no prefix delegated".to_owned());
    let way = figures.first("ipv6.leads_out").map(|r| if r.value < 1.0 { "leads nowhere" } else { "leads out" });
    joined([time, several, held.map(str::to_owned), prefix.or(none), way.map(str::to_owned)])
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
    let tls = figures.first("dns.tls_lookup_time").map(|r| format!("over TLS {}", words::of(r)));
    let validates =
        figures.first("dns.validates").map(|r| if r.value > 0.0 { "validates" } else { "does not validate" }.to_owned());
    joined([time, cached, tls, failing, lies, validates])
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

fn between(figures: &Figures<'_>) -> String {
    let Some(translators) = figures.first("between.translators") else { return String::new() };
    let carrier = figures.first("between.carrier_translation").is_some_and(|r| r.value > 0.0);
    let who = match translators.value {
        n if n < 1.0 => "nobody translates addresses".to_owned(),
        _ if carrier => "the provider translates addresses".to_owned(),
        n if n < 2.0 => "one address translator".to_owned(),
        _ => format!("{} address translators at least", words::of(translators)),
    };
    let kept = figures.first("between.port_kept_ratio").map(|r| format!("ports kept {}", words::of(r)));
    let lifetime = figures.first("between.binding_lifetime").map(|r| format!("UDP bindings last {}", words::of(r)));
    joined([Some(who), kept, lifetime])
}

fn mtu(figures: &Figures<'_>) -> String {
    let sizes = both(figures, "mtu.path_mtu").map(|text| format!("path MTU {text}"));
    let swallowed =
        figures.worst("mtu.blackhole").filter(|r| r.value > 0.0).map(|_| "larger packets vanish without a word".to_owned());
    let clamped = figures.first("mtu.segment_clamped").is_some_and(|r| r.value > 0.0);
    let segment =
        figures.first("mtu.segment_size").filter(|_| clamped).map(|r| format!("TCP segments clamped to {}", words::of(r)));
    joined([sizes, swallowed, segment])
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

fn web(figures: &Figures<'_>) -> String {
    let is = |name: &str, words: &str| figures.worst(name).filter(|r| r.value > 0.0).map(|_| words.to_owned());
    joined([
        figures.first("web.page_time").map(|r| format!("page in {}", words::of(r))),
        figures.first("web.first_byte_time").map(|r| format!("first byte after {}", words::of(r))),
        figures.first("web.public_page_time").map(|r| format!("a public page in {}", words::of(r))),
        is("web.captive_portal", "a captive portal answers"),
        is("web.transparent_proxy", "a proxy stands in between"),
    ])
}

fn sip(figures: &Figures<'_>) -> String {
    let is = |name: &str, value: f64, words: &str| figures.first(name).filter(|r| r.value == value).map(|_| words.to_owned());
    let times = ["sip.options_udp_time", "sip.options_tcp_time", "sip.options_tls_time"];
    let first = times.into_iter().find_map(|name| figures.first(name));
    joined([
        first.map(|r| format!("the voice service answers in {}", words::of(r))),
        is("sip.answered", 0.0, "the voice service does not answer"),
        figures.first("sip.register_time").map(|r| format!("registered in {}", words::of(r))),
        is("sip.registered", 0.0, "the account is not taken"),
        is("sip.certificate_valid", 0.0, "its certificate is not valid"),
        is("sip.rewritten", 1.0, "SIP is rewritten on the way"),
    ])
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

/// `rating R down 91.7 and up 91.7, estimated opinion score 4.37; ...`.
fn voice(figures: &Figures<'_>) -> String {
    let said = [(None, ""), (Some(Load::Both), " while filled both ways")].map(|(load, when)| {
        let of_load = Figures(figures.0.iter().copied().filter(|r| r.load == load).collect());
        let rating = both(&of_load, "voice.rating")?;
        let score = of_load.least("voice.opinion_score").map(|r| format!(", estimated opinion score {}", words::of(r)));
        Some(format!("rating R {rating}{}{when}", score.unwrap_or_default()))
    });
    said.into_iter().flatten().collect::<Vec<_>>().join("; ")
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
