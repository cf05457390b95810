//! Speech that is marked against speech that is not, on queues that keep it apart, and where its marking gets lost.

use doorstep::check::voice::VoiceCheck;
use doorstep::practice::{LineConfig, Node};
use doorstep::unit::Direction::{Down, Up};
use doorstep::unit::{CallTerms, Depth, Load};

use crate::queues::{Line, Middle};
use crate::{calls, of, view};

#[test]
fn marked_speech_is_spared_by_a_queue_of_its_own_while_the_line_is_filled() {
    let mut line = Line::build(Middle::Bridge);
    for direction in [Down, Up] {
        // 10 Mbit/s, a queue of 150 ms for all else, and EF first.
        line.put(direction, "root handle 1: htb default 20");
        line.class(direction, "parent 1: classid 1:1 htb rate 10mbit ceil 10mbit burst 8000 cburst 8000");
        line.class(direction, "parent 1:1 classid 1:10 htb rate 1mbit ceil 10mbit burst 4000 cburst 4000 prio 0");
        line.class(direction, "parent 1:1 classid 1:20 htb rate 9mbit ceil 10mbit burst 8000 cburst 8000 prio 1");
        line.put(direction, "parent 1:10 handle 10: bfifo limit 20000");
        line.put(direction, "parent 1:20 handle 20: bfifo limit 187500");
        line.filter(direction, "parent 1: protocol ip prio 1 u32 match ip tos 0xb8 0xfc flowid 1:10");
    }
    let outcome = line.examine_by(VoiceCheck { depth: Depth::Handoff, fills: true }, (10.0, 10.0), Depth::Handoff);
    for direction in [Down, Up] {
        let at = |name| of(&outcome, name, direction, Some(Load::Both));
        let (marked, unmarked, gain) = (at("voice.rating"), at("voice.best_effort_rating"), at("voice.marking_gain"));
        println!(
            "{direction}: marked {:.1}, unmarked {:.1}, gain {:?} to {:?}",
            marked.value, unmarked.value, gain.low, gain.high
        );
        let idle = of(&outcome, "voice.rating", direction, None).value;
        // What is served first waits for one packet of 1.2 ms at most; a queue of 150 ms that TCP keeps filled takes points by delay, and drops.
        assert!(marked.value > idle - 6.0, "{direction}: {} beside {idle} on the idle line", marked.value);
        assert!(gain.value > 3.0 && unmarked.value < marked.value - 3.0, "{direction}: {gain:?}");
        assert_eq!(at("voice.marking_kept").value, 1.0);
    }
    let moved = &outcome.facts["filled_with_mbit_of_tcp_payload"];
    for direction in ["down", "up"] {
        assert!(moved[direction].as_f64().is_some_and(|mbit| (4.0..10.0).contains(&mbit)), "{moved}");
    }
}

#[test]
fn a_marking_that_gets_lost_on_the_way_is_told_with_its_direction() {
    let line = view::line(LineConfig::default());
    let bleach = "table ip bleach {\nchain out {\ntype filter hook forward priority 0;\nip dscp ef ip dscp set cs0\n}\n}\n";
    view::rules(&line, Node::Edge, bleach);
    let outcome = calls(&line, CallTerms::default());
    for (direction, code) in [(Down, "dscp-rewritten-down"), (Up, "dscp-rewritten-up")] {
        assert_eq!(of(&outcome, "voice.marking_kept", direction, None).value, 0.0);
        let flaw = outcome.flaws.iter().find(|flaw| flaw.code == code).unwrap_or_else(|| panic!("{:?}", outcome.flaws));
        assert!(flaw.what.contains("with DSCP 46") && flaw.what.contains("arrived with 0"), "{}", flaw.what);
    }
}
