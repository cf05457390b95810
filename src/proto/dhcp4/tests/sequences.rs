//! Any sequence of time, answers, refusals and claims: what must hold after every step.

use proptest::prelude::*;

use super::scene::{ADDRESS, MAC, OTHER_SERVER, Out, SERVER, Scene, answer, settings};
use crate::proto::dhcp4::*;
use crate::wire::arp;

/// One thing that happens.
#[derive(Debug, Clone)]
enum Step {
    /// Time passes, in milliseconds.
    Pass(u64),
    /// A server says this to one of the messages sent so far, counted from the last; the first or the other server.
    Say(MessageType, usize, bool),
    /// Somebody claims the address.
    Claim,
    /// A renewal is tried before its time.
    Try,
    /// The owner gives the lease back.
    Release,
}

fn step() -> impl Strategy<Value = Step> {
    let kind = prop_oneof![
        3 => Just(MessageType::Offer),
        3 => Just(MessageType::Ack),
        1 => Just(MessageType::Nak),
        1 => Just(MessageType::Inform),
    ];
    prop_oneof![
        4 => prop_oneof![0_u64..2000, 0_u64..5_000_000].prop_map(Step::Pass),
        8 => (kind, 0_usize..3, any::<bool>()).prop_map(|(kind, back, first)| Step::Say(kind, back, first)),
        1 => Just(Step::Claim),
        1 => Just(Step::Try),
        1 => Just(Step::Release),
    ]
}

proptest! {
    #[test]
    fn whatever_happens_the_client_keeps_to_the_rules(
        steps in prop::collection::vec(step(), 1..40), probes in prop_oneof![Just(0_usize), Just(3)],
    ) {
        let probe_waits = vec![Duration::from_millis(100); probes];
        let mut scene = Scene::new(Settings { patience: Duration::from_secs(12), probe_waits, ..settings() });
        let mut sent: Vec<(u64, Out)> = scene.flush().into_iter().map(|out| (0, out)).collect();
        let mut acknowledged = false;
        let mut was_over = false;
        for step in steps {
            match step {
                // `until` itself fails when the client asks for the same wake-up again and again.
                Step::Pass(ms) => sent.extend(scene.until(scene.ms + ms)),
                Step::Say(kind, back, is_first) => {
                    let Some((_, question)) = sent.iter().rev().nth(back) else { continue };
                    let server = if is_first { SERVER } else { OTHER_SERVER };
                    acknowledged |= kind == MessageType::Ack && sent.iter().any(|(_, out)| out.kind == MessageType::Request);
                    scene.deliver(&answer(question, kind, server), server);
                }
                Step::Claim => scene.deliver_arp(arp::Repr::probe(Mac([2, 0, 0, 0, 0, 9]), ADDRESS)),
                Step::Try => scene.client.try_renewal(scene.moment().at, Duration::from_secs(4)),
                Step::Release => scene.client.release(),
            }
            let ms = scene.ms;
            sent.extend(scene.flush().into_iter().map(|out| (ms, out)));
            // A lease comes from an ACK to a REQUEST, never from less.
            prop_assert!(scene.client.lease().is_none() || acknowledged);
            // Over is over.
            prop_assert!(!was_over || scene.client.is_over());
            was_over = scene.client.is_over();
            prop_assert!(!was_over || scene.client.next_wake().is_none());
        }
        // A REQUEST always follows an OFFER or a lease: the first message that is no DISCOVER has one before it.
        prop_assert!(sent.iter().all(|(_, out)| out.header.source == MAC));
        prop_assert_eq!(sent.first().map(|(_, out)| out.kind), Some(MessageType::Discover));
        // Section 4.1: within a transaction a message is sent again after 3 s at the earliest (4 s less the random part).
        for (at, (ms, out)) in sent.iter().enumerate() {
            let again = sent[at + 1..].iter().find(|(_, o)| o.repr.transaction == out.repr.transaction && o.kind == out.kind);
            prop_assert!(again.is_none_or(|(later, _)| later - ms >= 3000), "{ms} and {again:?}");
        }
    }
}
