//! Switches segmentation, receive merging and checksum offload of an interface off (SIOCETHTOOL).

use std::io;
use std::os::fd::AsRawFd;

// linux/ethtool.h: the switches that take one 32-bit value.
const ETHTOOL_SRXCSUM: u32 = 0x15;
const ETHTOOL_STXCSUM: u32 = 0x17;
const ETHTOOL_STSO: u32 = 0x1f;
const ETHTOOL_SGSO: u32 = 0x24;
const ETHTOOL_SGRO: u32 = 0x2c;

/// `struct ethtool_value`.
#[repr(C)]
struct Value {
    command: u32,
    data: u32,
}

/// Switches all off on an interface of the calling thread's namespace. Segmentation goes first: the kernel refuses to
/// segment without checksum offload, and warns.
pub(super) fn switch_off(name: &str) -> io::Result<()> {
    let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::DGRAM, None)?;
    for command in [ETHTOOL_STSO, ETHTOOL_SGSO, ETHTOOL_SGRO, ETHTOOL_STXCSUM, ETHTOOL_SRXCSUM] {
        let mut value = Value { command, data: 0 };
        // SAFETY: an all-zero ifreq is a valid value of that plain C struct.
        let mut request: libc::ifreq = unsafe { std::mem::zeroed() };
        if name.len() >= request.ifr_name.len() {
            return Err(io::Error::from(io::ErrorKind::InvalidInput));
        }
        for (to, from) in request.ifr_name.iter_mut().zip(name.bytes()) {
            *to = from as libc::c_char;
        }
        request.ifr_ifru.ifru_data = (&raw mut value).cast();
        // SAFETY: the request and the value that it points to live through the call; these commands read eight octets.
        if unsafe { libc::ioctl(socket.as_raw_fd(), libc::SIOCETHTOOL, &raw mut request) } < 0 {
            return Err(io::Error::last_os_error());
        }
    }
    Ok(())
}
