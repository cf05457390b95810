//! Somebody in the way of plain HTTP on the practice line: a portal that answers in everybody's place, or a proxy that nobody chose.
//!
//! Connections are led to it by the place that it stands in. One request a connection, bounded in octets, time and number. It must not
//! know who asks, or whom it keeps from being reached.

use std::io;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::Service;
use crate::net::netns::Namespace;
use crate::net::nft::{self, Carried};
use crate::practice::config::Meddler;
use crate::proto::web::{LONGEST, head};

/// Port of plain HTTP.
const PLAIN: u16 = 80;
/// Where it listens itself.
const OWN: u16 = 8080;
/// A connection may last so long.
const WAIT: Duration = Duration::from_secs(5);
/// Connections at once; further ones wait in the kernel's queue.
const CONNECTIONS: usize = 64;
/// Where the portal sends browsers.
const LOGIN: &str = "http://portal.example.test/login";
/// How the proxy names itself in what it passes on (RFC 9110 section 7.6.3).
const VIA: &str = "Via: 1.1 middle.example.net";

/// Somebody in the way. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct MiddleRole {
    _service: Service,
}

impl MiddleRole {
    /// Starts it in a place and leads what passes there to it.
    ///
    /// # Errors
    /// When its port can't be had, or the kernel has no redirection.
    pub fn start(place: &Namespace, manner: Meddler) -> io::Result<Self> {
        // Both versions: the kernel's default takes IPv4 on this socket too.
        let open = || {
            let listener = std::net::TcpListener::bind((Ipv6Addr::UNSPECIFIED, OWN))?;
            listener.set_nonblocking(true)?;
            TcpListener::from_std(listener)
        };
        let serve = move |listener, until| serve(listener, manner, until);
        let service = Service::start(place, "middle", open, serve)?;
        nft::redirect(place, Carried::Tcp, PLAIN, OWN).map_err(io::Error::other)?;
        Ok(Self { _service: service })
    }
}

async fn serve(listener: TcpListener, manner: Meddler, until: CancellationToken) {
    let mut connections = JoinSet::new();
    loop {
        let is_full = connections.len() >= CONNECTIONS;
        tokio::select! {
            () = until.cancelled() => return,
            Some(_) = connections.join_next() => {}
            accepted = listener.accept(), if !is_full => match accepted {
                Ok((stream, _)) => drop(connections.spawn(tokio::time::timeout(WAIT, attend(stream, manner)))),
                // Out of descriptors: let some be closed.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            },
        }
    }
}

/// A peer that goes away early is no matter.
async fn attend(mut stream: TcpStream, manner: Meddler) -> io::Result<()> {
    let mut octets = Vec::new();
    while head(&octets).is_none() {
        let mut piece = [0; 1024];
        let len = stream.read(&mut piece).await?;
        octets.extend_from_slice(&piece[..len]);
        if len == 0 || octets.len() > LONGEST {
            return Ok(());
        }
    }
    match manner {
        Meddler::Portal => stream.write_all(sign_in().as_bytes()).await?,
        Meddler::Proxy => match host(&octets) {
            Some(at) => {
                let mut beyond = TcpStream::connect(at).await?;
                beyond.write_all(&passed_on(&octets)).await?;
                tokio::io::copy(&mut beyond.take(LONGEST as u64), &mut stream).await?;
            }
            None => stream.write_all(b"HTTP/1.1 502 Bad Gateway\r\nContent-Length: 0\r\nConnection: close\r\n\r\n").await?,
        },
    }
    stream.shutdown().await
}

/// A redirect to the portal's page, with words for whoever follows none.
fn sign_in() -> String {
    let page = format!("<html><body>Please <a href=\"{LOGIN}\">sign in</a> first.</body></html>\n");
    format!(
        "HTTP/1.1 302 Found\r\nLocation: {LOGIN}\r\nContent-Type: text/html\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{page}",
        page.len()
    )
}

/// Whom a request is for, where that is an address: names are not looked up here.
fn host(request: &[u8]) -> Option<SocketAddr> {
    let text = std::str::from_utf8(request).ok()?;
    let named =
        |line: &str| line.split_once(':').filter(|(key, _)| key.eq_ignore_ascii_case("host")).map(|(_, v)| v.trim().to_owned());
    let host = text.lines().find_map(named)?;
    let bare = host.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
    host.parse().ok().or_else(|| Some(SocketAddr::new(bare.ok()?, PLAIN)))
}

/// The request with the proxy's own line at the end of its head.
fn passed_on(request: &[u8]) -> Vec<u8> {
    let end = head(request).map_or(0, |head| head.len().saturating_sub(2));
    let (before, after) = request.split_at(end);
    [before, VIA.as_bytes(), b"\r\n", after].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_is_passed_on_with_one_line_more_and_to_the_address_that_it_names() {
        let request = b"GET /x HTTP/1.1\r\nHost: 203.0.113.9:80\r\n\r\nbody";
        let passed = String::from_utf8(passed_on(request)).expect("text");
        assert_eq!(passed, format!("GET /x HTTP/1.1\r\nHost: 203.0.113.9:80\r\n{VIA}\r\n\r\nbody"));
        let of = |text: &str| host(format!("GET / HTTP/1.1\r\nhOST:{text}\r\n\r\n").as_bytes()).map(|at| at.to_string());
        assert_eq!(of(" 203.0.113.9:8080").as_deref(), Some("203.0.113.9:8080"));
        assert_eq!(of("203.0.113.9").as_deref(), Some("203.0.113.9:80"));
        assert_eq!(of("[2001:db8::9]").as_deref(), Some("[2001:db8::9]:80"));
        assert_eq!(of("[2001:db8::9]:81").as_deref(), Some("[2001:db8::9]:81"));
        assert_eq!(of("www.example.net"), None);
        assert_eq!(host(b"GET / HTTP/1.1\r\n\r\n"), None);
    }
}
