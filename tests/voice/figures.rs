//! Delay, loss and variation that are set, and what the formula makes of them.

use std::time::Duration;

use doorstep::metric::loss_interval::clopper_pearson;
use doorstep::metric::voice::impairment::{Impairment, coding_delay_ms};
use doorstep::metric::voice::rating::{Inputs, rate};
use doorstep::practice::{Impairment as Line, Impairments, LineConfig};
use doorstep::unit::Direction::{Down, Up};
use doorstep::unit::{Buffer, BufferKind, CallTerms, Codec, Ratio};

use crate::{calls, of, view};

/// What a busy machine adds to a delay: neither a median nor a mean moves by so much.
const MACHINE_MS: f64 = 15.0;

fn rating(terms: &CallTerms, one_way_ms: f64, lost_share: f64, burst_ratio: f64) -> f64 {
    rate(&Inputs { one_way_ms, impairment: Impairment::of(terms), lost_share, burst_ratio }).r.clamp(0.0, 100.0)
}

fn fixed(nominal: u64) -> Buffer {
    Buffer { kind: BufferKind::Fixed, nominal: Duration::from_millis(nominal), most: Duration::from_millis(200) }
}

#[test]
fn a_set_delay_gives_the_rating_of_the_formula() {
    for (each_way, codec) in [(10.0, Codec::G711MuLaw), (120.0, Codec::G729A)] {
        let delay = Impairments::both(Line::delayed(Duration::from_millis(each_way as u64)));
        let line = view::line(LineConfig { access: delay, ..LineConfig::default() });
        // A fixed buffer: an adaptive one follows what a busy machine does.
        let terms = CallTerms { codec, buffer: fixed(40), ..CallTerms::default() };
        let outcome = calls(&line, terms);
        let trip = outcome.readings.iter().find(|r| r.name == "voice.round_trip_p50").expect("measured").value;
        println!("{each_way}: round trip {trip}");
        assert!((2.0 * each_way..2.0 * each_way + MACHINE_MS).contains(&trip), "{trip}");
        for direction in [Down, Up] {
            // Coding, the way, and a buffer that holds 40 ms behind the first packet, whose own delay the machine may raise.
            let least = coding_delay_ms(codec) + each_way + 40.0;
            let delay = of(&outcome, "voice.mouth_to_ear_delay", direction, None).value;
            assert!((least..least + MACHINE_MS).contains(&delay), "{direction}: {delay}");
            let found = of(&outcome, "voice.rating", direction, None);
            // Packets that this machine holds for longer than the buffer are late, in one run at worst: nothing was set to lose any.
            let late = of(&outcome, "voice.late_ratio", direction, None).value;
            let (best, worst) = (rating(&terms, least, 0.0, 1.0), rating(&terms, least + MACHINE_MS, late, 150.0));
            println!("{direction}: {} between {worst} and {best}", found.value);
            assert!((worst..=best).contains(&found.value) && late < 0.1, "{found:?} of {worst} to {best}");
            assert_eq!(of(&outcome, "voice.loss_ratio", direction, None).value, 0.0);
        }
    }
}

#[test]
fn a_set_loss_gives_the_rating_of_the_formula_and_the_other_way_has_none() {
    let share = 0.05;
    let access = Impairments { down: Line::losing(Ratio::new(share).expect("a share")), ..Impairments::default() };
    let line = view::line(LineConfig { access, ..LineConfig::default() });
    // Sixteen calls: 2400 packets each way.
    let terms = CallTerms { calls: 16, dscp: 0, ..CallTerms::default() };
    let outcome = calls(&line, terms);
    let (loss, found) = (of(&outcome, "voice.loss_ratio", Down, None), of(&outcome, "voice.rating", Down, None));
    println!("loss {loss:?} rating {found:?}");
    // Once in 100 000 runs the set share lies outside of this exact interval.
    let lost = (loss.value * loss.samples as f64).round() as u64;
    let bounds = clopper_pearson(lost, loss.samples, 1.0 - 1e-5);
    assert!(
        bounds.low.is_some_and(|low| low < share) && bounds.high.is_some_and(|high| share < high),
        "{lost} of {}",
        loss.samples
    );
    // The same bounds about the set share, through the formula; random loss has a burst ratio of 1, of 120 runs' mean length it is known to
    // a relative 1 / sqrt(120) or 0.1, and late packets of a busy machine are 1 % at most.
    let about = clopper_pearson((share * loss.samples as f64) as u64, loss.samples, 1.0 - 1e-5);
    let delays = (20.0 + 20.0, 20.0 + 40.0 + MACHINE_MS);
    let best = rating(&terms, delays.0, about.low.expect("some"), 1.0);
    let worst = rating(&terms, delays.1, about.high.expect("some") + 0.01, 1.4);
    println!("between {worst} and {best}");
    assert!((worst..=best).contains(&found.value), "{found:?} of {worst} to {best}");
    let burstiness = of(&outcome, "voice.burstiness", Down, None).value;
    assert!((0.6..1.4).contains(&burstiness), "{burstiness}");
    assert_eq!(of(&outcome, "voice.loss_ratio", Up, None).value, 0.0);
    assert!(of(&outcome, "voice.rating", Up, None).value > found.value + 8.0);
}

#[test]
fn a_set_variation_is_the_jitter_of_the_formula_and_a_shallow_buffer_drops_what_a_deep_one_plays() {
    let variation = Duration::from_millis(18);
    let down = Line { delay: Duration::from_millis(5), variation, ..Line::default() };
    let line = view::line(LineConfig { access: Impairments { down, ..Impairments::default() }, ..LineConfig::default() });
    let deep = calls(&line, CallTerms { dscp: 0, buffer: fixed(100), ..CallTerms::default() });
    let jitter = of(&deep, "voice.jitter", Down, None).value;
    println!("jitter {jitter}");
    // Delays are even between 0 and 18 ms and closer than packets are, so independent: the mean difference of two is a third of that. The filter's value
    // deviates by 15 % of it (variance of |D| is V^2 / 18, over 31, neighbours correlated); five of those, and the machine's own.
    assert!((6.0 * 0.25..6.0 * 1.75 + 2.0).contains(&jitter), "{jitter}");
    assert_eq!(of(&deep, "voice.late_ratio", Down, None).value, 0.0);
    // A stall of 200 ms each 600 ms is more than any buffer here holds: of each third of the packets those held for more than 120 ms are late.
    let stalls = Line { stall: Duration::from_millis(200), stall_after: Duration::from_millis(400), ..Line::default() };
    let line = view::line(LineConfig { access: Impairments { down: stalls, ..Impairments::default() }, ..LineConfig::default() });
    let held = calls(&line, CallTerms::default());
    let late = of(&held, "voice.late_ratio", Down, None);
    println!("late {late:?}, rating {:?}", of(&held, "voice.rating", Down, None).value);
    // Three seconds hold two such stalls but for once in a thousand runs, and each takes four packets at least.
    assert!(late.value > 0.02 && of(&held, "voice.rating", Down, None).value < 80.0, "{held:#?}");
    assert!(of(&held, "voice.underruns", Down, None).value >= 1.0);
    assert!(of(&held, "voice.rating", Up, None).value > 80.0, "{held:#?}");
}
