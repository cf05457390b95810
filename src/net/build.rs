//! Builds links, addresses and routes inside a namespace over rtnetlink, and writes its sysctls.
//!
//! For namespaces that the caller made. It must not know the practice line's plan of addresses. The hard thing: IPv6
//! holds a new address back for about a second (duplicate address detection, RFC 4862 section 5.4), which would eat the
//! time in which a line is to stand; so addresses are added with NODAD and link-local ones by switching detection off
//! before the link exists ([`Site::open`]).

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::os::fd::AsRawFd;
use std::sync::atomic::{AtomicU32, Ordering};

use super::netlink::{Conversation, Message, NLM_F_CREATE, NLM_F_EXCL, NLM_F_REPLACE, NetlinkError};
use super::netns::Namespace;
use super::offload;

// linux/if_link.h
const IFLA_ADDRESS: u16 = 1;
const IFLA_IFNAME: u16 = 3;
const IFLA_MASTER: u16 = 10;
const IFLA_MTU: u16 = 4;
const IFLA_LINKINFO: u16 = 18;
const IFLA_NET_NS_FD: u16 = 28;
const IFLA_GSO_MAX_SEGS: u16 = 40;
const IFLA_INFO_KIND: u16 = 1;
const IFLA_INFO_DATA: u16 = 2;
const VETH_INFO_PEER: u16 = 1;
const IFLA_BR_MCAST_SNOOPING: u16 = 23;
// linux/if_addr.h
const IFA_ADDRESS: u16 = 1;
const IFA_LOCAL: u16 = 2;
const IFA_F_NODAD: u8 = 2;
// linux/rtnetlink.h
const NDA_DST: u16 = 1;
const NDA_LLADDR: u16 = 2;
const NUD_PERMANENT: u16 = 0x80;

const RTA_DST: u16 = 1;
const RTA_OIF: u16 = 4;
const RTA_GATEWAY: u16 = 5;
const RTPROT_STATIC: u8 = 4;

/// Kernel index of the next end of a cable. Both ends of one must differ: of ends with the same number the kernel believes that
/// they lead nowhere else, and takes up to a second to call such a port "up" (`linkwatch_urgent_event`, net/core/link_watch.c).
static NEXT_INDEX: AtomicU32 = AtomicU32::new(1000);

/// A namespace that is being furnished: its netlink conversation and what was put in.
#[derive(Debug)]
pub struct Site {
    namespace: Namespace,
    route: Conversation,
}

/// One end of a cable.
#[derive(Debug)]
pub struct End<'a> {
    /// Where it is plugged in.
    pub site: &'a Namespace,
    /// Interface name, unique in its namespace, at most 15 octets.
    pub name: &'a str,
    /// Hardware address.
    pub mac: [u8; 6],
}

/// Octets of an address, without an allocation.
fn with_octets<T>(address: IpAddr, f: impl FnOnce(&[u8]) -> T) -> T {
    match address {
        IpAddr::V4(a) => f(&a.octets()),
        IpAddr::V6(a) => f(&a.octets()),
    }
}

fn family(address: IpAddr) -> u8 {
    if address.is_ipv4() { libc::AF_INET as u8 } else { libc::AF_INET6 as u8 }
}

/// `struct ifinfomsg`.
fn ifinfo(index: u32, flags: u32, change: u32) -> [u8; 16] {
    let mut header = [0; 16];
    header[4..8].copy_from_slice(&index.to_ne_bytes());
    header[8..12].copy_from_slice(&flags.to_ne_bytes());
    header[12..16].copy_from_slice(&change.to_ne_bytes());
    header
}

impl Site {
    /// Starts furnishing a namespace: switches duplicate address detection off for links to come.
    ///
    /// # Errors
    /// When netlink or `/proc/sys` can't be opened.
    pub fn open(namespace: &Namespace) -> io::Result<Self> {
        let site = Self { namespace: namespace.clone(), route: Conversation::open(namespace, libc::NETLINK_ROUTE)? };
        site.sysctls(&[("net/ipv6/conf/default/accept_dad", "0"), ("net/ipv6/conf/default/dad_transmits", "0")])?;
        Ok(site)
    }

    /// The namespace.
    pub fn namespace(&self) -> &Namespace {
        &self.namespace
    }

    /// Writes sysctls, given as paths below `/proc/sys`, from a thread inside.
    ///
    /// # Errors
    /// Names the path that could not be written.
    pub fn sysctls(&self, settings: &[(&str, &str)]) -> io::Result<()> {
        let settings: Vec<(String, String)> =
            settings.iter().map(|(path, value)| (format!("/proc/sys/{path}"), (*value).to_owned())).collect();
        self.namespace.run(move || {
            settings.iter().try_for_each(|(path, value)| {
                std::fs::write(path, value).map_err(|e| io::Error::new(e.kind(), format!("writing {path}: {e}")))
            })
        })
    }

    /// Lays a cable (a veth pair): one end here, the other anywhere. Both ends are down.
    ///
    /// # Errors
    /// `EEXIST` when a name is taken in its namespace; `EOPNOTSUPP` when the kernel has no veth.
    pub fn cable(&mut self, here: &End<'_>, there: &End<'_>) -> Result<(), NetlinkError> {
        let [near, far] = [(); 2].map(|()| NEXT_INDEX.fetch_add(1, Ordering::Relaxed));
        let mut message = Message::new(libc::RTM_NEWLINK, NLM_F_CREATE | NLM_F_EXCL, &ifinfo(near, 0, 0));
        message.attr_str(IFLA_IFNAME, here.name);
        message.attr(IFLA_ADDRESS, &here.mac);
        message.attr_u32(IFLA_NET_NS_FD, here.site.as_raw_fd() as u32);
        message.nest(IFLA_LINKINFO, |info| {
            info.attr_str(IFLA_INFO_KIND, "veth");
            info.nest(IFLA_INFO_DATA, |data| {
                data.nest(VETH_INFO_PEER, |peer| {
                    peer.raw(&ifinfo(far, 0, 0));
                    peer.attr_str(IFLA_IFNAME, there.name);
                    peer.attr(IFLA_ADDRESS, &there.mac);
                    peer.attr_u32(IFLA_NET_NS_FD, there.site.as_raw_fd() as u32);
                });
            });
        });
        self.route.request(|| format!("laying a veth cable from {} to {}", here.name, there.name), message)
    }

    /// Makes a bridge of interfaces here, switched on: a box that only passes frames on, tags and all.
    ///
    /// # Errors
    /// `EEXIST` when the name is taken; `EOPNOTSUPP` when the kernel has no bridge.
    pub fn bridge(&mut self, name: &str, ports: &[u32]) -> Result<(), NetlinkError> {
        let mut message = Message::new(libc::RTM_NEWLINK, NLM_F_CREATE | NLM_F_EXCL, &ifinfo(0, 0, 0));
        message.attr_str(IFLA_IFNAME, name);
        message.nest(IFLA_LINKINFO, |info| {
            info.attr_str(IFLA_INFO_KIND, "bridge");
            // Without it reports of group members would be needed before multicast passes.
            info.nest(IFLA_INFO_DATA, |data| data.attr(IFLA_BR_MCAST_SNOOPING, &[0]));
        });
        self.route.request(|| format!("making the bridge {name}"), message)?;
        let index = self.index(name).map_err(|source| NetlinkError { doing: format!("finding {name}"), hint: None, source })?;
        for port in ports {
            let mut message = Message::new(libc::RTM_NEWLINK, 0, &ifinfo(*port, 0, 0));
            message.attr_u32(IFLA_MASTER, index);
            self.route.request(|| format!("putting interface {port} into {name}"), message)?;
        }
        self.raise(name, index)
    }

    /// Kernel index of an interface here.
    ///
    /// # Errors
    /// `ENODEV` when there is none of that name.
    pub fn index(&self, name: &str) -> io::Result<u32> {
        let name = name.to_owned();
        self.namespace.run(move || Ok(nix::net::if_::if_nametoindex(name.as_str())?))
    }

    /// Brings an interface up.
    ///
    /// # Errors
    /// As the kernel says.
    pub fn raise(&mut self, name: &str, index: u32) -> Result<(), NetlinkError> {
        let up = libc::IFF_UP as u32;
        self.route.request(|| format!("raising {name}"), Message::new(libc::RTM_NEWLINK, 0, &ifinfo(index, up, up)))
    }

    /// Sets an interface's MTU.
    ///
    /// # Errors
    /// As the kernel says.
    pub fn mtu(&mut self, index: u32, mtu: u32) -> Result<(), NetlinkError> {
        let mut message = Message::new(libc::RTM_NEWLINK, 0, &ifinfo(index, 0, 0));
        message.attr(IFLA_MTU, &mtu.to_ne_bytes());
        self.route.request(|| format!("setting the MTU of interface {index}"), message)
    }

    /// Gives an interface an address; IPv6 without duplicate address detection.
    ///
    /// # Errors
    /// `EEXIST` when it has it already.
    pub fn address(&mut self, index: u32, address: IpAddr, prefix: u8) -> Result<(), NetlinkError> {
        let nodad = if address.is_ipv6() { IFA_F_NODAD } else { 0 };
        let mut header = [family(address), prefix, nodad, libc::RT_SCOPE_UNIVERSE, 0, 0, 0, 0];
        header[4..8].copy_from_slice(&index.to_ne_bytes());
        let mut message = Message::new(libc::RTM_NEWADDR, NLM_F_CREATE | NLM_F_EXCL, &header);
        with_octets(address, |octets| {
            message.attr(IFA_LOCAL, octets);
            message.attr(IFA_ADDRESS, octets);
        });
        self.route.request(|| format!("adding address {address}/{prefix}"), message)
    }

    /// Adds a route: `prefix` 0 with an unspecified destination is the default route.
    ///
    /// # Errors
    /// `ENETUNREACH` when the next hop is on no link.
    pub fn route(&mut self, destination: IpAddr, prefix: u8, next_hop: IpAddr, index: u32) -> Result<(), NetlinkError> {
        // struct rtmsg: family, dst_len, src_len, tos, table, protocol, scope, type, flags u32
        let header = [
            family(destination),
            prefix,
            0,
            0,
            libc::RT_TABLE_MAIN,
            RTPROT_STATIC,
            libc::RT_SCOPE_UNIVERSE,
            libc::RTN_UNICAST,
            0,
            0,
            0,
            0,
        ];
        let mut message = Message::new(libc::RTM_NEWROUTE, NLM_F_CREATE | NLM_F_EXCL, &header);
        if prefix > 0 {
            with_octets(destination, |octets| message.attr(RTA_DST, octets));
        }
        with_octets(next_hop, |octets| message.attr(RTA_GATEWAY, octets));
        message.attr_u32(RTA_OIF, index);
        self.route.request(|| format!("adding a route to {destination}/{prefix} via {next_hop}"), message)
    }

    /// Adds the default route of the next hop's family.
    ///
    /// # Errors
    /// As [`Site::route`].
    pub fn default_route(&mut self, next_hop: IpAddr, index: u32) -> Result<(), NetlinkError> {
        let any = match next_hop {
            IpAddr::V4(_) => IpAddr::V4(Ipv4Addr::UNSPECIFIED),
            IpAddr::V6(_) => IpAddr::V6(Ipv6Addr::UNSPECIFIED),
        };
        self.route(any, 0, next_hop, index)
    }

    /// Tells a place the hardware address of a neighbour for good, so that it never asks.
    ///
    /// # Errors
    /// As the kernel says.
    pub fn neighbour(&mut self, index: u32, address: IpAddr, mac: [u8; 6]) -> Result<(), NetlinkError> {
        // struct ndmsg: family, padding 3, interface, state u16, flags, type
        let mut header = [family(address), 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
        header[4..8].copy_from_slice(&index.to_ne_bytes());
        header[8..10].copy_from_slice(&NUD_PERMANENT.to_ne_bytes());
        let mut message = Message::new(libc::RTM_NEWNEIGH, NLM_F_CREATE | NLM_F_REPLACE, &header);
        with_octets(address, |octets| message.attr(NDA_DST, octets));
        message.attr(NDA_LLADDR, &mac);
        self.route.request(|| format!("telling of the neighbour {address}"), message)
    }

    /// Makes an interface hand over single, complete frames: no segmentation offload, checksums filled in. Needed
    /// where what comes out is read from a packet socket; the kernel otherwise passes 64-KiB bundles without checksums.
    ///
    /// # Errors
    /// As the kernel says.
    pub fn single_frames(&mut self, name: &str, index: u32) -> Result<(), NetlinkError> {
        let device = name.to_owned();
        self.namespace.run(move || offload::switch_off(&device)).map_err(|source| NetlinkError {
            doing: format!("switching offloads of {name} off"),
            hint: None,
            source,
        })?;
        // Also stops UDP bundles, which the old switches don't reach.
        let mut message = Message::new(libc::RTM_NEWLINK, 0, &ifinfo(index, 0, 0));
        message.attr_u32(IFLA_GSO_MAX_SEGS, 1);
        self.route.request(|| format!("limiting bundles of {name}"), message)
    }

    /// The conversation, for what other files of this room add (queueing disciplines).
    pub(super) fn conversation(&mut self) -> &mut Conversation {
        &mut self.route
    }
}

/// Interfaces of the calling thread's namespace by name, loopback included.
///
/// # Errors
/// When the list can't be read.
pub fn interfaces() -> io::Result<Vec<String>> {
    Ok(nix::net::if_::if_nameindex()?.iter().map(|i| i.name().to_string_lossy().into_owned()).collect())
}

impl AsRawFd for Namespace {
    fn as_raw_fd(&self) -> std::os::fd::RawFd {
        std::os::fd::AsFd::as_fd(self).as_raw_fd()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::{TcpListener, TcpStream, UdpSocket};

    const MAC_A: [u8; 6] = [2, 0, 0, 0, 0, 1];
    const MAC_B: [u8; 6] = [2, 0, 0, 0, 0, 2];

    fn pair() -> (Site, Site) {
        let (a, b) = (Namespace::new("a").expect("root"), Namespace::new("b").expect("root"));
        let (mut a, mut b) = (Site::open(&a).expect("site"), Site::open(&b).expect("site"));
        let (here, there) = (a.namespace().clone(), b.namespace().clone());
        a.cable(&End { site: &here, name: "x0", mac: MAC_A }, &End { site: &there, name: "y0", mac: MAC_B }).expect("veth");
        for (site, name, last) in [(&mut a, "x0", 1), (&mut b, "y0", 2)] {
            let index = site.index(name).expect("made");
            site.raise(name, index).expect("up");
            site.address(index, Ipv4Addr::new(192, 0, 2, last).into(), 24).expect("v4");
            site.address(index, Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, u16::from(last)).into(), 64).expect("v6");
        }
        (a, b)
    }

    #[test]
    fn a_cable_carries_both_families_at_once_after_raising() {
        let (a, b) = pair();
        let listener = b.namespace().run(|| TcpListener::bind("[::]:0")).expect("bind");
        let port = listener.local_addr().expect("bound").port();
        for address in ["192.0.2.2", "2001:db8::2"] {
            let to = (address, port);
            let peer = a.namespace().run(move || TcpStream::connect(to).and_then(|s| s.peer_addr()));
            assert_eq!(peer.expect(address).port(), port);
        }
        let seen = a.namespace().run(interfaces).expect("list");
        assert_eq!(seen, ["lo", "x0"]);
    }

    #[test]
    fn the_second_cable_of_one_name_is_refused_by_name() {
        let (mut a, b) = pair();
        let (here, there) = (a.namespace().clone(), b.namespace().clone());
        let refusal = a
            .cable(&End { site: &here, name: "x0", mac: MAC_A }, &End { site: &there, name: "y1", mac: MAC_B })
            .expect_err("x0 exists");
        assert_eq!(refusal.code(), libc::EEXIST);
        assert!(refusal.to_string().contains("x0"), "{refusal}");
    }

    #[test]
    fn sysctls_change_the_namespace_and_not_ours() {
        let (a, _b) = pair();
        let before = std::fs::read_to_string("/proc/sys/net/ipv4/ip_default_ttl").expect("proc");
        a.sysctls(&[("net/ipv4/ip_default_ttl", "33")]).expect("write");
        let inside = a.namespace().run(|| std::fs::read_to_string("/proc/sys/net/ipv4/ip_default_ttl")).expect("proc");
        assert_eq!(inside.trim(), "33");
        assert_eq!(std::fs::read_to_string("/proc/sys/net/ipv4/ip_default_ttl").expect("proc"), before);
        assert!(a.sysctls(&[("net/ipv4/no_such", "1")]).expect_err("missing").to_string().contains("no_such"));
    }

    #[test]
    fn with_single_frames_even_udp_bundles_arrive_one_by_one() {
        let (mut a, b) = pair();
        let index = a.index("x0").expect("made");
        a.single_frames("x0", index).expect("switch");
        let reader = b.namespace().run(|| super::super::delayline::PacketPort::open("y0")).expect("packet socket");
        let wanted = 5 * 1200;
        a.namespace().run(move || {
            let socket = UdpSocket::bind("192.0.2.1:0").expect("bind");
            let segment: libc::c_int = 1200;
            nix::sys::socket::setsockopt(&socket, nix::sys::socket::sockopt::UdpGsoSegment, &segment).expect("UDP_SEGMENT");
            socket.send_to(&vec![7; wanted], "192.0.2.2:9").expect("send");
        });
        let mut sizes = Vec::new();
        while sizes.iter().filter(|s| **s > 1000).count() < 5 {
            let mut frame = [0; 70_000];
            let len = reader.receive_within(&mut frame, std::time::Duration::from_secs(5)).expect("a frame in time");
            sizes.push(len);
        }
        assert!(sizes.iter().all(|s| *s <= 1514), "{sizes:?}");
        assert_eq!(sizes.iter().filter(|s| **s == 14 + 20 + 8 + 1200).count(), 5, "{sizes:?}");
    }
}
