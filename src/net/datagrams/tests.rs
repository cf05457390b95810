//! On loopback.
use std::sync::atomic::Ordering;

use super::*;

fn pair(joins: bool) -> (BulkSocket, BulkSocket) {
    let open = |at: &str| {
        let local = at.parse().expect("an address");
        BulkSocket::open(&Bulk { local, device: None, dscp: 0, buffer: 1 << 20, joins }).expect("loopback")
    };
    let (one, two) = (open("127.0.0.1:0"), open("127.0.0.1:0"));
    one.connect(two.local_addr().expect("bound")).expect("connect");
    (one, two)
}

/// All payloads that are there, with the socket's drops.
fn drain(socket: &BulkSocket, batch: &mut Batch) -> (Vec<Vec<u8>>, u32) {
    let (mut all, mut dropped) = (Vec::new(), 0);
    loop {
        socket.wait(false, Duration::from_millis(20)).expect("poll");
        match socket.receive(batch) {
            Ok(_) => {
                for arrived in batch.arrived() {
                    all.extend(arrived.payloads().map(<[u8]>::to_vec));
                    dropped = arrived.dropped;
                }
            }
            Err(error) => {
                assert_eq!(error.kind(), io::ErrorKind::WouldBlock);
                return (all, dropped);
            }
        }
    }
}

#[test]
fn trains_arrive_as_the_datagrams_that_they_were_cut_into() {
    for joins in [false, true] {
        let (one, two) = pair(joins);
        let octets: Vec<u8> = (0..10_500_u32).map(|n| n as u8).collect();
        let trains = [Train { octets: &octets, size: 1000 }, Train { octets: &octets[..300], size: 1000 }];
        assert_eq!(one.send(&trains).expect("room"), 2);
        let (payloads, dropped) = drain(&two, &mut Batch::default());
        assert_eq!(payloads.iter().map(Vec::len).collect::<Vec<_>>(), [vec![1000; 10], vec![500, 300]].concat());
        assert_eq!((payloads.concat(), dropped), ([&octets[..], &octets[..300]].concat(), 0));
    }
}

#[test]
fn what_the_queue_drops_is_counted() {
    let (one, two) = pair(false);
    let octets = vec![0; 40_000];
    for _ in 0..400 {
        // Loopback delivers within the call, so all that does not fit is dropped there.
        let _ = one.send(&[Train { octets: &octets, size: 1000 }]);
    }
    let mut batch = Batch::default();
    let (payloads, _) = drain(&two, &mut batch);
    one.send(&[Train { octets: &octets[..1000], size: 1000 }]).expect("room");
    let (last, dropped) = drain(&two, &mut batch);
    assert_eq!((last.len(), payloads.len() + dropped as usize), (1, 400 * 40));
    assert!(dropped > 0, "a megabyte holds no 16");
}

#[test]
fn a_train_that_is_too_long_or_cut_into_nothing_is_refused() {
    let (one, _two) = pair(false);
    let octets = vec![0; LONGEST_TRAIN + 1];
    for train in [Train { octets: &octets, size: 1000 }, Train { octets: &octets[..10], size: 0 }] {
        assert_eq!(one.send(&[train]).expect_err("refused").kind(), io::ErrorKind::InvalidInput);
    }
}

#[test]
fn arrivals_are_stamped_by_the_kernel_on_request() {
    let (one, two) = pair(true);
    two.stamp_arrivals().expect("stamps");
    let mut batch = Batch::default();
    // The kernel switches stamping on in the background; the first arrivals may have none.
    let until = std::time::Instant::now() + Duration::from_secs(20);
    let is_stamped = std::iter::from_fn(|| (std::time::Instant::now() < until).then_some(())).any(|()| {
        one.send_one(b"here", None).expect("room");
        two.wait(false, Duration::from_millis(10)).expect("poll");
        two.receive(&mut batch).expect("it is there");
        batch.arrived().any(|arrived| arrived.stamp.is_some() && arrived.from.is_some())
    });
    assert!(is_stamped);
}

#[test]
fn what_is_sent_each_or_uncut_arrives_as_single_datagrams() {
    let (one, two) = pair(false);
    let to = two.local_addr().expect("bound");
    for cuts in [true, false] {
        one.cuts_not.store(!cuts, Ordering::Relaxed);
        let lengths = [100, 100, 100, 60, 100, 0, 0, 100];
        let octets: Vec<Vec<u8>> = lengths.iter().enumerate().map(|(at, len)| vec![at as u8; *len]).collect();
        let datagrams: Vec<Marked<'_>> = octets
            .iter()
            .enumerate()
            .map(|(at, octets)| Marked { octets, to, dscp: (at == 2).then_some(46), stamped: false })
            .collect();
        assert_eq!(one.send_each(&datagrams).expect("room"), datagrams.len());
        let (payloads, _) = drain(&two, &mut Batch::default());
        assert_eq!(payloads.concat(), octets.concat());
        assert_eq!(one.send(&[Train { octets: &octets.concat(), size: 60 }]).expect("room"), 1);
        let (payloads, _) = drain(&two, &mut Batch::default());
        assert_eq!(payloads.iter().map(Vec::len).collect::<Vec<_>>(), [vec![60; 9], vec![20]].concat());
    }
}

#[test]
fn sockets_that_share_a_batch_have_each_its_own_drops() {
    let ((one, flooded), (other, quiet)) = (pair(false), pair(false));
    // Far more than a buffer of 1 MiB holds, and nobody reads.
    for _ in 0..4000 {
        one.send_one(&[7; 1400], None).expect("loopback");
    }
    let mut batch = Batch::default();
    let (held, _) = drain(&flooded, &mut batch);
    one.send_one(b"last", None).expect("loopback");
    let (last, dropped) = drain(&flooded, &mut batch);
    assert_eq!((held.len() + dropped as usize, last.len()), (4000, 1));
    assert!(dropped > 0);
    other.send_one(b"first", None).expect("loopback");
    assert_eq!(drain(&quiet, &mut batch), (vec![b"first".to_vec()], 0));
}
