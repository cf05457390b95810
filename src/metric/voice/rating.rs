//! The E-model: transmission rating R of a call, and the mean opinion score that goes with it (ITU-T G.107, from memory).
//!
//! Both telephones are the Recommendation's default ones, since a test of a line has none of its own; the line gives delay and loss.

use super::impairment::Impairment;

/// Send and receive loudness rating, SLR and RLR, dB.
const SEND_LOUDNESS: f64 = 8.0;
const RECEIVE_LOUDNESS: f64 = 2.0;
/// Sidetone masking rating, STMR, dB.
const SIDETONE_MASKING: f64 = 15.0;
/// D-values of the telephones, Ds and Dr.
const D_VALUE: f64 = 3.0;
/// Talker echo loudness rating, TELR, dB.
const TALKER_ECHO_LOUDNESS: f64 = 65.0;
/// Weighted echo path loss, WEPL, dB.
const ECHO_PATH_LOSS: f64 = 110.0;
/// Quantization distortion units, qdu.
const QUANTIZATION: f64 = 1.0;
/// Circuit noise referred to the 0 dBr point, Nc, dBm0p.
const CIRCUIT_NOISE: f64 = -70.0;
/// Noise floor at the receive side, Nfor, dBmp.
const NOISE_FLOOR: f64 = -64.0;
/// Room noise at either side, Ps and Pr, dB(A).
const ROOM_NOISE: f64 = 35.0;
/// Advantage factor, A: none, the call is made from a wired port.
const ADVANTAGE: f64 = 0.0;

/// What the line and the codec give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inputs {
    /// Delay from mouth to ear, milliseconds: T and Ta; the echo's round trip Tr is twice that.
    pub one_way_ms: f64,
    /// Of the codec.
    pub impairment: Impairment,
    /// Share of packets lost or too late, 0 to 1: Ppl.
    pub lost_share: f64,
    /// BurstR.
    pub burst_ratio: f64,
}

/// The rating and its parts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rating {
    /// Ro: basic signal-to-noise ratio.
    pub basic: f64,
    /// Is: impairments that come with the voice signal.
    pub simultaneous: f64,
    /// Idte: talker echo.
    pub talker_echo: f64,
    /// Idle: listener echo.
    pub listener_echo: f64,
    /// Idd: too long an absolute delay.
    pub absolute_delay: f64,
    /// Ie,eff: codec and lost packets.
    pub equipment: f64,
    /// R, which may lie below 0.
    pub r: f64,
}

/// The rating of a call: R = Ro - Is - Id - Ie,eff + A (G.107 equation 7-1).
pub fn rate(inputs: &Inputs) -> Rating {
    let noise = noise();
    let basic = 15.0 - 1.5 * (SEND_LOUDNESS + noise);
    let simultaneous = simultaneous(noise, basic, inputs.one_way_ms);
    let talker_echo = talker_echo(noise, inputs.one_way_ms);
    let listener_echo = listener_echo(basic, 2.0 * inputs.one_way_ms);
    let absolute_delay = absolute_delay(inputs.one_way_ms);
    let equipment = inputs.impairment.effective(inputs.lost_share, inputs.burst_ratio);
    let r = basic - simultaneous - (talker_echo + listener_echo + absolute_delay) - equipment + ADVANTAGE;
    Rating { basic, simultaneous, talker_echo, listener_echo, absolute_delay, equipment, r }
}

fn power_sum(levels: &[f64]) -> f64 {
    10.0 * levels.iter().map(|level| 10_f64.powf(level / 10.0)).sum::<f64>().log10()
}

/// No: the power sum of all noise (section 7.2).
fn noise() -> f64 {
    let overall = SEND_LOUDNESS + RECEIVE_LOUDNESS;
    // Nos: room noise of the send side.
    let sent = ROOM_NOISE - SEND_LOUDNESS - D_VALUE - 100.0 + 0.004 * (ROOM_NOISE - overall - D_VALUE - 14.0).powi(2);
    // Pre: room noise of the receive side, more by what the sidetone lets through; LSTR = STMR + Dr.
    let heard = ROOM_NOISE + 10.0 * (1.0 + 10_f64.powf((10.0 - (SIDETONE_MASKING + D_VALUE)) / 10.0)).log10();
    // Nor.
    let received = RECEIVE_LOUDNESS - 121.0 + heard + 0.008 * (heard - 35.0).powi(2);
    power_sum(&[CIRCUIT_NOISE, sent, received, NOISE_FLOOR + RECEIVE_LOUDNESS])
}

/// Is = Iolr + Ist + Iq (section 7.3).
fn simultaneous(noise: f64, basic: f64, echo_ms: f64) -> f64 {
    let loudness = SEND_LOUDNESS + RECEIVE_LOUDNESS + 0.2 * (64.0 + noise - RECEIVE_LOUDNESS);
    let too_loud = 20.0 * ((1.0 + (loudness / 8.0).powi(8)).powf(1.0 / 8.0) - loudness / 8.0);
    // STMRo.
    let sidetone = -10.0
        * (10_f64.powf(-SIDETONE_MASKING / 10.0) + (-echo_ms / 4.0).exp() * 10_f64.powf(-TALKER_ECHO_LOUDNESS / 10.0)).log10();
    let sidetone = 12.0 * (1.0 + ((sidetone - 13.0) / 6.0).powi(8)).powf(1.0 / 8.0)
        - 28.0 * (1.0 + ((sidetone + 1.0) / 19.4).powi(35)).powf(1.0 / 35.0)
        - 13.0 * (1.0 + ((sidetone - 3.0) / 33.0).powi(13)).powf(1.0 / 13.0)
        + 29.0;
    let q = 37.0 - 15.0 * QUANTIZATION.log10();
    let g = 1.07 + 0.258 * q + 0.0602 * q * q;
    let y = (basic - 100.0) / 15.0 + 46.0 / 8.4 - g / 9.0;
    let z = 46.0 / 30.0 - g / 40.0;
    too_loud + sidetone + 15.0 * (1.0 + 10_f64.powf(y) + 10_f64.powf(z)).log10()
}

/// Idte (section 7.4), for sidetone maskings of 9 to 20 dB as the default has it; none below 1 ms.
fn talker_echo(noise: f64, ms: f64) -> f64 {
    if ms < 1.0 {
        return 0.0;
    }
    // TERV.
    let echo = TALKER_ECHO_LOUDNESS - 40.0 * ((1.0 + ms / 10.0) / (1.0 + ms / 150.0)).log10() + 6.0 * (-0.3 * ms * ms).exp();
    let basic = -1.5 * (noise - RECEIVE_LOUDNESS);
    let with_echo = 80.0 + 2.5 * (echo - 14.0);
    let half = (basic - with_echo) / 2.0;
    (half + (half * half + 100.0).sqrt() - 1.0) * (1.0 - (-ms).exp())
}

/// Idle (section 7.4) of a round trip of the echo.
fn listener_echo(basic: f64, round_trip_ms: f64) -> f64 {
    let half = (basic - 10.5 * (ECHO_PATH_LOSS + 7.0) * (round_trip_ms + 1.0).powf(-0.25)) / 2.0;
    half + (half * half + 169.0).sqrt()
}

/// Idd (section 7.4): nothing up to 100 ms.
fn absolute_delay(ms: f64) -> f64 {
    if ms <= 100.0 {
        return 0.0;
    }
    let x = (ms / 100.0).log2();
    25.0 * ((1.0 + x.powi(6)).powf(1.0 / 6.0) - 3.0 * (1.0 + (x / 3.0).powi(6)).powf(1.0 / 6.0) + 2.0)
}

/// Mean opinion score, 1 to 4.5, of a rating (annex B). The polynomial dips below 1 for ratings between 0 and 6.5; it is cut there.
pub fn mean_opinion_score(r: f64) -> f64 {
    let r = r.clamp(0.0, 100.0);
    (1.0 + 0.035 * r + r * (r - 60.0) * (100.0 - r) * 7e-6).max(1.0)
}

/// What users feel (G.107 annex B; the bounds are those of the categories of G.109; both from memory).
pub fn satisfaction(r: f64) -> &'static str {
    match r {
        r if r >= 90.0 => "users very satisfied",
        r if r >= 80.0 => "users satisfied",
        r if r >= 70.0 => "some users dissatisfied",
        r if r >= 60.0 => "many users dissatisfied",
        r if r >= 50.0 => "nearly all users dissatisfied",
        _ => "not recommended",
    }
}

#[cfg(test)]
mod tests;
