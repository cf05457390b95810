//! What an Ethernet adapter says about its port: speed, duplex, negotiated modes, driver.
//!
//! Reads only, and takes silence for an answer: what a driver doesn't tell is unknown, never an error. The modes come
//! over the ethtool netlink family; the driver's name still only by the older ioctl.

use std::io;
use std::os::fd::AsRawFd;
use std::time::Duration;

use ethtool::{EthtoolAttr, EthtoolError, EthtoolLinkModeAttr, EthtoolLinkModeDuplex};
use futures_util::TryStreamExt;

/// The kernel answers at once; this keeps a broken driver from hanging a visit.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(2);
/// `SPEED_UNKNOWN` (linux/ethtool.h).
const SPEED_UNKNOWN: u32 = u32::MAX;
/// `ETHTOOL_GDRVINFO` (linux/ethtool.h).
const GET_DRIVER: u32 = 0x0000_0003;
/// `ETHTOOL_GET_TS_INFO` (linux/ethtool.h).
const GET_TS_INFO: u32 = 0x0000_0041;
/// Linux/net_tstamp.h: packets that ask for it are stamped on the way out.
const HWTSTAMP_TX_ON: i32 = 1;
/// Linux/net_tstamp.h: every packet is stamped on the way in; the other filters are for packets of time protocols.
const HWTSTAMP_FILTER_ALL: i32 = 1;

/// One or both directions at a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Duplex {
    /// One at a time, with collisions (IEEE 802.3 clause 4).
    Half,
    /// Both.
    Full,
}

/// What a port runs at, and what it and its partner could.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PortModes {
    /// Speed in Mbit/s; `None` is unknown, as on a port without carrier.
    pub speed_mbit: Option<u32>,
    /// Duplex; `None` is unknown.
    pub duplex: Option<Duplex>,
    /// Whether speed and duplex were negotiated (IEEE 802.3 clause 28).
    pub is_negotiated: Option<bool>,
    /// Modes that this end offers, in the kernel's names ("1000baseT/Full").
    pub own: Vec<String>,
    /// Modes that the other end offers; empty where the driver doesn't tell.
    pub partner: Vec<String>,
}

/// `struct ethtool_ts_info` (linux/ethtool.h): how a port can stamp packets.
#[repr(C)]
#[derive(Default)]
struct StampInfo {
    command: u32,
    so_timestamping: u32,
    clock: i32,
    transmit_types: u32,
    _reserved: [u32; 3],
    receive_filters: u32,
    _also_reserved: [u32; 3],
}

/// `struct hwtstamp_config` (linux/net_tstamp.h): how its adapter is set to.
#[repr(C)]
#[derive(Default)]
struct StampSetting {
    flags: i32,
    transmit_type: i32,
    receive_filter: i32,
}

/// Whether the adapter of a port of the calling thread's namespace stamps all packets, sent and received, as it is set now.
/// Asks only: a port that could and is not set to is left as it is. False for whatever does not say.
pub fn stamps_all_packets(name: &str) -> bool {
    let (mut info, mut setting) = (StampInfo { command: GET_TS_INFO, ..StampInfo::default() }, StampSetting::default());
    let asked = request(name, libc::SIOCETHTOOL, &mut info).and_then(|()| request(name, libc::SIOCGHWTSTAMP, &mut setting));
    asked.is_ok() && stamps_all(&info, &setting)
}

fn stamps_all(info: &StampInfo, setting: &StampSetting) -> bool {
    let needed = libc::SOF_TIMESTAMPING_TX_HARDWARE | libc::SOF_TIMESTAMPING_RX_HARDWARE | libc::SOF_TIMESTAMPING_RAW_HARDWARE;
    info.so_timestamping & needed == needed
        && setting.transmit_type == HWTSTAMP_TX_ON
        && setting.receive_filter == HWTSTAMP_FILTER_ALL
}

/// Asks for the modes of a port of the calling thread's namespace. All unknown when the kernel or the driver doesn't say.
pub async fn port_modes(name: &str) -> PortModes {
    let asked = tokio::time::timeout(ANSWER_TIMEOUT, ask_modes(name)).await;
    asked.ok().and_then(Result::ok).unwrap_or_default()
}

async fn ask_modes(name: &str) -> Result<PortModes, EthtoolError> {
    let (connection, mut handle, _) =
        ethtool::new_connection().map_err(|error| EthtoolError::RequestFailed(error.to_string()))?;
    let ask = async {
        let answers = handle.link_mode().get(Some(name)).execute().await?;
        let answers: Vec<_> = answers.try_collect().await?;
        let attributes = answers.into_iter().flat_map(|answer| answer.payload.nlas);
        let mut modes = PortModes::default();
        for attribute in attributes {
            if let EthtoolAttr::LinkMode(attribute) = attribute {
                read(attribute, &mut modes);
            }
        }
        Ok(modes)
    };
    // The connection lives as long as the question: no task of its own.
    tokio::select! {
        modes = ask => modes,
        () = connection => Err(EthtoolError::RequestFailed("the kernel closed the conversation".to_owned())),
    }
}

fn read(attribute: EthtoolLinkModeAttr, modes: &mut PortModes) {
    match attribute {
        // Zero, as some virtual ports say, is no speed either.
        EthtoolLinkModeAttr::Speed(mbit) => modes.speed_mbit = (mbit != SPEED_UNKNOWN && mbit != 0).then_some(mbit),
        EthtoolLinkModeAttr::Duplex(EthtoolLinkModeDuplex::Half) => modes.duplex = Some(Duplex::Half),
        EthtoolLinkModeAttr::Duplex(EthtoolLinkModeDuplex::Full) => modes.duplex = Some(Duplex::Full),
        EthtoolLinkModeAttr::Autoneg(is_negotiated) => modes.is_negotiated = Some(is_negotiated),
        EthtoolLinkModeAttr::Ours(own) => modes.own = own,
        EthtoolLinkModeAttr::Peer(partner) => modes.partner = partner,
        _ => {}
    }
}

/// The driver of a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Driver {
    /// Its name.
    pub name: String,
    /// Version of the adapter's firmware; empty where there is none.
    pub firmware: String,
    /// Where the adapter is plugged in ("usb-...", "0000:00:1f.6"); empty for virtual ports.
    pub bus: String,
}

impl Driver {
    /// True for an adapter on USB, whose bus can be what limits a gigabit port (common practice).
    pub fn is_usb(&self) -> bool {
        self.bus.starts_with("usb")
    }
}

/// The head of `struct ethtool_drvinfo` (linux/ethtool.h), whole for its size.
#[repr(C)]
struct DriverInfo {
    command: u32,
    driver: [u8; 32],
    version: [u8; 32],
    firmware: [u8; 32],
    bus: [u8; 32],
    erom: [u8; 32],
    reserved: [u8; 12],
    counts: [u32; 5],
}

/// The driver of a port of the calling thread's namespace; `None` when it has none to name.
///
/// # Errors
/// When no socket can be made, or there is no such port.
pub fn driver(name: &str) -> io::Result<Option<Driver>> {
    let mut info = DriverInfo {
        command: GET_DRIVER,
        driver: [0; 32],
        version: [0; 32],
        firmware: [0; 32],
        bus: [0; 32],
        erom: [0; 32],
        reserved: [0; 12],
        counts: [0; 5],
    };
    if let Err(error) = request(name, libc::SIOCETHTOOL, &mut info) {
        return if error.raw_os_error() == Some(libc::EOPNOTSUPP) { Ok(None) } else { Err(error) };
    }
    let text = |field: &[u8]| {
        let end = field.iter().position(|octet| *octet == 0).unwrap_or(field.len());
        String::from_utf8_lossy(&field[..end]).replace("N/A", "")
    };
    let driver = Driver { name: text(&info.driver), firmware: text(&info.firmware), bus: text(&info.bus) };
    Ok((!driver.name.is_empty()).then_some(driver))
}

/// What a port's requests write into: plain structures of the kernel.
trait Answer {}
impl Answer for DriverInfo {}
impl Answer for StampInfo {}
impl Answer for StampSetting {}

/// Puts a request with a structure to a port of the calling thread's namespace.
fn request<T: Answer>(name: &str, what: libc::c_ulong, answer: &mut T) -> io::Result<()> {
    let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::DGRAM, None)?;
    // SAFETY: an all-zero ifreq is a valid value of that plain C struct.
    let mut request: libc::ifreq = unsafe { std::mem::zeroed() };
    if name.len() >= request.ifr_name.len() {
        return Err(io::Error::from_raw_os_error(libc::ENODEV));
    }
    for (to, from) in request.ifr_name.iter_mut().zip(name.bytes()) {
        *to = from as libc::c_char;
    }
    request.ifr_ifru.ifru_data = std::ptr::from_mut(answer).cast();
    // SAFETY: the request and the structure that it points to live through the call, and the kernel writes no more than the whole
    // of the structure that belongs to the request (the sizes are held by a test) and takes any bits that it holds.
    let status = unsafe { libc::ioctl(socket.as_raw_fd(), what, &raw mut request) };
    if status < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::net::build::{End, Site};
    use crate::net::netns::Namespace;

    #[test]
    fn the_layout_is_that_of_the_kernel() {
        assert_eq!((size_of::<DriverInfo>(), size_of::<StampInfo>(), size_of::<StampSetting>()), (196, 44, 12));
    }

    #[test]
    fn only_an_adapter_that_is_set_to_stamp_everything_both_ways_counts() {
        // The bits of SOF_TIMESTAMPING_TX_HARDWARE, RX_HARDWARE and RAW_HARDWARE (linux/net_tstamp.h).
        let whole = 1 << 0 | 1 << 2 | 1 << 6;
        for (can, transmit_type, receive_filter, expected) in [
            (whole | 0x1a, 1, 1, true),
            (whole, 0, 1, false),
            (whole, 1, 0, false),
            // PTP v2 events only: none of ours among them.
            (whole, 1, 12, false),
            (whole & !1, 1, 1, false),
            (0x1a, 0, 0, false),
        ] {
            let info = StampInfo { so_timestamping: can, ..StampInfo::default() };
            let setting = StampSetting { flags: 0, transmit_type, receive_filter };
            assert_eq!(stamps_all(&info, &setting), expected, "{can:#x} {transmit_type} {receive_filter}");
        }
    }

    #[test]
    fn a_virtual_cable_says_ten_gigabits_full_duplex_and_its_driver() {
        let (a, b) = (Namespace::new("a").expect("root"), Namespace::new("b").expect("root"));
        let mut site = Site::open(&a).expect("site");
        let mac = |n| [2, 0, 0, 0, 0, n];
        site.cable(&End { site: &a, name: "x0", mac: mac(1) }, &End { site: &b, name: "y0", mac: mac(2) }).expect("veth");
        let runtime = a.runtime(1).expect("runtime");
        let task =
            runtime.spawn(async { (port_modes("x0").await, port_modes("no-such").await, driver("x0"), driver("no-such")) });
        let (modes, missing, named, unnamed) = runtime.block_on(task).expect("no panic");
        // The kernel's veth reports a fixed 10000 Mbit/s.
        assert_eq!((modes.speed_mbit, modes.duplex), (Some(10_000), Some(Duplex::Full)));
        assert_eq!(missing, PortModes::default());
        let named = named.expect("asked").expect("named");
        assert_eq!((named.name.as_str(), named.is_usb()), ("veth", false));
        // It can stamp by software alone (linux/drivers/net/veth.c).
        let stamps = a.run(|| (stamps_all_packets("x0"), stamps_all_packets("no-such")));
        assert_eq!(stamps, (false, false));
        assert_eq!(unnamed.expect_err("no such port").raw_os_error(), Some(libc::ENODEV));
    }

    #[test]
    fn what_is_unknown_to_the_driver_is_unknown_here() {
        let mut modes = PortModes::default();
        for speed in [SPEED_UNKNOWN, 0] {
            read(EthtoolLinkModeAttr::Speed(speed), &mut modes);
            assert_eq!(modes.speed_mbit, None);
        }
        read(EthtoolLinkModeAttr::Duplex(EthtoolLinkModeDuplex::Unknown), &mut modes);
        assert_eq!(modes, PortModes::default());
        read(EthtoolLinkModeAttr::Speed(100), &mut modes);
        read(EthtoolLinkModeAttr::Duplex(EthtoolLinkModeDuplex::Half), &mut modes);
        assert_eq!((modes.speed_mbit, modes.duplex), (Some(100), Some(Duplex::Half)));
    }
}
