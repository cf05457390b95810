//! The reading names: the list that profiles may set criteria on, with unit and meaning.
//!
//! One entry per figure, grouped by check. `docs/methods.md` says how each is taken; a test holds the two together.

use super::Unit;

/// One reading name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NameSpec {
    /// `check.figure`.
    pub name: &'static str,
    /// Its unit.
    pub unit: Unit,
    /// What it is, in a line.
    pub what: &'static str,
}

const fn n(name: &'static str, unit: Unit, what: &'static str) -> NameSpec {
    NameSpec { name, unit, what }
}

/// The check that gives a figure of this name.
pub fn check_of(name: &str) -> &str {
    name.split_once('.').map_or(name, |(check, _)| check)
}

/// The entry of a name.
pub fn find(name: &str) -> Option<&'static NameSpec> {
    ALL.iter().find(|spec| spec.name == name)
}

use Unit::{Decibel, DecibelMilliwatt, MegabitPerSecond, Millisecond, Octet, One, PerMinute, PerSecond, Second};

/// All reading names.
pub const ALL: &[NameSpec] = &[
    n("line.rate", MegabitPerSecond, "rate of the access line as typed in from the modem's page"),
    n("line.attainable_rate", MegabitPerSecond, "rate that the line could reach, as typed in"),
    n("line.margin", Decibel, "noise margin, as typed in"),
    n("line.attenuation", Decibel, "attenuation, as typed in"),
    n("line.errored_seconds", One, "errored seconds, as typed in"),
    n("line.severely_errored_seconds", One, "severely errored seconds, as typed in"),
    n("line.errored_second_ratio", One, "errored seconds per second counted, as typed in"),
    n("line.received_power", DecibelMilliwatt, "optical power received by the terminal, as typed in"),
    n("line.sent_power", DecibelMilliwatt, "optical power sent by the terminal, as typed in"),
    n("line.sold_share", One, "TCP payload that the typed line rate can give per TCP payload that the sold rate can give"),
    n("selftest.tcp_rate", MegabitPerSecond, "TCP payload that the test set moves over its own loopback"),
    n(
        "selftest.udp_rate",
        MegabitPerSecond,
        "IP packets of UDP that the test set sends (up) and receives (down) over its own loopback",
    ),
    n("selftest.clock_share", One, "share of its highest clock that a setting leaves to the test set's slowest core"),
    n("selftest.cpu_stolen", One, "share of the visit's processor time that a hypervisor gave to others"),
    n("selftest.throttled", One, "times that the test set's cores were slowed down against heat or for power during the visit"),
    n("link.carrier", One, "1 when the port has carrier, else 0"),
    n("link.speed", MegabitPerSecond, "negotiated speed of the port"),
    n("link.full_duplex", One, "1 when the port runs full duplex, 0 when half"),
    n("link.mtu", Octet, "MTU of the interface"),
    n("link.receive_errors", One, "receive errors counted by the port during the visit"),
    n("link.transmit_errors", One, "transmit errors counted by the port during the visit"),
    n("link.receive_drops", One, "frames that the port or its queue dropped on receive during the visit"),
    n("dhcp4.address_held", One, "1 when the port has a usable IPv4 address after the check, leased or found there, else 0"),
    n("dhcp4.offer_time", Millisecond, "DISCOVER sent to OFFER received, per server"),
    n("dhcp4.ack_time", Millisecond, "REQUEST sent to ACK received"),
    n("dhcp4.servers", One, "servers that answered within the window"),
    n("dhcp4.discovers_sent", One, "DISCOVER messages sent until the first OFFER"),
    n("dhcp4.lease_time", Second, "lease time granted (option 51)"),
    n("dhcp4.renew_after", Second, "time from the lease's start to its first renewal (T1, option 58 or half of the lease)"),
    n("dhcp4.rebind_after", Second, "time from the lease's start to asking any server (T2, option 59 or seven eighths)"),
    n("dhcp4.renewal_time", Millisecond, "unicast REQUEST of a renewal sent to ACK received"),
    n("dhcp4.conflicts", One, "other stations that use the address handed out or held"),
    n("pppoe.concentrators", One, "access concentrators that offer a PPPoE session (RFC 2516)"),
    n("pppoe.offer_time", Millisecond, "from PADI to the first PADO"),
    n("pppoe.session_time", Millisecond, "from PADR to the PADS that opens a session"),
    n("pppoe.address_held", One, "1 when the login gave an IPv4 address, else 0"),
    n("pppoe.link_time", Millisecond, "from the first LCP packet until the link is agreed on"),
    n("pppoe.login_time", Millisecond, "from then until the login is accepted"),
    n("pppoe.address_time", Millisecond, "from then until the IPv4 address is given (IPCP)"),
    n("pppoe.setup_time", Millisecond, "from the first PADI until the session can be used"),
    n("pppoe.echo_time_p50", Millisecond, "median LCP echo round trip in the session"),
    n("pppoe.mru", Octet, "largest PPP information that an LCP echo carried both ways"),
    n("vlan.answering", One, "VLANs (and frames without a tag) in which somebody answers"),
    n("vlan.dhcp_time", Millisecond, "from a DISCOVER in a VLAN to the OFFER"),
    n("vlan.pppoe_time", Millisecond, "from a PADI in a VLAN to the PADO"),
    n("vlan.router_time", Millisecond, "from a router solicitation in a VLAN to the advertisement"),
    n("ipv6.routers", One, "routers whose advertisement offers a default route (RFC 4861)"),
    n("ipv6.advertisement_time", Millisecond, "from a router solicitation to the first valid advertisement"),
    n("gateway.link_rate", MegabitPerSecond, "rate of the access line in the gateway's own word (UPnP)"),
    n("gateway.uptime", Second, "how long the gateway's connection has stood, in its own word (UPnP)"),
    n("gateway.other_traffic", MegabitPerSecond, "what others moved on the idle line, by the gateway's counters (UPnP)"),
    n("gateway.group_frame_rate", PerSecond, "broadcast and multicast frames that arrived at the port per second"),
    n("ipv6.router_answer_time", Millisecond, "from a neighbour solicitation to the default router's answer"),
    n("ipv6.leads_out", One, "1 when something sent through the default router was answered from far away, else 0"),
    n("ipv6.address_held", One, "1 when the port has a usable global IPv6 address, made, lent or found there, else 0"),
    n("ipv6.address_time", Millisecond, "from the first solicitation until the first own address was usable"),
    n("ipv6.dhcp_servers", One, "DHCPv6 servers that answered within the window (RFC 8415)"),
    n("ipv6.solicit_time", Millisecond, "SOLICIT sent to ADVERTISE received, per server"),
    n("ipv6.reply_time", Millisecond, "REQUEST, or what else asks for one, sent to REPLY received, per server"),
    n("ipv6.prefix_delegated", One, "1 when a prefix was delegated, 0 when one should be and was not"),
    n("ipv6.delegated_prefix_length", One, "length of the delegated prefix in bits; the shortest of several"),
    n("dns.lookup_time_p50", Millisecond, "median time of an uncached lookup over UDP"),
    n("dns.lookup_time_p95", Millisecond, "95th percentile time of an uncached lookup over UDP"),
    n("dns.cached_time_p50", Millisecond, "median time of a cached lookup over UDP"),
    n("dns.cached_time_min", Millisecond, "smallest time of a cached lookup over UDP: the resolver's distance"),
    n("dns.tcp_time_p50", Millisecond, "median time of a lookup over TCP, connection set-up included"),
    n("dns.tls_connect_time", Millisecond, "connection of TCP for DNS over TLS (RFC 7858)"),
    n("dns.tls_handshake_time", Millisecond, "handshake of DNS over TLS"),
    n("dns.tls_lookup_time", Millisecond, "lookup over TLS, connection and handshake left out"),
    n("dns.https_connect_time", Millisecond, "connection of TCP for DNS over HTTPS (RFC 8484)"),
    n("dns.https_handshake_time", Millisecond, "handshake of TLS for DNS over HTTPS"),
    n("dns.https_lookup_time", Millisecond, "lookup over HTTPS, connection and handshake left out"),
    n("dns.validates", One, "1 when the resolver refuses a spoiled signature (DNSSEC), 0 when it passes it on"),
    n("dns.failure_ratio", One, "share of lookups without a usable answer"),
    n("dns.false_answers", One, "answers given for names that do not exist, or that differ from the zone's authority"),
    n("echo.schedule_error_p95", Millisecond, "95th percentile of how far the test set sent echoes behind their schedule"),
    n("echo.loss_ratio", One, "share of ICMP echo requests without a reply in time"),
    n("echo.round_trip_min", Millisecond, "smallest ICMP echo round trip"),
    n("echo.round_trip_p50", Millisecond, "median ICMP echo round trip"),
    n("echo.round_trip_p95", Millisecond, "95th percentile of the ICMP echo round trip"),
    n("echo.round_trip_p99", Millisecond, "99th percentile of the ICMP echo round trip"),
    n("farend.connect_time", Millisecond, "TCP connection set-up time to the far end's control port"),
    n("farend.hello_time", Millisecond, "TLS and first answer of the far end, after connecting"),
    n("between.translators", One, "address translators between this laptop and the far end, at least"),
    n("between.carrier_translation", One, "1 when the provider translates addresses too, else 0"),
    n("between.port_kept_ratio", One, "share of sockets whose port the translator keeps"),
    n("between.mapping_by_port", One, "1 when a socket gets another mapping for another port of the far end (RFC 4787), else 0"),
    n("between.filtering_by_port", One, "1 when only the port that was asked may answer (RFC 4787), else 0"),
    n("between.binding_lifetime", Second, "longest silence after which an answer still came through the translator"),
    n("mtu.path_mtu", Octet, "largest IP packet that arrives whole"),
    n("mtu.blackhole", One, "1 when larger packets vanish and no router says so, else 0"),
    n("mtu.segment_size", Octet, "TCP maximum segment size of this laptop's SYN, as it arrives at the far end"),
    n("mtu.segment_clamped", One, "1 when that is smaller than this laptop asked for: somebody on the way clamps it, else 0"),
    n(
        "twoway.counted_loss_ratio",
        One,
        "packets lost per packet sent, per direction, by both sides' counters (RFC 8972 section 4.5)",
    ),
    n("twoway.loss_ratio", One, "share of test packets lost; per direction where the reflector counts, else of the round trip"),
    n("twoway.round_trip_min", Millisecond, "smallest round trip less the reflector's own time"),
    n("twoway.round_trip_p50", Millisecond, "median round trip less the reflector's own time"),
    n("twoway.round_trip_p95", Millisecond, "95th percentile of the round trip less the reflector's own time"),
    n("twoway.round_trip_p99", Millisecond, "99th percentile of the round trip less the reflector's own time"),
    n("twoway.delay_variation_p95", Millisecond, "95th percentile of one-way delay above its minimum (PDV, RFC 5481)"),
    n("twoway.delay_variation_p999", Millisecond, "99.9th percentile of one-way delay above its minimum (PDV, RFC 5481)"),
    n("twoway.jitter", Millisecond, "interarrival jitter (RFC 3550 section 6.4.1) at the end of the stream"),
    n("twoway.reordered_ratio", One, "share of received packets that arrived reordered (RFC 4737 type-P-reordered)"),
    n("twoway.duplicate_ratio", One, "packets received more than once per packet received (RFC 5560)"),
    n("twoway.delay_variation_p50", Millisecond, "median one-way delay above its minimum (PDV, RFC 5481)"),
    n("twoway.ipdv_p50", Millisecond, "median size of the difference of successive one-way delays (IPDV, RFC 3393)"),
    n("twoway.ipdv_p95", Millisecond, "95th percentile of that size"),
    n("twoway.ipdv_p999", Millisecond, "99.9th percentile of that size"),
    n("twoway.transfer_delay_mean", Millisecond, "mean one-way delay (IPTD, ITU-T Y.1540), taken as half of the round trip"),
    n("twoway.class_loss_ratio", One, "share of a class's test packets lost; per direction where the reflector counts"),
    n("twoway.class_round_trip_p50", Millisecond, "median round trip of a class of service less the reflector's own time"),
    n("twoway.class_round_trip_p95", Millisecond, "95th percentile of the round trip of a class of service"),
    n(
        "twoway.class_delay_variation_p95",
        Millisecond,
        "95th percentile of a class's one-way delay above its minimum (PDV, RFC 5481)",
    ),
    n("twoway.schedule_error_p99", Millisecond, "99th percentile of how much later than fixed a packet left: the test set's own"),
    n("twoway.errored_ratio", One, "share of answers that arrived damaged (IPER, ITU-T Y.1540)"),
    n("twoway.burst_density", One, "share of packets lost inside bursts of loss (RFC 3611 section 4.7.2, Gmin 16)"),
    n("twoway.burst_duration", Millisecond, "mean length of a burst of loss (RFC 3611 section 4.7.2)"),
    n("twoway.gap_density", One, "share of packets lost between bursts (RFC 3611 section 4.7.2)"),
    n("twoway.gap_duration", Millisecond, "mean length of the stretches between bursts (RFC 3611 section 4.7.2)"),
    n("twoway.longest_loss", Millisecond, "longest run of packets lost one behind the other (RFC 3357 loss period)"),
    n("twoway.reordering_extent", One, "packets that overtook a reordered one, at most (RFC 4737 section 4.2.1)"),
    n(
        "twoway.three_reordered_ratio",
        One,
        "share of packets overtaken by three and more: TCP takes them for lost (RFC 4737 section 5.4)",
    ),
    n(
        "multicast.querier_present",
        One,
        "1 when somebody asks for memberships (IGMP, MLD), 0 when nobody did for longer than queries lie apart",
    ),
    n("multicast.queriers", One, "addresses that ask for memberships"),
    n("multicast.beside_loss_ratio", One, "share of echoes lost while channels were received"),
    n("multicast.querier_version", One, "oldest version of IGMP or MLD that is asked in"),
    n("multicast.query_interval", Second, "time between general queries, as the querier says or as it was seen"),
    n("multicast.unasked_rate", PerSecond, "packets per second of a channel that arrive though nobody here has joined it"),
    n("multicast.arrives", One, "1 when a channel came after it was joined, else 0"),
    n("multicast.join_time", Millisecond, "from the report that joins a channel to its first packet"),
    n(
        "multicast.stays",
        One,
        "1 when a joined channel still came at the end of the time that it was watched, 0 when it ended by itself",
    ),
    n("multicast.stops_on_leave", One, "1 when a channel ended after it was left, else 0"),
    n("multicast.leave_time", Millisecond, "from the message that leaves a channel to its last packet"),
    n("multicast.channels_at_once", One, "channels that came side by side, of those that were joined at once"),
    n(
        "multicast.change_time_p50",
        Millisecond,
        "median time from the report that leaves one channel and joins another to that one's first packet",
    ),
    n("multicast.change_time_p95", Millisecond, "95th percentile of that time"),
    n(
        "multicast.first_picture_time",
        Millisecond,
        "from the report that joins a channel to the packet from which on pictures can be made",
    ),
    n(
        "multicast.change_picture_time_p50",
        Millisecond,
        "median time from the report of a change to the packet from which on pictures can be made",
    ),
    n("multicast.change_picture_time_p95", Millisecond, "95th percentile of that time"),
    n("multicast.change_failure_ratio", One, "share of changes whose channel did not come"),
    n("path.hops", One, "hops to the far end, or to a resolver where there is none of this IP version"),
    n("path.hops_back", One, "hops of the destination's answers on their way here, by the hop limit that they came with"),
    n("path.hops_backward", One, "hops of the far end's own probes on their way here, counted one by one"),
    n(
        "path.hop_loss_ratio",
        One,
        "share of probes lost on the way to a hop, no more than at any hop behind it: silence of a router is no loss",
    ),
    n("path.hop_round_trip_p50", Millisecond, "median round trip to a hop"),
    n(
        "path.parallel_next_hops",
        One,
        "equal next hops side by side at the hop that has most of them, by the addresses that answer",
    ),
    n("path.flow_loss_ratio", One, "share of questions lost to the far end and back, over flows that take all ways"),
    n("path.bad_flow_ratio", One, "share of flows that lose packets where the others do not: one of several equal ways is bad"),
    n("path.hop_mtu", Octet, "largest IP packet that gets to a hop whole"),
    n("path.changed", One, "1 when other routers answered from some moment of the check on"),
    n("path.changed_in_visit", One, "1 when other routers answered from some moment of the visit on"),
    n("path.source_rewritten", One, "1 when a hop sees another source address or port than ours: a NAT that shows"),
    n("path.dscp_rewritten", One, "1 when a hop sees another DSCP than was sent"),
    n("path.ecn_rewritten", One, "1 when a hop sees another ECN field than was sent"),
    n("throughput.tcp_payload_rate", MegabitPerSecond, "TCP payload received per second after start-up"),
    n("throughput.retransmit_ratio", One, "octets sent again per octet sent, at the sender"),
    n(
        "throughput.transfer_time_ratio",
        One,
        "time of the transfer by the time that the sold rate would take (RFC 6349 section 4.1)",
    ),
    n("throughput.efficiency_ratio", One, "share of the octets sent that were not sent again (RFC 6349 section 4.2)"),
    n("throughput.buffer_delay_ratio", One, "growth of the round trip under load by its least (RFC 6349 section 4.3)"),
    n("throughput.single_stream_rate", MegabitPerSecond, "TCP payload received per second by one stream alone"),
    n("throughput.fairness", One, "Jain's index over the streams' rates, 1 is equal"),
    n("throughput.start_up_time", Millisecond, "time excluded at the start of the phase"),
    n("throughput.delay_under_load_p50", Millisecond, "median twoway round trip while the line is filled"),
    n("throughput.delay_under_load_p95", Millisecond, "95th percentile of the twoway round trip while the line is filled"),
    n("throughput.delay_under_load_p99", Millisecond, "99th percentile of the twoway round trip while the line is filled"),
    n("throughput.both_ways_rate", MegabitPerSecond, "TCP payload received per second while both directions are filled at once"),
    n("throughput.loss_under_load", One, "twoway loss while the line is filled"),
    n(
        "throughput.cross_traffic_ratio",
        One,
        "share of the octets on the line, in the direction that was filled, that were not the agent's, by the gateway's counters",
    ),
    n("capacity.ip_rate", MegabitPerSecond, "maximum IP-layer capacity (RFC 9097): the best sub-interval of a test"),
    n("capacity.mean_rate", MegabitPerSecond, "IP-layer rate received over the whole capacity test, its search among it"),
    n("capacity.loss_ratio", One, "share of packets lost in the sub-interval of the maximum"),
    n("capacity.round_trip_rise", Millisecond, "largest round trip above the least in the sub-interval of the maximum"),
    n("shaping.rate", MegabitPerSecond, "IP-layer rate to which a train faster than the line was held, behind the burst"),
    n("shaping.burst", Octet, "octets of IP packets that pass at once after an idle time"),
    n("shaping.boost_rate", MegabitPerSecond, "IP-layer rate at the start, where the line gives more for at least 0.1 s"),
    n("shaping.boost_time", Second, "how long the higher rate at the start lasted"),
    n("shaping.queue_delay", Millisecond, "longest time that packets of the train waited in the line's queue"),
    n("shaping.queue_octets", Octet, "octets of IP packets that wait in the line's queue when it is full"),
    n("responsiveness.round_trips_per_minute", PerMinute, "round trips per minute of work while the line is filled"),
    n("responsiveness.foreign_round_trips", PerMinute, "the part of new connections beside those that fill the line"),
    n("responsiveness.loaded_round_trips", PerMinute, "the part of requests on the connections that fill the line"),
    n("responsiveness.connect_time", Millisecond, "TCP handshake of a new connection while the line is filled, trimmed mean"),
    n("responsiveness.tls_time", Millisecond, "TLS handshake of it, per round trip, trimmed mean"),
    n("responsiveness.request_time", Millisecond, "request of one octet on it, trimmed mean"),
    n("responsiveness.loaded_request_time", Millisecond, "the same on a connection that fills the line, trimmed mean"),
    n("responsiveness.goodput", MegabitPerSecond, "payload of the connections that fill the line, moving average at the end"),
    n("sip.lookup_time", Millisecond, "finding the voice service's servers in DNS: NAPTR, SRV and addresses"),
    n("sip.answered", One, "1 when the voice service answers OPTIONS over any transport, else 0"),
    n("sip.transports_failed", One, "transports of the voice service over which nothing answers OPTIONS"),
    n("sip.options_udp_time", Millisecond, "from OPTIONS over UDP to its answer"),
    n("sip.options_tcp_time", Millisecond, "from OPTIONS over TCP to its answer, connecting not included"),
    n("sip.options_tls_time", Millisecond, "from OPTIONS over TLS to its answer, connecting not included"),
    n("sip.certificate_valid", One, "1 when the voice service's certificate is its domain's and of a trusted authority, else 0"),
    n("sip.registered", One, "1 when the registrar took the account, else 0"),
    n("sip.register_time", Millisecond, "from the request that registers to its answer"),
    n("sip.expiry_granted", Second, "how long the registrar keeps a registration"),
    n("sip.other_bindings", One, "other devices that were registered for the account"),
    n("sip.rewritten", One, "1 when SIP is changed on its way to the far end, else 0"),
    n("web.name_time", Millisecond, "looking up the far end's name"),
    n("web.connect_time", Millisecond, "TCP handshake for a page"),
    n("web.tls_time", Millisecond, "TLS handshake for a page"),
    n("web.first_byte_time", Millisecond, "from asking for the page to the head of the answer"),
    n("web.page_time", Millisecond, "page and its parts whole, connecting included"),
    n("web.race_won_by_ipv6", One, "1 when IPv6 was first in a race of both IP versions (RFC 8305), 0 when IPv4"),
    n("web.race_time", Millisecond, "from the race's start to its first connection"),
    n("web.captive_portal", One, "1 when somebody answers plain HTTP in the far end's place, else 0"),
    n("web.transparent_proxy", One, "1 when somebody in between takes part in plain HTTP, or changes it, else 0"),
    n("web.public_name_time", Millisecond, "looking up a public host's name at the line's resolvers"),
    n("web.public_connect_time", Millisecond, "TCP handshake with a public host"),
    n("web.public_tls_time", Millisecond, "TLS handshake with a public host"),
    n("web.public_first_byte_time", Millisecond, "from asking a public host for its page to the head of its answer"),
    n("web.public_page_time", Millisecond, "a public host's page whole, lookup and connecting included"),
    n("voice.loss_ratio", One, "share of speech packets that never came, all calls together"),
    n("voice.late_ratio", One, "share of speech packets that came too late for the listener's buffer, or too early for its room"),
    n("voice.jitter", Millisecond, "interarrival jitter (RFC 3550 section 6.4.1) at the end of the worst call"),
    n("voice.burstiness", One, "burst ratio (BurstR, ITU-T G.107) of lost and late packets: 1 is random, more is bursts"),
    n(
        "voice.buffer_delay",
        Millisecond,
        "mean time from the least transit to playing: what the line's variation and the buffer take",
    ),
    n("voice.round_trip_p50", Millisecond, "median round trip of speech packets, by the stamps of both ends"),
    n("voice.mouth_to_ear_delay", Millisecond, "coding, half of the round trip and buffer: the delay that the rating is given"),
    n("voice.underruns", One, "times that the listener's buffer ran empty"),
    n("voice.rating", One, "transmission rating R of the calls by the E-model (ITU-T G.107), 0 to 100"),
    n("voice.opinion_score", One, "estimated mean opinion score (ITU-T G.107 annex B), 1 to 4.5"),
    n("voice.bad_second_ratio", One, "share of seconds of the calls that are rated below 70"),
    n("voice.best_effort_rating", One, "rating R of an unmarked call at the same time"),
    n("voice.marking_gain", One, "rating R of the marked calls less that of the unmarked one"),
    n("voice.marking_kept", One, "1 when all speech packets arrived with the DSCP that they left with, else 0"),
    n(
        "voice.schedule_error_p99",
        Millisecond,
        "99th percentile of how much behind its time a speech packet left: the sender's own",
    ),
    n("multicast.stream_rate", MegabitPerSecond, "rate of a TV channel as it arrives, at the IP layer"),
    n("multicast.stream_clock_rate", MegabitPerSecond, "rate of its transport stream by the stream's own clock"),
    n("multicast.stream_longest_gap", Millisecond, "longest time without a packet of a channel"),
    n("multicast.stream_loss_ratio", One, "share of a channel's RTP packets that never came (RFC 3550)"),
    n("multicast.stream_reordered_ratio", One, "share of its RTP packets that came after a later one (RFC 4737)"),
    n("multicast.stream_duplicate_ratio", One, "extra copies per RTP packet (RFC 5560)"),
    n("multicast.stream_jitter", Millisecond, "interarrival jitter of its RTP packets at the end (RFC 3550 section 6.4.1)"),
    n(
        "multicast.stream_delay_factor",
        Millisecond,
        "largest delay factor of a second (DF of the media delivery index, RFC 4445)",
    ),
    n("multicast.stream_media_loss_rate", PerSecond, "largest media loss rate of a second, transport packets (MLR, RFC 4445)"),
    n("multicast.stream_media_lost", One, "transport packets lost or out of order in all"),
    n("multicast.stream_seconds_with_loss_ratio", One, "share of seconds in which any were"),
    n("multicast.stream_sync_losses", One, "times that two wrong sync octets followed each other (TR 101 290 1.1)"),
    n("multicast.stream_sync_octet_errors", One, "sync octets other than 47 (TR 101 290 1.2)"),
    n("multicast.stream_continuity_errors", One, "errors of the continuity counters (TR 101 290 1.4)"),
    n("multicast.stream_transport_errors", One, "packets with the transport error indicator (TR 101 290 2.1)"),
    n("multicast.stream_crc_errors", One, "program tables with a wrong CRC (TR 101 290 2.2)"),
    n(
        "multicast.stream_pat_errors",
        One,
        "times that the program association table stayed away for more than 0.5 s, or was none (TR 101 290 1.3)",
    ),
    n("multicast.stream_pat_interval", Millisecond, "longest time between two program association tables"),
    n("multicast.stream_pmt_errors", One, "times that a program map stayed away for more than 0.5 s (TR 101 290 1.5)"),
    n("multicast.stream_pmt_interval", Millisecond, "longest time between two maps of a program"),
    n("multicast.stream_missing_pids", One, "streams that a program names and that do not come for 5 s (TR 101 290 1.6)"),
    n("multicast.stream_pcr_interval", Millisecond, "longest time between two clock references (PCR)"),
    n("multicast.stream_pcr_interval_errors", One, "clock references more than 40 ms after the one before (TR 101 290 2.3)"),
    n(
        "multicast.stream_pcr_discontinuities",
        One,
        "steps of the clock back, or beyond 100 ms, that were not announced (TR 101 290 2.3)",
    ),
    n(
        "multicast.stream_pcr_accuracy",
        Millisecond,
        "farthest that a clock reference lies from where its place in the stream puts it",
    ),
    n("multicast.stream_pcr_accuracy_errors", One, "clock references more than 500 ns off (TR 101 290 2.4)"),
    n("multicast.stream_pcr_jitter", Millisecond, "95th percentile of how unevenly clock references arrive"),
    n("multicast.stream_pts_interval", Millisecond, "longest time between two presentation stamps"),
    n("multicast.stream_pts_errors", One, "times that was more than 700 ms (TR 101 290 2.5)"),
    n("multicast.stream_random_access_interval", Millisecond, "longest time between two points at which a decoder can begin"),
    n("multicast.stream_scrambled_ratio", One, "share of packets, null packets left out, that are scrambled"),
    n("multicast.stream_fec", One, "1 when repair packets came with a channel, else 0"),
    n("throughput.test_set_cpu", One, "busiest core's share of busy time on the test set during the phase"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_methods_page_says_how_each_is_taken_and_of_no_other() {
        let page = include_str!("../../docs/methods.md");
        let told: std::collections::BTreeSet<&str> = page.split('`').skip(1).step_by(2).collect();
        for spec in ALL {
            assert!(told.contains(spec.name), "docs/methods.md does not say how {} is taken", spec.name);
        }
        let checks: std::collections::BTreeSet<&str> = ALL.iter().filter_map(|s| Some(s.name.split_once('.')?.0)).collect();
        for word in told {
            let is_name =
                word.split_once('.').is_some_and(|(check, figure)| checks.contains(check) && !figure.contains(['/', '.', ' ']));
            assert!(!is_name || find(word).is_some(), "docs/methods.md tells of {word}, which is no reading");
        }
    }

    #[test]
    fn every_name_is_snake_case_check_dot_figure_and_unique() {
        let mut seen = std::collections::BTreeSet::new();
        for spec in ALL {
            let (check, figure) = spec.name.split_once('.').expect(spec.name);
            for part in [check, figure] {
                assert!(
                    !part.is_empty() && part.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_'),
                    "{}",
                    spec.name
                );
            }
            assert!(seen.insert(spec.name), "{} stands twice", spec.name);
        }
    }
}
