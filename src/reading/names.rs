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

/// The entry of a name.
pub fn find(name: &str) -> Option<&'static NameSpec> {
    ALL.iter().find(|spec| spec.name == name)
}

use Unit::{MegabitPerSecond, Millisecond, Octet, One, Second};

/// All reading names.
pub const ALL: &[NameSpec] = &[
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
    n("pppoe.concentrators", One, "access concentrators that offer a PPPoE session (RFC 2516)"),
    n("pppoe.offer_time", Millisecond, "from PADI to the first PADO"),
    n("pppoe.session_time", Millisecond, "from PADR to the PADS that opens a session"),
    n("ipv6.routers", One, "routers whose advertisement offers a default route (RFC 4861)"),
    n("ipv6.advertisement_time", Millisecond, "from a router solicitation to the first valid advertisement"),
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
    n("dns.tcp_time_p50", Millisecond, "median time of a lookup over TCP, connection set-up included"),
    n("dns.failure_ratio", One, "share of lookups without a usable answer"),
    n("dns.false_answers", One, "answers given for names that do not exist, or that differ from the zone's authority"),
    n("echo.loss_ratio", One, "share of ICMP echo requests without a reply in time"),
    n("echo.round_trip_min", Millisecond, "smallest ICMP echo round trip"),
    n("echo.round_trip_p50", Millisecond, "median ICMP echo round trip"),
    n("echo.round_trip_p95", Millisecond, "95th percentile of the ICMP echo round trip"),
    n("echo.round_trip_p99", Millisecond, "99th percentile of the ICMP echo round trip"),
    n("farend.connect_time", Millisecond, "TCP connection set-up time to the far end's control port"),
    n("farend.hello_time", Millisecond, "TLS and first answer of the far end, after connecting"),
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
    n("path.hops", One, "hops to the far end"),
    n(
        "path.hop_loss_ratio",
        One,
        "share of probes lost on the way to a hop, no more than at any hop behind it: silence of a router is no loss",
    ),
    n("path.hop_round_trip_p50", Millisecond, "median round trip to a hop"),
    n("throughput.tcp_payload_rate", MegabitPerSecond, "TCP payload received per second after start-up"),
    n("throughput.retransmit_ratio", One, "octets sent again per octet sent, at the sender"),
    n("throughput.fairness", One, "Jain's index over the streams' rates, 1 is equal"),
    n("throughput.start_up_time", Millisecond, "time excluded at the start of the phase"),
    n("throughput.delay_under_load_p50", Millisecond, "median twoway round trip while the line is filled"),
    n("throughput.delay_under_load_p95", Millisecond, "95th percentile of the twoway round trip while the line is filled"),
    n("throughput.loss_under_load", One, "twoway loss while the line is filled"),
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
