//! One request of HTTP/1.1 over one connection on an interface, with everything bounded: for devices that nobody vouches for.
//!
//! The library keeps the protocol. No redirection is followed, no proxy asked, no name resolved. It must not know what is
//! asked.

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use futures_util::FutureExt;
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::header::{CONNECTION, CONTENT_TYPE, HOST};
use hyper::{Method, Request};
use hyper_util::rt::TokioIo;

use super::bound;

/// Octets of a head that are read, and fields in it.
const MOST_HEAD: usize = 16 << 10;
const MOST_FIELDS: usize = 64;

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    /// Whom.
    pub to: SocketAddr,
    /// Over which interface.
    pub device: &'a str,
    /// Path and query.
    pub path: &'a str,
    /// Fields and body of a POST; `None` is a GET.
    pub post: Option<(&'a [(&'static str, &'a str)], &'a str)>,
    /// Octets of the answer's body that are read; more is an error.
    pub most: usize,
    /// For all of it: connecting, asking, reading.
    pub wait: Duration,
}

/// What is answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Status, 200 when all is well.
    pub status: u16,
    /// The body as text; octets that are none are replaced.
    pub body: String,
}

impl Question<'_> {
    /// Asks.
    ///
    /// # Errors
    /// `TimedOut` when it took too long; what stood in the way otherwise.
    pub async fn ask(&self) -> io::Result<Answer> {
        let late = |_| io::Error::new(io::ErrorKind::TimedOut, format!("no answer within {} s", self.wait.as_secs_f64()));
        tokio::time::timeout(self.wait, self.exchange()).await.map_err(late)?
    }

    async fn exchange(&self) -> io::Result<Answer> {
        let stream = bound::connect(self.to, self.device).await?;
        let mut builder = http1::Builder::new();
        builder.max_headers(MOST_FIELDS).max_buf_size(MOST_HEAD).ignore_invalid_headers_in_responses(true);
        builder.allow_spaces_after_header_name_in_responses(true).title_case_headers(true);
        let (mut sender, connection) = builder.handshake(TokioIo::new(stream)).await.map_err(io::Error::other)?;
        let request = self.request()?;
        let talk = async {
            let (head, body) = sender.send_request(request).await.map_err(io::Error::other)?.into_parts();
            let body = Limited::new(body, self.most).collect().await.map_err(io::Error::other)?.to_bytes();
            Ok(Answer { status: head.status.as_u16(), body: String::from_utf8_lossy(&body).into_owned() })
        };
        // The connection moves the octets that the talk waits for; it may end first, when the other side closes.
        let (talk, connection) = (std::pin::pin!(talk), std::pin::pin!(connection.fuse()));
        match futures_util::future::select(talk, connection).await {
            futures_util::future::Either::Left((answer, _)) => answer,
            futures_util::future::Either::Right((_, talk)) => talk.await,
        }
    }

    fn request(&self) -> io::Result<Request<Full<Bytes>>> {
        let builder = Request::builder().uri(self.path).header(HOST, self.to.to_string()).header(CONNECTION, "close");
        let request = match self.post {
            None => builder.method(Method::GET).body(Full::default()),
            Some((fields, body)) => {
                let typed = builder.method(Method::POST).header(CONTENT_TYPE, "text/xml; charset=\"utf-8\"");
                let with = fields.iter().fold(typed, |builder, (name, value)| builder.header(*name, *value));
                with.body(Full::from(body.to_owned()))
            }
        };
        request.map_err(io::Error::other)
    }
}
