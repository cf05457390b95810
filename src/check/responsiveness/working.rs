//! Working conditions: connections that fill one direction, and probes beside and among them, from interval to interval.
//!
//! Draft-ietf-ippm-responsiveness, section "Final Algorithm". It must not know what becomes of the figures.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use tokio::task::JoinSet;
use tokio::time::Instant;

use crate::check::{Context, LiveFigure};
use crate::farend::client::objects::{Connection, Connector};
use crate::metric::responsiveness::Trips;
use crate::metric::responsiveness::search::{Found, Next, Search, Terms};
use crate::unit::Direction;

/// Pairs of probes a second before the line's goodput is known: 0.24 Mbit/s.
const FIRST_PAIRS: f64 = 5.0;
/// And at least, however slow the line is: 24 kbit/s *(ours)*.
const LEAST_PAIRS: f64 = 0.5;
/// A probe, or a connection that is to fill the line, has so long: deeper buffers than this are as good as a dead line.
const WAIT: Duration = Duration::from_secs(10);
/// Probes under way at once: a line that answers none does not gather more.
const UNDER_WAY: usize = 64;

/// Where the objects are.
#[derive(Debug, Clone)]
pub(super) struct Paths {
    pub(super) large: String,
    pub(super) small: String,
}

/// What one direction gave.
#[derive(Debug)]
pub(super) struct Working {
    pub(super) found: Found,
    /// Octets of large objects, both as sent up and as received.
    pub(super) octets: u64,
    pub(super) probes_failed: u64,
    pub(super) ended: Ended,
    /// Goodput of each interval, bits per second.
    pub(super) goodput: Vec<f64>,
}

/// How it ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ended {
    Complete,
    Cancelled,
    /// A connection that fills the line ended: the draft has the test abort.
    Broken(String),
}

/// What one probe found, milliseconds.
enum Probe {
    Foreign { connect: f64, secure: f64, request: f64 },
    Own(f64),
}

/// What ended: a connection was opened, or a large object came to its end.
enum Bearing {
    Opened(Arc<Connection>),
    Over,
}

/// Fills one direction and probes it until the figure stands, or time is up.
pub(super) async fn run(context: &Context, terms: Terms, direction: Direction, connector: &Connector, paths: &Paths) -> Working {
    let mut run = Run {
        search: Search::new(terms),
        direction,
        connector: connector.clone(),
        paths: paths.clone(),
        count: Arc::default(),
        stop: Arc::default(),
        bearers: Vec::new(),
        bearing: JoinSet::new(),
        probes: JoinSet::new(),
        trips: Trips::default(),
        failed: 0,
        is_foreign_next: true,
    };
    let mut goodput = Vec::new();
    let mut octets = 0;
    let interval = Duration::from_secs_f64(terms.interval);
    let ended = run.rounds(context, interval, |moved, bits| {
        octets += moved;
        goodput.push(bits);
    });
    let ended = ended.await;
    // Sets of tasks end theirs when they are dropped, and connections close.
    run.stop.store(true, Ordering::Relaxed);
    Working { found: run.search.found(), octets, probes_failed: run.failed, ended, goodput }
}

struct Run {
    search: Search,
    direction: Direction,
    connector: Connector,
    paths: Paths,
    count: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
    /// Open connections that fill the line.
    bearers: Vec<Arc<Connection>>,
    bearing: JoinSet<io::Result<Bearing>>,
    probes: JoinSet<io::Result<Probe>>,
    trips: Trips,
    failed: u64,
    is_foreign_next: bool,
}

impl Run {
    async fn rounds(&mut self, context: &Context, interval: Duration, mut on_interval: impl FnMut(u64, f64)) -> Ended {
        self.open_another();
        let mut ends_at = Instant::now() + interval;
        let mut pace = self.pace(FIRST_PAIRS);
        let mut probe_at = Instant::now() + pace;
        loop {
            tokio::select! {
                () = context.cancel.cancelled() => return Ended::Cancelled,
                Some(joined) = self.bearing.join_next() => match joined {
                    Ok(Ok(Bearing::Opened(connection))) => self.fill(connection),
                    Ok(Ok(Bearing::Over)) => return Ended::Broken("the far end ended a large object: its bounds are reached".to_owned()),
                    Ok(Err(error)) => return Ended::Broken(format!("a connection that fills the line ended: {error}")),
                    Err(error) => return Ended::Broken(error.to_string()),
                },
                Some(joined) = self.probes.join_next() => self.take(joined.ok()),
                () = tokio::time::sleep_until(ends_at) => {
                    let moved = self.count.swap(0, Ordering::Relaxed);
                    let next = self.search.on_interval(moved, std::mem::take(&mut self.trips));
                    on_interval(moved, moved as f64 * 8.0 / interval.as_secs_f64());
                    self.tell(context);
                    match next {
                        Next::End => return Ended::Complete,
                        Next::AddConnection => self.open_another(),
                        Next::Wait => {}
                    }
                    // An interval that was held up is followed by a whole one.
                    ends_at = (ends_at + interval).max(Instant::now() + interval / 2);
                    pace = self.pace(self.search.terms().pairs(self.search.goodput()));
                }
                () = tokio::time::sleep_until(probe_at) => {
                    self.probe();
                    probe_at = Instant::now() + pace;
                }
            }
        }
    }

    /// Between two probes of either kind.
    fn pace(&self, pairs: f64) -> Duration {
        Duration::from_secs_f64(0.5 / pairs.max(LEAST_PAIRS))
    }

    fn open_another(&mut self) {
        let connector = self.connector.clone();
        self.bearing.spawn(async move {
            let (connection, _) = within(connector.open()).await?;
            Ok(Bearing::Opened(Arc::new(connection)))
        });
    }

    fn fill(&mut self, connection: Arc<Connection>) {
        self.bearers.push(Arc::clone(&connection));
        let (path, count, stop) = (self.paths.large.clone(), Arc::clone(&self.count), Arc::clone(&self.stop));
        let direction = self.direction;
        self.bearing.spawn(async move {
            match direction {
                Direction::Down => connection.download(&path, &count).await?,
                Direction::Up => connection.upload(&path, count, stop).await?,
            };
            Ok(Bearing::Over)
        });
    }

    /// Sends a probe, foreign and own in turn. No priority is asked for: the draft forbids it.
    fn probe(&mut self) {
        let is_foreign = self.is_foreign_next;
        self.is_foreign_next = !is_foreign;
        if self.probes.len() >= UNDER_WAY {
            return;
        }
        let path = self.paths.small.clone();
        if is_foreign {
            let connector = self.connector.clone();
            self.probes.spawn(within(async move {
                let (connection, opening) = connector.open().await?;
                let request = connection.fetch(&path).await?.whole;
                let [connect, secure, request] = [opening.connect, opening.secure, request].map(ms);
                Ok(Probe::Foreign { connect, secure, request })
            }));
        } else if !self.bearers.is_empty() {
            // Each of them with the same chance.
            let connection = Arc::clone(&self.bearers[rand::random_range(0..self.bearers.len())]);
            self.probes.spawn(within(async move { Ok(Probe::Own(ms(connection.fetch(&path).await?.whole))) }));
        }
    }

    fn take(&mut self, probe: Option<io::Result<Probe>>) {
        match probe {
            Some(Ok(Probe::Foreign { connect, secure, request })) => {
                self.trips.connect.push(connect);
                self.trips.secure.push(secure);
                self.trips.request.push(request);
            }
            Some(Ok(Probe::Own(loaded))) => self.trips.loaded.push(loaded),
            Some(Err(_)) | None => self.failed += 1,
        }
    }

    fn tell(&self, context: &Context) {
        let found = self.search.found();
        let figure = found.figures.map(|figures| format!(", {:.0} round trips a minute", figures.combined)).unwrap_or_default();
        let mbit = found.goodput / 1e6;
        let text = format!("{} {mbit:.0} Mbit/s{figure}", self.direction);
        (context.live)(LiveFigure::new("responsiveness", text).point(self.direction, mbit));
    }
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

async fn within<T>(work: impl Future<Output = io::Result<T>>) -> io::Result<T> {
    tokio::time::timeout(WAIT, work).await.unwrap_or_else(|_| Err(io::Error::from(io::ErrorKind::TimedOut)))
}
