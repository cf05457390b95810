//! One query and its answer, over UDP or over a connection of its own; none of them timed by the kernel.

use std::io;
use std::net::SocketAddr;
use std::time::{Duration, Instant};

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

use super::WAIT;
use crate::net::bound;
use crate::unit::Family;
use crate::wire::dns;

/// Largest UDP answer that is read: more than any that is offered by EDNS, so that a larger one is seen whole.
pub(super) const BUFFER: usize = 4096;

/// Where to send from: any address of the family, any port.
pub(in crate::check) fn any_port(to: SocketAddr) -> SocketAddr {
    let any = Family::of(to.ip()).any_address();
    SocketAddr::new(any, 0)
}

/// Whether octets are an answer with the number of a query.
fn answers(query: &[u8], octets: &[u8]) -> bool {
    query.first_chunk::<2>() == octets.first_chunk::<2>() && dns::parse(octets).is_ok()
}

/// Sends a query over UDP up to `tries` times, since a datagram may be lost; each waits [`WAIT`].
pub(in crate::check) async fn over_udp(to: SocketAddr, device: &str, query: &[u8], tries: u32) -> Option<Vec<u8>> {
    for _ in 0..tries {
        let exchange = async {
            let socket = tokio::net::UdpSocket::bind(any_port(to)).await.ok()?;
            socket.bind_device(Some(device.as_bytes())).ok()?;
            socket.connect(to).await.ok()?;
            socket.send(query).await.ok()?;
            let mut buffer = vec![0; BUFFER];
            loop {
                let len = socket.recv(&mut buffer).await.ok()?;
                if answers(query, &buffer[..len]) {
                    buffer.truncate(len);
                    return Some(buffer);
                }
            }
        };
        if let Ok(Some(answer)) = tokio::time::timeout(WAIT, exchange).await {
            return Some(answer);
        }
    }
    None
}

/// Sends a query over a connection of its own; the time includes setting it up.
pub(in crate::check) async fn over_tcp(to: SocketAddr, device: &str, query: &[u8]) -> Result<(Vec<u8>, Duration), String> {
    let started = Instant::now();
    let exchange = async {
        let mut stream = bound::connect(to, device).await?;
        let answer = over_stream(&mut stream, query).await?;
        Ok::<_, io::Error>((answer, started.elapsed()))
    };
    let answered = tokio::time::timeout(WAIT, exchange).await.map_err(|_| format!("no answer within {} s", WAIT.as_secs()))?;
    answered.map_err(|error| error.to_string())
}

/// Sends a query on a stream and takes the answer (RFC 7766 section 8: length and message in one segment).
pub(super) async fn over_stream(stream: &mut (impl AsyncRead + AsyncWrite + Unpin), query: &[u8]) -> io::Result<Vec<u8>> {
    let framed = [&(query.len() as u16).to_be_bytes(), query].concat();
    stream.write_all(&framed).await?;
    stream.flush().await?;
    let mut answer = vec![0; usize::from(stream.read_u16().await?)];
    stream.read_exact(&mut answer).await?;
    if answers(query, &answer) { Ok(answer) } else { Err(io::Error::other("an answer to another question, or none")) }
}
