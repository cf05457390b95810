//! A port of the agent's own (tun, Documentation/networking/tuntap.rst of the kernel): what the kernel sends through it is
//! read here, and what is written here the kernel receives.
//!
//! It must not know what the frames mean. The port lives as long as this value: however the process ends, the kernel takes it
//! away with its addresses and routes. The catch: the kernel completes checksums and cuts segments before a frame comes
//! here, since no offload is offered.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::fd::{AsRawFd, RawFd};
use std::os::unix::fs::OpenOptionsExt;
use std::time::Duration;

use super::ring;

const DEVICE: &str = "/dev/net/tun";

/// What passes through the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// IP packets.
    Ip,
    /// Ethernet frames.
    Ethernet,
}

/// A port of one's own, in the namespace of the thread that opened it.
#[derive(Debug)]
pub struct Tun {
    file: File,
    name: String,
    index: u32,
}

impl Tun {
    /// Makes a port, switched off; its name begins with `doorstep`.
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_NET_ADMIN, `NotFound` on a kernel without tun; the text says what to do.
    pub fn open(kind: Kind) -> io::Result<Self> {
        let named = |error: io::Error| {
            let remedy = match error.kind() {
                io::ErrorKind::NotFound => "; load the kernel's tun module: sudo modprobe tun",
                io::ErrorKind::PermissionDenied => "; it needs the right CAP_NET_ADMIN: run it with sudo",
                _ => "",
            };
            io::Error::new(error.kind(), format!("making a port of our own ({DEVICE}): {error}{remedy}"))
        };
        let file = OpenOptions::new().read(true).write(true).custom_flags(libc::O_NONBLOCK).open(DEVICE).map_err(named)?;
        // SAFETY: an all-zero ifreq is a valid value of that plain C struct.
        let mut request: libc::ifreq = unsafe { std::mem::zeroed() };
        for (to, from) in request.ifr_name.iter_mut().zip(*b"doorstep%d") {
            *to = from as libc::c_char;
        }
        let kind = match kind {
            Kind::Ip => libc::IFF_TUN,
            Kind::Ethernet => libc::IFF_TAP,
        };
        request.ifr_ifru.ifru_flags = (kind | libc::IFF_NO_PI) as libc::c_short;
        // SAFETY: the request lives through the call, which reads it and writes the name back into it.
        if unsafe { libc::ioctl(file.as_raw_fd(), libc::TUNSETIFF, &raw mut request) } < 0 {
            return Err(named(io::Error::last_os_error()));
        }
        let name: Vec<u8> = request.ifr_name.iter().take_while(|c| **c != 0).map(|c| *c as u8).collect();
        let name = String::from_utf8_lossy(&name).into_owned();
        let index = nix::net::if_::if_nametoindex(&*name)?;
        Ok(Self { file, name, index })
    }

    /// Kernel name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Kernel index.
    pub fn index(&self) -> u32 {
        self.index
    }

    pub(super) fn fd(&self) -> RawFd {
        self.file.as_raw_fd()
    }

    /// Takes the next frame that the kernel sends; `WouldBlock` when there is none.
    pub(super) fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        (&self.file).read(buffer)
    }

    /// Waits for one frame and reads it. For probes and benches; the carrier reads in batches.
    ///
    /// # Errors
    /// `TimedOut` when none came within `limit`.
    pub fn receive_within(&self, frame: &mut [u8], limit: Duration) -> io::Result<usize> {
        match self.read(frame) {
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            other => return other,
        }
        ring::wait(self.fd(), -1, Some(limit.as_nanos() as u64))?;
        self.read(frame)
            .map_err(|error| if error.kind() == io::ErrorKind::WouldBlock { io::ErrorKind::TimedOut.into() } else { error })
    }

    /// Gives the kernel a frame.
    ///
    /// # Errors
    /// `EIO` while the port is switched off.
    pub fn send(&self, frame: &[u8]) -> io::Result<()> {
        (&self.file).write(frame).map(drop)
    }
}
