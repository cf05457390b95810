//! The session sender of RFC 8762: paces a stream, matches the answers and notes all four times.
//!
//! It knows no socket and no clock. T1 and T4 are the driver's stamps (the kernel's where there are some), T2 and T3 come
//! in the packets. Its notes go to [`super::account`], which makes figures of them. The hard thing is honesty about
//! ourselves: a send that failed takes no sequence number, a slot that passed while the test set was held up is
//! skipped, what the receive queue dropped is counted; none of it may look like loss on the line.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use super::schedule::{Schedule, Spacing};
use crate::unit::Stamp;
use crate::wire::stamp::{ErrorEstimate, Flaw, Key, Mode, Reflected, Sender as Packet, Timestamp, tlv};

/// Latest answers that a follow-up may belong to, copies and overtaken ones among them.
const FOLLOWED_UP: usize = 64;
/// Most nanoseconds that an answer may leave after its T3; more is a clock that was set, or a wrong word.
const LONGEST_AFTER_T3: i64 = 100_000_000;

/// What stream to send.
#[derive(Debug, Clone)]
pub struct Config {
    /// Packets of the stream; `None` goes on until [`Sender::stop`].
    pub count: Option<u64>,
    /// Mean gap.
    pub interval: Duration,
    /// How gaps are drawn.
    pub spacing: Spacing,
    /// How long an answer may take after its packet was sent; later is lost (RFC 2681 section 2.8.2 has it reported).
    pub wait: Duration,
    /// How long answers are still waited for once one to a packet at the stream's end has come: what is missing then could
    /// only have been overtaken. `None` waits for all of `wait`.
    pub overtaken: Option<Duration>,
    /// Packets sent after the stream, at most, until an answer shows what became of its last packets.
    pub closing: u32,
    /// Session identifier (RFC 8972 section 3); zero for none.
    pub ssid: u16,
    /// Key of an authenticated stream.
    pub key: Option<Key>,
    /// DSCP asked for the replies by a class-of-service TLV (RFC 8972 section 4.4); what else of the extensions fits into the payload
    /// is asked with it: counts, follow-up, location, timestamp information. `None` sends no TLV.
    pub reply_dscp: Option<u8>,
    /// UDP payload octets, filled up with an extra-padding TLV; smaller than what must be carried sends just that.
    pub payload_octets: usize,
}

/// A packet to send.
#[derive(Debug, PartialEq, Eq)]
pub struct Outgoing<'a> {
    /// Its sequence number, for [`Sender::on_sent`] or [`Sender::on_send_failed`].
    pub sequence: u32,
    /// The UDP payload.
    pub bytes: &'a [u8],
}

/// One packet that went out.
#[derive(Debug, Clone, Copy)]
pub struct Sent {
    /// When its slot had fixed it to go, before anything else of the stream was known.
    pub due_at: Instant,
    /// Monotonic moment of sending.
    pub at: Instant,
    /// T1: the kernel's, or this program's until that comes.
    pub stamp: Stamp,
    /// What the packet carried as T1, which its answer must repeat.
    carried: Timestamp,
}

/// One answer that came in.
#[derive(Debug, Clone, Copy)]
pub struct Answer {
    /// The sender's number that it answers.
    pub sequence: u32,
    /// The reflector's own number.
    pub reflector_sequence: u32,
    /// Monotonic moment of arrival.
    pub at: Instant,
    /// T4.
    pub stamp: Stamp,
    /// T2, nanoseconds of the reflector's clock.
    pub reflector_received_ns: i64,
    /// T3, nanoseconds of the reflector's clock.
    pub reflector_sent_ns: i64,
    /// TTL with which the packet reached the reflector.
    pub sender_ttl: u8,
    /// TTL with which the answer came back.
    pub ttl: Option<u8>,
    /// DSCP with which the answer came back.
    pub dscp: Option<u8>,
    /// DSCP with which the packet reached the reflector, when it says.
    pub dscp_at_reflector: Option<u8>,
    /// Whether the reflector marked the answer as it was asked to (RFC 8972 section 4.4, RP); `None` when it does not say.
    pub marked_as_asked: Option<bool>,
    /// Both sides' counts (RFC 8972 section 4.5).
    pub counts: Option<tlv::Counts>,
    /// Where the packet came from in the reflector's eyes (section 4.2).
    pub location: Option<tlv::Location>,
    /// How the reflector takes its stamps (section 4.3).
    pub reflector_stamps: Option<tlv::TimestampInformation>,
    /// T3 is what a later answer told of this one's leaving (section 4.7), and not what it carried itself.
    pub followed_up: bool,
}

/// Counts that are the test set's own, or nobody's on the line.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tally {
    /// Sends that the system refused.
    pub send_failures: u64,
    /// Slots that passed while the test set was held up.
    pub skipped_slots: u64,
    /// Datagrams that the full receive queue dropped.
    pub receive_drops: u64,
    /// Datagrams that are no answer to any packet of the stream.
    pub foreign: u64,
    /// Answers with a wrong HMAC.
    pub forged: u64,
    /// Answers beyond what is kept (a flood of copies).
    pub beyond_memory: u64,
    /// TLVs that the reflector did not recognise.
    pub unrecognised_tlvs: u64,
    /// Answers with a malformed TLV.
    pub malformed_tlvs: u64,
    /// Answers whose TLVs were changed on the way.
    pub forged_tlvs: u64,
    /// Odd answers, by flaw.
    pub flaws: BTreeMap<Flaw, u64>,
}

/// The sender's state.
#[derive(Debug)]
pub struct Sender {
    config: Config,
    schedule: Schedule,
    error_estimate: ErrorEstimate,
    packet: Vec<u8>,
    /// Where in it the sender's count stands, if there is one.
    count_at: Option<usize>,
    /// By sequence number; closing packets follow those of the stream.
    sent: Vec<Sent>,
    /// In order of arrival, copies included.
    answers: Vec<Answer>,
    answered: Vec<bool>,
    answered_in_stream: u64,
    /// The packets before this one are answered, or were overtaken by an answer.
    decided: usize,
    /// Numbers of the stream proper; known once it has ended.
    stream_len: Option<u64>,
    stream_ended_at: Option<Instant>,
    bracketed: bool,
    /// When the answer at the end came, or the stream stopped behind it.
    bracketed_at: Option<Instant>,
    tally: Tally,
}

impl Sender {
    /// Starts a stream at `now`.
    pub fn new(now: Instant, config: Config) -> Self {
        let mode = if config.key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated };
        let mut packet = vec![0; mode.base_len()];
        let count_at = config.reply_dscp.and_then(|dscp| ask(&mut packet, dscp, &config));
        let has_tlvs = packet.len() > mode.base_len();
        if let (true, Some(key)) = (has_tlvs, &config.key) {
            tlv::push_hmac(&mut packet, mode.base_len(), key);
        }
        if let Some(padding) = config.payload_octets.checked_sub(packet.len() + 4).filter(|p| *p <= usize::from(u16::MAX)) {
            // RFC 8972 section 4.8: padding may follow the HMAC.
            tlv::push(&mut packet, tlv::EXTRA_PADDING, &vec![0; padding]);
        }
        let schedule = Schedule::new(now, config.interval, config.spacing);
        Self {
            config,
            schedule,
            // The error of the difference of two software stamps of one clock, unsynchronised: 1 ms is on the safe side.
            error_estimate: ErrorEstimate::of_seconds(1e-3, false),
            packet,
            count_at,
            sent: Vec::new(),
            answers: Vec::new(),
            answered: Vec::new(),
            answered_in_stream: 0,
            decided: 0,
            stream_len: None,
            stream_ended_at: None,
            bracketed: false,
            bracketed_at: None,
            tally: Tally::default(),
        }
    }

    /// UDP payload octets of each packet.
    pub fn payload_octets(&self) -> usize {
        self.packet.len()
    }

    /// The packet that is due at `now`, with `wall` as its T1, if one is.
    pub fn transmit(&mut self, now: Instant, wall: Stamp) -> Option<Outgoing<'_>> {
        let due_at = self.schedule.due_at();
        if !self.wants_to_send() || !self.schedule.take(now) {
            return None;
        }
        let sequence = u32::try_from(self.sent.len()).ok()?;
        let carried = Timestamp::ntp_from_unix_ns(wall.unix_ns);
        let key = self.config.key.as_ref();
        Packet { sequence, timestamp: carried, error_estimate: self.error_estimate, ssid: self.config.ssid }
            .emit(key, &mut self.packet);
        if let Some(at) = self.count_at {
            let counts = tlv::Counts { sent: sequence.wrapping_add(1), ..tlv::Counts::default() };
            self.packet[at..at + counts.value().len()].copy_from_slice(&counts.value());
        }
        if let Some(key) = key {
            tlv::renew_hmac(&mut self.packet, Mode::Authenticated.base_len(), key);
        }
        self.sent.push(Sent { due_at, at: now, stamp: wall, carried });
        self.answered.push(false);
        Some(Outgoing { sequence, bytes: &self.packet })
    }

    /// The packet just handed out could not be sent: its number goes to the next one, and the failure is counted as ours.
    pub fn on_send_failed(&mut self, sequence: u32) {
        if self.sent.len() == sequence as usize + 1 {
            self.sent.pop();
            self.answered.pop();
            self.tally.send_failures += 1;
        }
    }

    /// The packet just handed out was sent at `now`.
    pub fn on_sent(&mut self, now: Instant) {
        let len = self.sent.len() as u64;
        if self.stream_len.is_none() && self.config.count.is_some_and(|count| len >= count) {
            self.end_stream(now);
        }
    }

    /// The kernel's transmit stamp of a packet.
    pub fn on_transmit_stamp(&mut self, sequence: u32, stamp: Stamp, at: Instant) {
        if let Some(sent) = self.sent.get_mut(sequence as usize)
            && stamp.source < sent.stamp.source
        {
            sent.stamp = stamp;
            sent.at = at;
        }
    }

    /// A datagram from the reflector's address, with its arrival (T4).
    pub fn on_packet(&mut self, at: Instant, stamp: Stamp, bytes: &[u8], ttl: Option<u8>, traffic_class: Option<u8>) {
        let parsed = match Reflected::parse(bytes, self.config.key.as_ref()) {
            Ok(parsed) => parsed,
            Err(crate::wire::stamp::Error::Forged) => {
                self.tally.forged += 1;
                return;
            }
            Err(crate::wire::stamp::Error::Short { .. }) => {
                self.tally.foreign += 1;
                return;
            }
        };
        let reflected = parsed.repr;
        let index = reflected.sender_sequence as usize;
        // RFC 8762 section 4.3: the reflector copies the sender's number and time. RFC 8972 section 3: a reflector that
        // knows no identifiers returns zero.
        let ours = self.sent.get(index).is_some_and(|sent| sent.carried == reflected.sender_timestamp)
            && (reflected.ssid == self.config.ssid || reflected.ssid == 0);
        if !ours {
            self.tally.foreign += 1;
            return;
        }
        for flaw in &parsed.flaws {
            *self.tally.flaws.entry(*flaw).or_default() += 1;
        }
        if self.answers.len() >= 3 * self.sent.len() + 1000 {
            self.tally.beyond_memory += 1;
            return;
        }
        let format = reflected.error_estimate.format;
        let base_len = bytes.len() - parsed.extra.len();
        let tlv::Told { class, location, stamps, counts, follow_up, unrecognised, is_malformed, is_forged } =
            tlv::told(bytes, base_len, self.config.key.as_ref());
        if let Some(follow_up) = follow_up {
            self.on_follow_up(follow_up.sequence, follow_up.timestamp.unix_ns(format, stamp.unix_ns));
        }
        self.tally.unrecognised_tlvs += u64::from(unrecognised);
        self.tally.malformed_tlvs += u64::from(is_malformed);
        self.tally.forged_tlvs += u64::from(is_forged);
        self.answers.push(Answer {
            sequence: reflected.sender_sequence,
            reflector_sequence: reflected.sequence,
            at,
            stamp,
            reflector_received_ns: reflected.receive_timestamp.unix_ns(format, stamp.unix_ns),
            reflector_sent_ns: reflected.timestamp.unix_ns(format, stamp.unix_ns),
            sender_ttl: reflected.sender_ttl,
            ttl,
            dscp: traffic_class.map(|class| class >> 2),
            dscp_at_reflector: class.map(|class| class.seen),
            marked_as_asked: class.map(|class| class.reverse_path == 0),
            counts,
            location,
            reflector_stamps: stamps,
            followed_up: false,
        });
        self.decided = self.decided.max(index + 1);
        let in_stream = self.stream_len.is_none_or(|len| (index as u64) < len);
        if !std::mem::replace(&mut self.answered[index], true) && in_stream {
            self.answered_in_stream += 1;
        }
        if self.stream_len.is_some_and(|len| index as u64 + 1 >= len) {
            self.bracketed = true;
            self.bracketed_at.get_or_insert(at);
        }
    }

    /// The reflector tells when an answer left: nearer to the wire than the T3 that it carried, which was taken before it was sent.
    fn on_follow_up(&mut self, reflector_sequence: u32, left_ns: i64) {
        for answer in self.answers.iter_mut().rev().take(FOLLOWED_UP).filter(|a| a.reflector_sequence == reflector_sequence) {
            // One that left before its own T3 was stamped by a clock that was set meanwhile.
            let later = left_ns.saturating_sub(answer.reflector_sent_ns);
            if (0..=LONGEST_AFTER_T3).contains(&later) {
                (answer.reflector_sent_ns, answer.followed_up) = (left_ns, true);
            }
        }
    }

    /// Datagrams that the socket's queue has dropped so far.
    pub fn on_receive_drops(&mut self, total: u64) {
        self.tally.receive_drops = self.tally.receive_drops.max(total);
    }

    /// Ends the stream: no more packets of it are sent; answers are waited for, and closing packets may go.
    pub fn stop(&mut self, now: Instant) {
        if self.stream_len.is_none() {
            self.end_stream(now);
        }
    }

    fn end_stream(&mut self, now: Instant) {
        self.stream_len = Some(self.sent.len() as u64);
        self.stream_ended_at = Some(now);
        self.bracketed = self.answered.last().copied().unwrap_or(true);
        self.bracketed_at = self.bracketed.then_some(now);
    }

    /// When nothing more is awaited.
    fn ends_at(&self) -> Option<Instant> {
        let end = self.stream_ended_at? + self.config.wait;
        let settled = self.bracketed_at.zip(self.config.overtaken).map(|(at, overtaken)| at + overtaken);
        Some(settled.map_or(end, |settled| end.min(settled)))
    }

    /// True once nothing more is to be sent or awaited.
    pub fn is_done(&self, now: Instant) -> bool {
        let (Some(len), Some(end)) = (self.stream_len, self.ends_at()) else { return false };
        self.answered_in_stream >= len || now >= end
    }

    /// When it wants to be asked again: the next packet, or the end of the wait.
    pub fn next_wake(&self) -> Option<Instant> {
        let end = self.ends_at();
        let due = self.wants_to_send().then(|| self.schedule.due_at());
        [end, due].into_iter().flatten().min()
    }

    fn wants_to_send(&self) -> bool {
        match self.stream_len {
            // Sequence numbers are of 32 bits: an endless stream ends there, after years.
            None => self.config.count.is_none_or(|count| (self.sent.len() as u64) < count) && self.sent.len() < u32::MAX as usize,
            Some(len) => !self.bracketed && self.sent.len() as u64 - len < u64::from(self.config.closing),
        }
    }

    /// Packets sent and answered so far, for whoever watches.
    pub fn progress(&self) -> (u64, u64) {
        (self.sent.len() as u64, self.answers.len() as u64)
    }

    /// The latest answer's round trip in milliseconds, for whoever watches; unchecked.
    pub fn latest_round_trip(&self) -> Option<f64> {
        let answer = self.answers.last()?;
        let sent = self.sent.get(answer.sequence as usize)?;
        Some((answer.stamp.nanos_since(sent.stamp) - (answer.reflector_sent_ns - answer.reflector_received_ns)) as f64 / 1e6)
    }

    /// Packets whose fate shows already: each that is answered, and all before it.
    pub fn decided(&self) -> u64 {
        self.decided as u64
    }

    /// The notes on those, while the stream goes on. What an answer has overtaken counts as lost here; the notes at the end wait for it.
    pub fn notes_so_far(&self) -> Notes {
        Notes {
            stream_len: self.decided,
            wait: self.config.wait,
            sent: self.sent[..self.decided].to_vec(),
            answers: self.answers.clone(),
            tally: self.tally.clone(),
        }
    }

    /// Hands over the notes.
    pub fn into_notes(mut self) -> Notes {
        self.tally.skipped_slots = self.schedule.skipped();
        let stream_len = self.stream_len.unwrap_or(self.sent.len() as u64) as usize;
        Notes { stream_len, wait: self.config.wait, sent: self.sent, answers: self.answers, tally: self.tally }
    }
}

/// Appends what is asked of the reflector, as far as it fits beside the HMAC; tells where the sender's count stands.
fn ask(packet: &mut Vec<u8>, dscp: u8, config: &Config) -> Option<usize> {
    const TLV_HEADER: usize = 4;
    let hmac = if config.key.is_some() { TLV_HEADER + 16 } else { 0 };
    let class = tlv::ClassOfService { asked: dscp, ..tlv::ClassOfService::default() };
    tlv::push(packet, tlv::CLASS_OF_SERVICE, &class.value());
    let mut push = |kind, value: &[u8]| {
        let at = packet.len() + TLV_HEADER;
        // What is left must be nothing or room for a padding TLV, so that the packet becomes as long as was asked.
        let left = config.payload_octets.checked_sub(at + value.len() + hmac);
        let fits = left.is_some_and(|left| left == 0 || left >= TLV_HEADER);
        if fits {
            tlv::push(packet, kind, value);
        }
        fits.then_some(at)
    };
    let count_at = push(tlv::DIRECT_MEASUREMENT, &tlv::Counts::default().value());
    push(tlv::FOLLOW_UP_TELEMETRY, &[0; 16]);
    if push(tlv::LOCATION, &tlv::Location::question(true)).is_none() {
        push(tlv::LOCATION, &tlv::Location::question(false));
    }
    push(tlv::TIMESTAMP_INFORMATION, &[0; 4]);
    count_at
}

/// All that a sender noted.
#[derive(Debug, Clone)]
pub struct Notes {
    /// The first so many of `sent` are the stream; closing packets follow.
    pub stream_len: usize,
    /// How long an answer might take.
    pub wait: Duration,
    /// By sequence number.
    pub sent: Vec<Sent>,
    /// In order of arrival, copies included.
    pub answers: Vec<Answer>,
    /// What was the test set's own doing.
    pub tally: Tally,
}
#[cfg(test)]
mod tests;
