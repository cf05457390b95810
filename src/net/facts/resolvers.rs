//! The resolvers that this machine is configured with (resolv.conf(5)).

use std::io;
use std::net::IpAddr;

/// Where the addresses stand: the usual place, and where a resolver service that listens on loopback keeps those that it
/// asks itself.
const PLACES: [&str; 2] = ["/etc/resolv.conf", "/run/systemd/resolve/resolv.conf"];

/// Resolvers of the system's own configuration, in order, from the first place that names any outside of this machine;
/// empty when none does.
///
/// # Errors
/// When a file exists and can't be read.
pub fn system_resolvers() -> io::Result<Vec<IpAddr>> {
    for place in PLACES {
        match std::fs::read_to_string(place) {
            Ok(text) => {
                let mut all = parse_resolver_configuration(&text);
                all.retain(|address| !address.is_loopback() && !address.is_unspecified());
                if !all.is_empty() {
                    return Ok(all);
                }
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(io::Error::new(error.kind(), format!("reading {place}: {error}"))),
        }
    }
    Ok(Vec::new())
}

/// The `nameserver` lines of a resolver configuration. An address with a zone (`fe80::1%eth0`) can't be used over another
/// port and is left out, like anything else that is no address.
pub fn parse_resolver_configuration(text: &str) -> Vec<IpAddr> {
    text.lines()
        .filter_map(|line| {
            let mut words = line.split_whitespace();
            (words.next()? == "nameserver").then(|| words.next()?.parse().ok())?
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn name_servers_are_read_in_order_and_the_rest_is_passed_over() {
        // resolv.conf(5): keyword first on its line, then blanks, then the value; # and ; begin comments.
        let text = "# by hand\nsearch example.net\nnameserver 192.0.2.53\n;nameserver 192.0.2.1\nnameserver\t2001:db8::53 # two\n\
                    nameserver fe80::1%eth0\noptions edns0\nnameserver not-an-address\nnameserver";
        let want: Vec<IpAddr> = vec!["192.0.2.53".parse().unwrap(), "2001:db8::53".parse().unwrap()];
        assert_eq!(parse_resolver_configuration(text), want);
        assert!(parse_resolver_configuration("").is_empty());
    }
}
