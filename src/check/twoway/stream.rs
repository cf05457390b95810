//! Runs one STAMP stream over a real socket: the driver around [`proto::stamp::sender`](crate::proto::stamp::sender).
//!
//! Whoever needs the delay of the line at a moment runs one: the twoway check on a quiet line, the throughput check
//! beside its load. It owns its socket and spawns nothing. The hard thing is to end well whatever the far end
//! does: silence, an ICMP refusal and a send that fails each end the stream with what it has, and with the reason.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use tokio_util::sync::CancellationToken;

use crate::check::settling::Watch;
use crate::net::facts::udp_checksum_errors;
use crate::net::stamped::{SendKey, SendWith, StampedEvent, StampedSocket};
use crate::proto::stamp::account::{Account, Reflector};
use crate::proto::stamp::sender::{Config, Notes, Sender};
use crate::unit::{Family, Stamp, StampSource};
use crate::wire::stamp::Mode;

/// Sends that may fail in a row before the stream is given up.
const FAILURES_IN_A_ROW: u32 = 25;
/// ICMP refusals by the far end itself, without any answer since, that end the stream.
const REFUSALS: u32 = 5;
/// Transmit stamps that may be outstanding; older ones keep the program's own stamp.
const OUTSTANDING: usize = 4096;

/// A stream to run.
#[derive(Debug, Clone)]
pub struct StreamConfig {
    /// Interface that the packets must leave through; `None` leaves it to the routes.
    pub device: Option<String>,
    /// Address to send from; unspecified lets the system choose.
    pub local: IpAddr,
    /// The reflector.
    pub reflector: SocketAddr,
    /// Whether the reflector counts its own packets.
    pub kind: Reflector,
    /// DSCP of the packets, 0 to 63.
    pub dscp: u8,
    /// Without any answer for so long the stream is given up.
    pub give_up_after: Duration,
    /// Length, pace and form of the stream.
    pub stream: Config,
}

/// How a stream ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// All packets were sent and awaited.
    Complete,
    /// The caller ended it.
    Cancelled,
    /// Whoever looked on had seen enough.
    Enough,
    /// No answer came for the time that it was given; seconds into the stream of the last one, `None` if there was none.
    Silent(Option<Duration>),
    /// The far end said by ICMP that nothing listens there.
    Refused,
    /// The test set could not send.
    CannotSend(String),
}

/// What a stream found.
#[derive(Debug, Clone)]
pub struct StreamResult {
    /// What the line did.
    pub account: Account,
    /// How it ended.
    pub ended: Ended,
    /// Form of the packets.
    pub mode: Mode,
    /// DSCP sent.
    pub dscp: u8,
    /// UDP payload octets of each packet.
    pub payload_octets: usize,
    /// Mean time between two packets.
    pub interval: Duration,
    /// Datagrams that this host's UDP threw away meanwhile since their checksum was wrong; `None` where the kernel does not say.
    pub checksum_errors: Option<u64>,
    /// When the stream began.
    pub began_at: Instant,
}

/// The current state of a running stream.
#[derive(Debug, Clone, Copy)]
pub struct StreamProgress {
    /// Packets sent.
    pub sent: u64,
    /// Answers received, copies included.
    pub answers: u64,
    /// Latest round trip in milliseconds.
    pub round_trip: Option<f64>,
}

/// Runs a stream until it is complete, given up, or `cancel` fires; then outstanding answers are still awaited, at most
/// for the configured wait.
///
/// `progress` is called about four times a second. Dropping the future closes the socket and leaves nothing behind.
///
/// # Errors
/// When the socket can't be made or bound, or fails for good: then nothing was measured.
pub async fn run_stream(
    config: StreamConfig,
    cancel: CancellationToken,
    progress: impl FnMut(StreamProgress) + Send,
) -> io::Result<StreamResult> {
    run_watched(config, cancel, progress, None).await
}

/// As [`run_stream`], with somebody who looks on.
pub(super) async fn run_watched(
    config: StreamConfig,
    cancel: CancellationToken,
    mut progress: impl FnMut(StreamProgress) + Send,
    mut watch: Option<Watch<StreamResult>>,
) -> io::Result<StreamResult> {
    let socket = StampedSocket::udp(SocketAddr::new(config.local, 0), config.device.as_deref())?;
    let family = Family::of(config.reflector.ip());
    let errors_before = udp_checksum_errors(family);
    let began_at = Instant::now();
    let mode = if config.stream.key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated };
    let sender = Sender::new(began_at, config.stream.clone());
    let payload_octets = sender.payload_octets();
    let result = {
        let (kind, dscp, interval) = (config.kind, config.dscp, config.stream.interval);
        move |notes: Notes, ended, checksum_errors| {
            let account = Account::of(notes, kind);
            StreamResult { account, ended, mode, dscp, payload_octets, interval, checksum_errors, began_at }
        }
    };
    let enough = watch.as_ref().map_or_else(CancellationToken::new, Watch::enough);
    let mut run = Run {
        config: &config,
        socket: &socket,
        sender,
        keys: HashMap::new(),
        failures_in_a_row: 0,
        refusals: 0,
        last_answer_at: None,
        ended: None,
    };
    let mut buffer = vec![0; 2048.max(payload_octets + 1)];
    let mut told_at = began_at;
    loop {
        let now = Instant::now();
        run.send_due();
        run.give_up(now, began_at);
        if run.sender.is_done(now) {
            break;
        }
        if now.saturating_duration_since(told_at) >= Duration::from_millis(250) {
            told_at = now;
            let (sent, answers) = run.sender.progress();
            progress(StreamProgress { sent, answers, round_trip: run.sender.latest_round_trip() });
        }
        let decided = run.sender.decided();
        if let Some(watch) = watch.as_mut().filter(|watch| watch.is_due(decided))
            && run.ended.is_none()
        {
            let notes = run.sender.notes_so_far();
            watch.look(decided, move || result(notes, Ended::Complete, None));
        }
        let wake = run.sender.next_wake().unwrap_or(now + Duration::from_millis(100));
        tokio::select! {
            biased;
            event = socket.next_event(&mut buffer) => run.on_event(&event?, &buffer),
            () = cancel.cancelled(), if run.ended.is_none() => run.end(now, Ended::Cancelled),
            () = enough.cancelled(), if run.ended.is_none() => run.end(now, Ended::Enough),
            () = tokio::time::sleep_until(wake.into()) => {}
        }
    }
    // What has arrived by now was in time on the line, even if this program had no time to read it.
    while let Ok(Some(event)) = socket.try_event(&mut buffer) {
        run.on_event(&event, &buffer);
    }
    let ended = run.ended.unwrap_or(Ended::Complete);
    let checksum_errors = errors_before.and_then(|before| Some(udp_checksum_errors(family)?.saturating_sub(before)));
    Ok(result(run.sender.into_notes(), ended, checksum_errors))
}

struct Run<'a> {
    config: &'a StreamConfig,
    socket: &'a StampedSocket,
    sender: Sender,
    keys: HashMap<SendKey, u32>,
    failures_in_a_row: u32,
    refusals: u32,
    last_answer_at: Option<Instant>,
    ended: Option<Ended>,
}

impl Run<'_> {
    fn end(&mut self, now: Instant, how: Ended) {
        if self.ended.is_none() {
            self.ended = Some(how);
            self.sender.stop(now);
        }
    }

    fn send_due(&mut self) {
        // RFC 5357 section 4.1.2: test packets leave with TTL 255, so that what is left of it counts the hops.
        let with = SendWith { ttl: Some(255), dscp: Some(self.config.dscp), ecn: 0 };
        loop {
            let now = Instant::now();
            let Some(outgoing) = self.sender.transmit(now, wall_clock()) else { return };
            let sequence = outgoing.sequence;
            match self.socket.try_send_to(outgoing.bytes, self.config.reflector, with) {
                Ok(key) => {
                    self.failures_in_a_row = 0;
                    self.sender.on_sent(now);
                    if self.keys.len() >= OUTSTANDING {
                        self.keys.clear();
                    }
                    self.keys.insert(key, sequence);
                }
                Err(error) => {
                    self.sender.on_send_failed(sequence);
                    self.failures_in_a_row += 1;
                    if self.failures_in_a_row >= FAILURES_IN_A_ROW {
                        self.end(now, Ended::CannotSend(error.to_string()));
                    }
                }
            }
        }
    }

    fn give_up(&mut self, now: Instant, began_at: Instant) {
        let silent = now.saturating_duration_since(self.last_answer_at.unwrap_or(began_at));
        if silent >= self.config.give_up_after {
            self.end(now, Ended::Silent(self.last_answer_at.map(|at| at.saturating_duration_since(began_at))));
        }
        if self.refusals >= REFUSALS {
            self.end(now, Ended::Refused);
        }
    }

    fn on_event(&mut self, event: &StampedEvent, buffer: &[u8]) {
        match *event {
            StampedEvent::Received { len, from, stamp, at, ttl, traffic_class, receive_drops } => {
                self.sender.on_receive_drops(receive_drops.into());
                if from.ip() == self.config.reflector.ip() && from.port() == self.config.reflector.port() {
                    let before = self.sender.progress().1;
                    self.sender.on_packet(at, stamp, &buffer[..len.min(buffer.len())], ttl, traffic_class);
                    if self.sender.progress().1 > before {
                        self.last_answer_at = Some(at);
                        self.refusals = 0;
                    }
                }
            }
            StampedEvent::Sent { key, stamp, at } => {
                if let Some(sequence) = self.keys.remove(&key) {
                    self.sender.on_transmit_stamp(sequence, stamp, at);
                }
            }
            // Port unreachable from the far end itself (RFC 792 type 3 code 3, RFC 4443 type 1 code 4): no reflector
            // there. From others it is the line's doing and shows as loss.
            StampedEvent::IcmpError { kind, code, offender, .. } => {
                let unreachable =
                    matches!((self.config.reflector, kind, code), (SocketAddr::V4(_), 3, 3) | (SocketAddr::V6(_), 1, 4));
                if unreachable && offender == Some(self.config.reflector.ip()) {
                    self.refusals += 1;
                }
            }
        }
    }
}

fn wall_clock() -> Stamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Stamp { unix_ns: i64::try_from(since.as_nanos()).unwrap_or(i64::MAX), source: StampSource::User, adapter_ns: None }
}
