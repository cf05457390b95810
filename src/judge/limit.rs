//! A criterion's limits as numbers, with the arithmetic in words where they follow from the sold rate.

use super::verdict::Limits;
use crate::profile::{Bound, Criterion, Profile};
use crate::reading::words::figure;
use crate::unit::{Family, Layer};

/// TCP header with the time-stamp option that common senders use (RFC 9293 section 3.1, RFC 7323 section 3.2).
const TCP_HEADER: f64 = 20.0 + 12.0;
/// Ethernet header, frame check sequence, preamble with delimiter, and gap (RFC 6349 section 4.1.1).
const ETHERNET_HEADER: f64 = 14.0;
const LINE_OVERHEAD: f64 = ETHERNET_HEADER + 4.0 + 8.0 + 12.0;

/// The limits in the unit of the reading; `family` is that of the reading, IPv4 when it has none.
pub(super) fn limits_for(profile: &Profile, criterion: &Criterion, family: Option<Family>) -> Limits {
    let (at_least, computed) = match criterion.at_least {
        None => (None, None),
        Some(Bound::Absolute(value)) => (Some(value), None),
        Some(Bound::ShareOfSold(share)) => match deliverable(profile, criterion, family.unwrap_or(Family::Ipv4)) {
            Some((rate, how)) => {
                (Some(share * rate), Some(format!("{} per cent of {how}", crate::reading::words::significant(share * 100.0))))
            }
            // The profile's own checks refuse a share without a sold rate and a direction.
            None => (None, None),
        },
    };
    Limits { at_least, at_most: criterion.at_most, computed }
}

/// The TCP payload rate that the sold rate can give at this port, in Mbit/s, and how it was computed.
fn deliverable(profile: &Profile, criterion: &Criterion, family: Family) -> Option<(f64, String)> {
    let sold = profile.sold.as_ref()?;
    let direction = criterion.direction?;
    let mtu = f64::from(profile.line.mtu);
    let ip_header = if family == Family::Ipv4 { 20.0 } else { 40.0 };
    let payload = mtu - ip_header - TCP_HEADER;
    let tags = 4.0 * f64::from(profile.line.vlan_tags);
    let pppoe = if profile.line.pppoe { 8.0 } else { 0.0 };
    let per_packet = match sold.layer {
        Layer::Line => mtu + pppoe + tags + LINE_OVERHEAD,
        Layer::Ethernet => mtu + pppoe + tags + ETHERNET_HEADER,
        Layer::Ip => mtu,
        Layer::UdpPayload => mtu - ip_header - 8.0,
        Layer::TcpPayload => payload,
    };
    let by_sold = sold.mbit(direction) * payload / per_packet;
    let by_port = profile.line.port_mbit * payload / (mtu + LINE_OVERHEAD);
    let rate = |mbit| figure("throughput.tcp_payload_rate", crate::reading::Unit::MegabitPerSecond, mbit);
    let sold_words =
        format!("the {} that {} sold ({}) carry as TCP payload", rate(by_sold), rate(sold.mbit(direction)), sold.layer);
    if by_port < by_sold {
        let port = rate(profile.line.port_mbit);
        return Some((
            by_port,
            format!("the {} that a {port} port carries as TCP payload, which is less than {sold_words}", rate(by_port)),
        ));
    }
    Some((by_sold, sold_words))
}
