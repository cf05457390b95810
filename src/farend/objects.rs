//! Large and small objects of an admitted load: made and thrown away octet by octet, so that none is ever held whole.
//!
//! Bounded in time, octets and connections by what was admitted. It must not know sessions, tokens or routes.

use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use http_body_util::BodyExt;
use hyper::body::{Body, Bytes, Frame};
use tokio_util::sync::{CancellationToken, DropGuard};

use super::api::{LoadRequest, ObjectsReport};
use crate::net::cpu::CpuTimes;
use crate::unit::Direction;

/// Octets that a large object is handed on in: so few that small answers get between them *(ours)*.
pub(super) const PIECE: usize = 4 * 1024;
/// Octets that may wait in each of three places of a sender: the streams of a connection, its TLS, and unsent in the kernel
/// (TCP_NOTSENT_LOWAT). The draft on responsiveness wants little kept there, since it delays whatever is asked for next: 24 kB take 100 ms on a
/// connection whose share of the line is 2 Mbit/s *(ours)*.
pub(super) const WAITING: usize = 8 * 1024;
/// What a receiver waits beyond the load's time for what a deep buffer still holds.
const DRAIN: Duration = Duration::from_secs(3);

/// One admitted load of objects.
#[derive(Debug)]
pub(super) struct ObjectLoad {
    direction: Direction,
    until: Instant,
    octets_left: AtomicI64,
    moved: AtomicU64,
    /// Large objects that may still be opened.
    places: AtomicI64,
    cancel: CancellationToken,
    cpu: Option<CpuTimes>,
    piece: Bytes,
}

/// Holds a load; dropped, its objects end.
#[derive(Debug)]
pub(super) struct Held {
    load: Arc<ObjectLoad>,
    _ends: DropGuard,
}

impl Held {
    /// From now until the request's time. `piece` is what large objects consist of, over and over.
    pub(super) fn new(request: &LoadRequest, piece: Bytes) -> Self {
        let cancel = CancellationToken::new();
        let load = ObjectLoad {
            direction: request.direction,
            until: Instant::now() + Duration::from_millis(request.time_ms),
            octets_left: AtomicI64::new(i64::try_from(request.max_octets).unwrap_or(i64::MAX)),
            moved: AtomicU64::new(0),
            places: AtomicI64::new(request.streams.into()),
            cancel: cancel.clone(),
            cpu: CpuTimes::now(),
            piece,
        };
        Self { load: Arc::new(load), _ends: cancel.drop_guard() }
    }

    pub(super) fn load(&self) -> Arc<ObjectLoad> {
        Arc::clone(&self.load)
    }

    pub(super) fn report(&self) -> ObjectsReport {
        let cpu_busy = self.load.cpu.as_ref().and_then(|then| CpuTimes::now()?.busiest_since(then));
        ObjectsReport { octets: self.load.moved.load(Ordering::Relaxed), cpu_busy }
    }
}

impl ObjectLoad {
    /// Whether its time goes on.
    pub(super) fn is_open(&self) -> bool {
        !self.cancel.is_cancelled() && Instant::now() < self.until
    }

    /// Takes one of the places for a large object in this direction.
    pub(super) fn take_place(&self, direction: Direction) -> bool {
        self.direction == direction && self.is_open() && self.places.fetch_sub(1, Ordering::Relaxed) > 0
    }

    /// Books octets; false when there are no more to be moved.
    fn book(&self, octets: usize) -> bool {
        let octets = octets as i64;
        let had = self.octets_left.fetch_sub(octets, Ordering::Relaxed);
        if had > 0 {
            self.moved.fetch_add(octets.min(had) as u64, Ordering::Relaxed);
        }
        had >= octets
    }

    /// Takes a large object in to its end, or until the load is over; returns its octets.
    pub(super) async fn take_in(&self, mut body: impl Body<Data = Bytes> + Unpin) -> u64 {
        let mut octets = 0;
        let until = tokio::time::Instant::from_std(self.until + DRAIN);
        let all = async {
            while let Some(Ok(frame)) = body.frame().await {
                let len = frame.data_ref().map_or(0, Bytes::len);
                octets += len as u64;
                if !self.book(len) {
                    break;
                }
            }
        };
        tokio::select! {
            () = all => {}
            () = self.cancel.cancelled() => {}
            () = tokio::time::sleep_until(until) => {}
        }
        octets
    }
}

/// A large object on its way out.
#[derive(Debug)]
pub(super) struct Large(pub(super) Arc<ObjectLoad>);

impl Body for Large {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        let load = &self.0;
        let more = load.is_open() && load.book(load.piece.len());
        Poll::Ready(more.then(|| Ok(Frame::data(load.piece.clone()))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(direction: Direction, max_octets: u64, time_ms: u64) -> Held {
        let request = LoadRequest { direction, streams: 2, time_ms, max_octets, expected_mbit: 0.0 };
        Held::new(&request, Bytes::from(vec![7; PIECE]))
    }

    #[tokio::test]
    async fn a_large_object_ends_at_its_octets_at_its_time_and_with_its_load() {
        let bounded = held(Direction::Down, 3 * PIECE as u64 + 1, 60_000);
        let whole = Large(bounded.load()).collect().await.unwrap().to_bytes();
        assert_eq!((whole.len(), bounded.report().octets), (3 * PIECE, 3 * PIECE as u64 + 1));
        let over = held(Direction::Down, u64::MAX, 0);
        assert!(Large(over.load()).collect().await.unwrap().to_bytes().is_empty());
        let taken = held(Direction::Down, u64::MAX, 60_000);
        let mut object = Large(taken.load());
        assert!(object.frame().await.is_some());
        drop(taken);
        assert!(object.frame().await.is_none());
    }

    #[tokio::test]
    async fn what_comes_in_is_counted_and_ends_at_its_octets() {
        let load = held(Direction::Up, 2 * PIECE as u64, 60_000);
        let endless = Large(held(Direction::Down, u64::MAX, 60_000).load());
        // The other load is gone at once: nothing comes.
        assert_eq!(load.load().take_in(endless).await, 0);
        let source = held(Direction::Down, u64::MAX, 60_000);
        assert_eq!(load.load().take_in(Large(source.load())).await, 3 * PIECE as u64);
        assert_eq!(load.report().octets, 2 * PIECE as u64);
    }

    #[test]
    fn places_are_as_many_as_were_admitted_and_one_way() {
        let load = held(Direction::Down, 1, 60_000).load();
        assert!(!load.is_open(), "its holder is gone");
        let held = held(Direction::Down, 1, 60_000);
        let load = held.load();
        assert!(!load.take_place(Direction::Up));
        assert_eq!([(); 3].map(|()| load.take_place(Direction::Down)), [true, true, false]);
    }
}
