//! Datagrams that this namespace's UDP threw away (UDP-MIB, RFC 4113, with the kernel's additions).

use crate::unit::Family;

/// Datagrams thrown away so far since their checksum was wrong; `None` where the kernel does not say. Counted for the network
/// namespace of the calling thread.
pub fn udp_checksum_errors(family: Family) -> Option<u64> {
    match family {
        Family::Ipv4 => in_table(&std::fs::read_to_string("/proc/thread-self/net/snmp").ok()?),
        Family::Ipv6 => in_list(&std::fs::read_to_string("/proc/thread-self/net/snmp6").ok()?),
    }
}

/// Two lines for each protocol: names, then values.
fn in_table(text: &str) -> Option<u64> {
    let mut lines = text.lines().filter_map(|line| line.strip_prefix("Udp: "));
    let (names, values) = (lines.next()?, lines.next()?);
    let at = names.split_ascii_whitespace().position(|name| name == "InCsumErrors")?;
    values.split_ascii_whitespace().nth(at)?.parse().ok()
}

/// A name and a value on each line.
fn in_list(text: &str) -> Option<u64> {
    text.lines().find_map(|line| line.strip_prefix("Udp6InCsumErrors")?.trim().parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_count_is_found_by_its_name_and_missing_ones_are_told() {
        let table =
            "Ip: A B\nIp: 1 2\nUdp: InDatagrams NoPorts InErrors InCsumErrors\nUdp: 7 8 9 10\nUdpLite: InDatagrams\nUdpLite: 5\n";
        assert_eq!(in_table(table), Some(10));
        assert_eq!(in_table("Udp: InDatagrams\nUdp: 7\n"), None);
        assert_eq!(in_table("Udp: InCsumErrors\n"), None);
        assert_eq!(in_list("Udp6InDatagrams                 \t4\nUdp6InCsumErrors                \t3\n"), Some(3));
        assert_eq!(in_list(""), None);
    }

    #[test]
    fn this_kernel_counts_for_both_versions() {
        assert!(udp_checksum_errors(Family::Ipv4).is_some() && udp_checksum_errors(Family::Ipv6).is_some());
    }
}
