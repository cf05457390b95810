//! What the kernel knows about a TCP connection: `TCP_INFO`, and the congestion control of a socket.
//!
//! Older kernels fill less of the structure than newer ones: what was not filled is `None`, never zero. It must not know
//! what the figures are for.

use std::io;
use std::mem::{offset_of, size_of};
use std::os::fd::{AsFd, AsRawFd};

/// Figures of one connection, as far as the kernel gives them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TcpInfo {
    /// Maximum segment size that this end has asked for in its SYN.
    pub advertised_segment: u32,
    /// Smoothed round trip, microseconds.
    pub round_trip_us: u32,
    /// Octets sent, those sent again included.
    pub octets_sent: Option<u64>,
    /// Octets sent again.
    pub octets_retransmitted: Option<u64>,
    /// Smallest round trip seen, microseconds.
    pub min_round_trip_us: Option<u32>,
    /// Time with data to send or in flight, microseconds.
    pub busy_us: Option<u64>,
    /// Part of the busy time in which the receiver's window held it back, microseconds.
    pub receive_window_limited_us: Option<u64>,
    /// Part of the busy time in which the send buffer held it back, microseconds.
    pub send_buffer_limited_us: Option<u64>,
}

/// Reads the figures of a connection. Sample before closing.
///
/// # Errors
/// When the descriptor is no TCP socket.
pub fn tcp_info(socket: &impl AsFd) -> io::Result<TcpInfo> {
    // SAFETY: tcp_info consists of integers only, for which all zero bits are a value.
    let mut raw: libc::tcp_info = unsafe { std::mem::zeroed() };
    let mut len = size_of::<libc::tcp_info>() as libc::socklen_t;
    // SAFETY: the pointer and the length describe `raw`, which lives until the call returns; the kernel writes at most `len`.
    let result = unsafe {
        libc::getsockopt(
            socket.as_fd().as_raw_fd(),
            libc::IPPROTO_TCP,
            libc::TCP_INFO,
            (&raw mut raw).cast::<libc::c_void>(),
            &raw mut len,
        )
    };
    if result != 0 {
        return Err(io::Error::last_os_error());
    }
    let filled = len as usize;
    macro_rules! given {
        ($field:ident) => {
            (offset_of!(libc::tcp_info, $field) + size_of_val(&raw.$field) <= filled).then_some(raw.$field)
        };
    }
    Ok(TcpInfo {
        // The kernel takes the time stamps off once both ends agreed on them (linux/tcp.h, TCPI_OPT_TIMESTAMPS).
        advertised_segment: raw.tcpi_advmss + if raw.tcpi_options & 1 == 1 { 12 } else { 0 },
        round_trip_us: raw.tcpi_rtt,
        octets_sent: given!(tcpi_bytes_sent),
        octets_retransmitted: given!(tcpi_bytes_retrans),
        min_round_trip_us: given!(tcpi_min_rtt),
        busy_us: given!(tcpi_busy_time),
        receive_window_limited_us: given!(tcpi_rwnd_limited),
        send_buffer_limited_us: given!(tcpi_sndbuf_limited),
    })
}

/// Keeps the headers of the first segment of each connection that a listener takes, for [`saved_syn`].
///
/// # Errors
/// When the descriptor is no TCP socket, or the kernel has no such option (Linux 4.2).
pub fn save_syns(listener: &impl AsFd) -> io::Result<()> {
    let one: libc::c_int = 1;
    // SAFETY: the pointer and the length describe `one`, which lives until the call returns; the kernel only reads it.
    let result = unsafe {
        libc::setsockopt(
            listener.as_fd().as_raw_fd(),
            libc::IPPROTO_TCP,
            TCP_SAVE_SYN,
            (&raw const one).cast::<libc::c_void>(),
            size_of::<libc::c_int>() as libc::socklen_t,
        )
    };
    if result == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

/// The IP and TCP headers of a taken connection's first segment, once; `None` when none were kept.
pub fn saved_syn(connection: &impl AsFd) -> Option<Vec<u8>> {
    let mut headers = [0_u8; LONGEST_HEADERS];
    let mut len = headers.len() as libc::socklen_t;
    // SAFETY: the pointer and the length describe `headers`, which lives until the call returns; the kernel writes at most `len`.
    let result = unsafe {
        libc::getsockopt(
            connection.as_fd().as_raw_fd(),
            libc::IPPROTO_TCP,
            TCP_SAVED_SYN,
            headers.as_mut_ptr().cast::<libc::c_void>(),
            &raw mut len,
        )
    };
    let kept = (result == 0).then_some(headers.get(..len as usize)?)?;
    (!kept.is_empty()).then(|| kept.to_vec())
}

// linux/tcp.h
const TCP_SAVE_SYN: libc::c_int = 27;
const TCP_SAVED_SYN: libc::c_int = 28;
/// An IP header of at most 60 octets (or 40 with IPv6, and some extensions), and a TCP header of at most 60.
const LONGEST_HEADERS: usize = 512;

/// Asks for the first congestion control of the list that the kernel allows to this socket, and says which one it has then.
///
/// The default of the machine decides how a queue looks (a sender that keeps it empty hides a deep buffer), so it is chosen
/// and recorded. Some kernels allow unprivileged sockets only what `net.ipv4.tcp_allowed_congestion_control` lists.
///
/// # Errors
/// When the descriptor is no TCP socket.
pub fn choose_congestion_control(socket: &impl AsFd, wanted: &[&str]) -> io::Result<String> {
    let socket = socket2::SockRef::from(socket);
    for name in wanted {
        if socket.set_tcp_congestion(name.as_bytes()).is_ok() {
            break;
        }
    }
    let name = socket.tcp_congestion()?;
    let end = name.iter().position(|byte| *byte == 0).unwrap_or(name.len());
    Ok(String::from_utf8_lossy(&name[..end]).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Read, Write};
    use std::net::{TcpListener, TcpStream};

    #[test]
    fn octets_sent_are_counted_by_the_kernel_and_the_congestion_control_is_named() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let mut near = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
        let (mut far, _) = listener.accept().unwrap();
        near.write_all(&[7; 5000]).unwrap();
        far.read_exact(&mut [0; 5000]).unwrap();
        let info = tcp_info(&near).unwrap();
        assert_eq!(info.octets_sent, Some(5000));
        assert_eq!(info.octets_retransmitted, Some(0));
        let name = choose_congestion_control(&near, &["no-such-control", "reno"]).unwrap();
        assert_eq!(name, "reno", "every kernel has reno");
    }

    #[test]
    fn a_kept_syn_has_the_segment_size_that_the_sender_asked_for() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        save_syns(&listener).unwrap();
        let near = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
        let (far, _) = listener.accept().unwrap();
        let headers = saved_syn(&far).expect("kept");
        let asked = tcp_info(&near).unwrap().advertised_segment;
        let (_, seen) = crate::wire::syn::segment_size(&headers).expect("a SYN with the option");
        assert_eq!(u32::from(seen), asked);
        assert_eq!(saved_syn(&far), None, "told once");
    }
}
