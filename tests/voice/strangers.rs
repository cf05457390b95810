//! The far end speaks to nobody who was not admitted, to nobody else in an admitted one's place, and sends nothing back.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::Duration;

use crate::far_end;
use doorstep::farend::api::{CallGrant, CallsRequest};
use doorstep::farend::client::{ClientError, FarEndTarget, Session};
use doorstep::farend::server::Server;
use doorstep::proto::voice::{Plan, Talk};
use doorstep::unit::Codec;
use doorstep::wire::call::Leg;
use doorstep::wire::rtp;
use doorstep::wire::train::{Secret, is_ready};
use tokio::net::UdpSocket;

const LOOPBACK: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
/// Another address of this machine's own: no session comes from there.
const NEXT_DOOR: IpAddr = IpAddr::V4(Ipv4Addr::new(127, 0, 0, 2));

async fn far_end() -> (Server, FarEndTarget) {
    let (options, target) = far_end::options(vec![LOOPBACK]);
    let server = Server::start(options).await.expect("ports");
    let port = server.control_addresses()[0].port();
    (server, FarEndTarget { port, ..target })
}

fn request(packets: u16, calls: usize) -> CallsRequest {
    CallsRequest { payload_type: 0, packets, dscps: vec![0; calls] }
}

fn secret(grant: &CallGrant) -> Secret {
    Secret::new(&grant.secret.octets().expect("digits")).expect("32 octets")
}

/// The agent's side of a call's packets.
fn talk(grant: &CallGrant, packets: u16) -> Talk {
    Talk::new(0, Plan { codec: Codec::G711MuLaw, packets, own: grant.from_agent.into(), other: grant.from_far_end.into() })
}

/// What comes back to datagrams within a while.
async fn heard(from: IpAddr, to: SocketAddr, datagrams: &[Vec<u8>]) -> Vec<Vec<u8>> {
    let socket = UdpSocket::bind((from, 0)).await.expect("loopback");
    for datagram in datagrams {
        socket.send_to(datagram, to).await.expect("sent");
    }
    let (mut all, mut buffer) = (Vec::new(), [0; 2048]);
    // Six packets of speech would have come in this time.
    while let Ok(got) = tokio::time::timeout(Duration::from_millis(120), socket.recv_from(&mut buffer)).await {
        // The port may be closed by then, which loopback tells at once.
        let Ok((len, _)) = got else { break };
        all.push(buffer[..len].to_vec());
    }
    all
}

#[tokio::test]
async fn without_the_secret_or_from_next_door_nothing_comes_and_a_secret_opens_once() {
    let (_server, target) = far_end().await;
    let session = Session::open(&target, LOOPBACK, "lo").await.expect("invited");
    let grant = session.admit_calls(&request(20, 1)).await.expect("admitted");
    let leg = &grant.legs[0];
    let to = SocketAddr::new(LOOPBACK, leg.port);
    let speech = talk(leg, 20).transmit(0).expect("due").1;
    let mut wrong = secret(leg).opening();
    wrong[20] ^= 1;
    // Speech of the right stream, a wrong secret, and the right one from another address.
    assert!(heard(LOOPBACK, to, &[speech.clone(), wrong, vec![0; 400], Vec::new()]).await.is_empty());
    assert!(heard(NEXT_DOOR, to, &[secret(leg).opening(), speech.clone()]).await.is_empty());
    // From the session's own: the ready and 20 packets, however often the opening and speech come.
    let opening = secret(leg).opening();
    let came = heard(LOOPBACK, to, &[opening.clone(), speech.clone(), speech.clone(), speech.clone()]).await;
    assert!(is_ready(&came[0], secret(leg).name()) && came.len() == 21, "{}", came.len());
    let ssrcs: Vec<u32> = came[1..].iter().map(|octets| rtp::Packet::parse(octets).expect("RTP").header.ssrc).collect();
    assert!(ssrcs.iter().all(|ssrc| *ssrc == leg.from_far_end.ssrc), "its own stream, and nothing of ours");
    let legs = session.finish_calls(&grant).await.expect("it answers");
    let places: Vec<u16> = legs[0].arrived.iter().map(|one| one.place).collect();
    assert_eq!((legs[0].opened, places, legs[0].sent.len()), (true, vec![0], 20), "copies count once");
    assert!(heard(LOOPBACK, to, &[opening]).await.is_empty(), "it opens nothing any more");
}

#[tokio::test]
async fn calls_are_bounded_and_a_session_that_has_ended_gets_none() {
    let (_server, target) = far_end().await;
    let session = Session::open(&target, LOOPBACK, "lo").await.expect("invited");
    for senseless in [request(0, 1), request(15_001, 1), request(50, 0), request(50, 18)] {
        assert!(matches!(session.admit_calls(&senseless).await, Err(ClientError::Broken(_))), "{senseless:?}");
    }
    let strange = CallsRequest { payload_type: 33, ..request(50, 1) };
    assert!(matches!(session.admit_calls(&strange).await, Err(ClientError::Broken(_))));
    let first = session.admit_calls(&request(50, 17)).await.expect("admitted");
    session.admit_calls(&request(50, 17)).await.expect("as many again");
    let refused = session.admit_calls(&request(50, 1)).await;
    assert!(matches!(&refused, Err(ClientError::Busy { retry_after_s: Some(1..=9), .. })), "{refused:?}");
    // Nobody opened them: they end by themselves, and say so.
    let legs = session.finish_calls(&first).await.expect("it answers");
    assert_eq!(legs, vec![Leg::default(); 17]);
    let last = session.admit_calls(&request(50, 1)).await.expect("there is room again");
    session.close().await.expect("it answers");
    let to = SocketAddr::new(LOOPBACK, last.legs[0].port);
    assert!(heard(LOOPBACK, to, &[secret(&last.legs[0]).opening()]).await.is_empty(), "the session has ended");
    assert!(matches!(session.admit_calls(&request(50, 1)).await, Err(ClientError::Ended(_))));
}
