//! The token bucket (tbf) on an interface's way out, by raw traffic-control attributes.
//!
//! It shapes exactly: a frame leaves when the bucket holds its octets, Ethernet header included, without FCS and
//! preamble ([`Layer::Ethernet`](crate::unit::Layer)). Bundles larger than the bucket are split by the kernel. The hard
//! thing: the bucket fills in steps of the host's timer, so that a small one (below about 4 ms worth of rate) loses
//! tokens and the rate falls short.

use std::io;

use super::build::Site;
use super::netlink::{Message, NLM_F_CREATE, NLM_F_REPLACE, NetlinkError};

// linux/rtnetlink.h, linux/pkt_sched.h
const TCA_KIND: u16 = 1;
const TCA_OPTIONS: u16 = 2;
const TCA_TBF_PARMS: u16 = 1;
const TCA_TBF_RATE64: u16 = 4;
const TCA_TBF_BURST: u16 = 6;
const TC_H_ROOT: u32 = 0xffff_ffff;
/// With a known link layer the kernel computes octet times itself and needs no rate table.
const TC_LINKLAYER_ETHERNET: u8 = 1;

/// A token bucket.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TokenBucket {
    /// Octets per second, Ethernet header counted. At least 1.
    pub octets_per_second: u64,
    /// Size of the bucket in octets. At least one full frame (1514).
    pub burst: u32,
    /// Octets that may wait for tokens; what comes beyond is dropped.
    pub queue: u32,
}

impl TokenBucket {
    /// `struct tc_tbf_qopt`: two `tc_ratespec` of 12 octets (rate, peak rate), limit, buffer, mtu. The bucket size goes
    /// by TCA_TBF_BURST, which stands above `buffer`.
    fn parameters(self) -> [u8; 36] {
        let mut bytes = [0; 36];
        bytes[1] = TC_LINKLAYER_ETHERNET;
        let rate = u32::try_from(self.octets_per_second).unwrap_or(u32::MAX);
        bytes[8..12].copy_from_slice(&rate.to_ne_bytes());
        bytes[24..28].copy_from_slice(&self.queue.to_ne_bytes());
        bytes
    }
}

impl Site {
    /// Puts a token bucket on an interface's way out, in place of what is there.
    ///
    /// # Errors
    /// [`NetlinkError::is_unsupported`] when the kernel has no tbf; `EINVAL` for a rate or burst of zero.
    pub fn shape(&mut self, name: &str, index: u32, bucket: TokenBucket) -> Result<(), NetlinkError> {
        if bucket.octets_per_second == 0 || bucket.burst == 0 {
            let source = io::Error::from_raw_os_error(libc::EINVAL);
            return Err(NetlinkError { doing: format!("shaping {name} to nothing"), hint: None, source });
        }
        let mut message = Message::new(libc::RTM_NEWQDISC, NLM_F_CREATE | NLM_F_REPLACE, &tcmsg(index, 0x0001_0000));
        message.attr_str(TCA_KIND, "tbf");
        message.nest(TCA_OPTIONS, |options| {
            options.attr(TCA_TBF_PARMS, &bucket.parameters());
            options.attr_u32(TCA_TBF_BURST, bucket.burst);
            if bucket.octets_per_second > u64::from(u32::MAX) {
                options.attr(TCA_TBF_RATE64, &bucket.octets_per_second.to_ne_bytes());
            }
        });
        self.conversation().request(|| format!("putting a token bucket (tbf) on {name}"), message)
    }
}

impl Site {
    /// True when this kernel has the token bucket; tried on the loopback, which is left as it was.
    ///
    /// # Errors
    /// When it is refused for another reason than being unknown.
    pub fn can_shape(&mut self) -> Result<bool, NetlinkError> {
        let index = self.index("lo").map_err(|source| NetlinkError { doing: "finding lo".into(), hint: None, source })?;
        let bucket = TokenBucket { octets_per_second: 1_000_000, burst: 100_000, queue: 100_000 };
        match self.shape("lo", index, bucket) {
            Ok(()) => {
                let message = Message::new(libc::RTM_DELQDISC, 0, &tcmsg(index, 0));
                self.conversation().request(|| "removing the token bucket of lo".into(), message)?;
                Ok(true)
            }
            Err(refusal) if refusal.is_unsupported() => Ok(false),
            Err(refusal) => Err(refusal),
        }
    }
}

/// `struct tcmsg` of a root discipline: family, padding, interface, handle, parent, info.
fn tcmsg(index: u32, handle: u32) -> [u8; 20] {
    let mut header = [0; 20];
    header[4..8].copy_from_slice(&index.to_ne_bytes());
    header[8..12].copy_from_slice(&handle.to_ne_bytes());
    header[12..16].copy_from_slice(&TC_H_ROOT.to_ne_bytes());
    header
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::net::netns::Namespace;

    #[test]
    fn the_kernel_takes_buckets_from_1_to_2500_mbit_and_refuses_nothing() {
        let namespace = Namespace::new("test").expect("root");
        let mut site = Site::open(&namespace).expect("site");
        let index = site.index("lo").expect("loopback");
        for mbit in [1, 16, 100, 940, 2500, 40_000] {
            let rate = mbit * 125_000;
            let bucket = TokenBucket { octets_per_second: rate, burst: (rate / 250).max(1514) as u32, queue: 100_000 };
            site.shape("lo", index, bucket).unwrap_or_else(|e| panic!("{mbit} Mbit/s: {e}"));
            let shown = namespace.command("tc").args(["qdisc", "show", "dev", "lo"]).output().expect("tc");
            let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
            let rate = match mbit {
                2500 => "2500Mbit".to_owned(),
                40_000 => "40Gbit".to_owned(),
                m => format!("{m}Mbit"),
            };
            assert!(shown.contains(&format!("tbf 1: root refcnt 2 rate {rate} ")), "{shown}");
        }
        assert!(site.can_shape().expect("tried"));
        let shown = namespace.command("tc").args(["qdisc", "show", "dev", "lo"]).output().expect("tc");
        assert!(!String::from_utf8_lossy(&shown.stdout).contains("tbf"), "the loopback is left as it was");
        let nothing = TokenBucket { octets_per_second: 0, burst: 1514, queue: 1 };
        assert_eq!(site.shape("lo", index, nothing).expect_err("zero").code(), libc::EINVAL);
    }
}
