//! Switches segmentation, receive merging and checksum offload of an interface off, and merging on again (SIOCETHTOOL).

use std::io;
use std::os::fd::AsRawFd;

// linux/ethtool.h: the switches that take one 32-bit value.
const ETHTOOL_SRXCSUM: u32 = 0x15;
const ETHTOOL_STXCSUM: u32 = 0x17;
const ETHTOOL_STSO: u32 = 0x1f;
const ETHTOOL_SGSO: u32 = 0x24;
const ETHTOOL_GGRO: u32 = 0x2b;
const ETHTOOL_SGRO: u32 = 0x2c;

/// `struct ethtool_value`.
#[repr(C)]
struct Value {
    command: u32,
    data: u32,
}

/// One order or question; the answer to a question.
fn ask(name: &str, command: u32, data: u32) -> io::Result<u32> {
    let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::DGRAM, None)?;
    let mut value = Value { command, data };
    // SAFETY: an all-zero ifreq is a valid value of that plain C struct.
    let mut request: libc::ifreq = unsafe { std::mem::zeroed() };
    if name.len() >= request.ifr_name.len() {
        return Err(io::Error::from(io::ErrorKind::InvalidInput));
    }
    for (to, from) in request.ifr_name.iter_mut().zip(name.bytes()) {
        *to = from as libc::c_char;
    }
    request.ifr_ifru.ifru_data = (&raw mut value).cast();
    // SAFETY: the request and the value that it points to live through the call; these commands read and write eight octets.
    if unsafe { libc::ioctl(socket.as_raw_fd(), libc::SIOCETHTOOL, &raw mut request) } < 0 {
        return Err(io::Error::last_os_error());
    }
    Ok(value.data)
}

/// Switches all off on an interface of the calling thread's namespace. Segmentation goes first: the kernel refuses to
/// segment without checksum offload, and warns.
pub(super) fn switch_off(name: &str) -> io::Result<()> {
    for command in [ETHTOOL_STSO, ETHTOOL_SGSO, ETHTOOL_SGRO, ETHTOOL_STXCSUM, ETHTOOL_SRXCSUM] {
        ask(name, command, 0)?;
    }
    Ok(())
}

/// A port whose received frames come one by one and not merged, for as long as this lives: a packet socket would get frames
/// larger than any wire has.
#[derive(Debug)]
pub struct WholeFrames {
    name: String,
    merged: bool,
}

impl WholeFrames {
    /// Switches merging off, if it is on.
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_NET_ADMIN. A port that knows no such switch does not merge: no error.
    pub fn on(name: &str) -> io::Result<Self> {
        let named = |error: io::Error| io::Error::new(error.kind(), format!("receiving single frames on {name}: {error}"));
        let merged = match ask(name, ETHTOOL_GGRO, 0) {
            Ok(is_on) => is_on != 0,
            Err(error) if error.raw_os_error() == Some(libc::EOPNOTSUPP) => false,
            Err(error) => return Err(named(error)),
        };
        if merged {
            ask(name, ETHTOOL_SGRO, 0).map_err(named)?;
        }
        Ok(Self { name: name.to_owned(), merged })
    }
}

impl Drop for WholeFrames {
    fn drop(&mut self) {
        if self.merged {
            // The port may be gone; then there is nothing to restore.
            let _ = ask(&self.name, ETHTOOL_SGRO, 1);
        }
    }
}
