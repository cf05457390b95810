//! Reading the table `[voice]`: how the calls of check voice are made, and what the listener's end does.

use std::time::Duration;

use crate::typed::table::{Document, Table};
use crate::unit::{Buffer, BufferKind, CallTerms, Codec};

/// The keys of `[voice]`.
pub(super) const KEYS: &[&str] = &["calls", "codec", "concealment", "dscp", "buffer", "buffer_ms", "buffer_most_ms"];
/// What the buffer does.
const KINDS: &[(&str, BufferKind)] = &[("adaptive", BufferKind::Adaptive), ("fixed", BufferKind::Fixed)];
/// Of the sold upstream rate, what all calls together may take *(ours)*: an office may sell itself more lines than its line carries.
const MOST_OF_SOLD: f64 = 0.5;

/// Reads the table; what is wrong is noted and left at its default.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>, sold_up_mbit: Option<f64>) -> CallTerms {
    let default = CallTerms::default();
    let codec = table.word("codec", Codec::WORDS).unwrap_or(default.codec);
    let conceals = table.truth("concealment").unwrap_or(default.conceals);
    if codec == Codec::G729A && table.has("concealment") && !conceals {
        let what = "G.729 always conceals lost packets (its section 4.4); leave concealment out, or choose a codec of G.711";
        document.wrong(&table.here(), what);
    }
    let calls = table.whole("calls", 1..=u64::from(CallTerms::MOST_CALLS));
    let terms = CallTerms {
        calls: calls.as_ref().and_then(|n| u16::try_from(n.value).ok()).unwrap_or(default.calls),
        codec,
        conceals,
        buffer: buffer(document, table),
        // Six bits, RFC 2474 section 3.
        dscp: table.whole("dscp", 0..=63).and_then(|n| u8::try_from(n.value).ok()).unwrap_or(default.dscp),
    };
    // Each call takes 50 packets a second with 12 octets of RTP, 8 of UDP and 20 of IPv4; the unmarked one as much.
    let taken = f64::from(terms.calls + 1) * 50.0 * (codec.octets() as f64 + 40.0) * 8.0 / 1e6;
    if let (Some(up), Some(calls)) = (sold_up_mbit.filter(|up| taken > MOST_OF_SOLD * up), &calls) {
        let what = format!(
            "{} calls and one to compare them with take {taken:.2} Mbit/s, more than half of the {up} Mbit/s sold upstream; ask for fewer, or for a codec \
             that takes less",
            calls.value
        );
        document.wrong(calls, what);
    }
    terms
}

fn buffer(document: &Document<'_>, table: &Table<'_, '_>) -> Buffer {
    let default = Buffer::default();
    let ms = |key: &str| table.whole(key, 20..=1000);
    let (nominal, most) = (ms("buffer_ms"), ms("buffer_most_ms"));
    let time = |ms: &Option<_>, other: Duration| {
        ms.as_ref().map_or(other, |n: &crate::typed::table::Placed<u64>| Duration::from_millis(n.value))
    };
    let nominal_time = time(&nominal, default.nominal);
    // A buffer that is set to hold more at first may hold as much later, whatever the default.
    let most_time = time(&most, default.most.max(nominal_time));
    if let Some(most) = most.filter(|_| most_time < nominal_time) {
        let what = format!(
            "the buffer would hold {} ms at most, less than the {} ms of its start",
            most.value,
            nominal_time.as_millis()
        );
        document.wrong(&most, what);
    }
    Buffer { kind: table.word("buffer", KINDS).unwrap_or(default.kind), nominal: nominal_time, most: most_time.max(nominal_time) }
}

#[cfg(test)]
mod tests {
    use super::super::parse;
    use super::*;

    fn read_of(table: &str) -> Result<CallTerms, String> {
        let rest = "[sold]\ndown = 20\nup = 2\nlayer = \"ip\"\nbasis = \"invented\"\n\
            [[criterion]]\nname = \"c\"\nreading = \"voice.rating\"\nat_least = 80\nseverity = \"must\"\nbasis = \"x\"\n";
        parse(&format!("name = \"t\"\ntitle = \"t\"\n{table}\n{rest}"), "test")
            .map(|p| p.voice.unwrap_or_default())
            .map_err(|error| error.to_string())
    }

    #[test]
    fn calls_are_taken_as_meant_and_without_a_table_there_is_one() {
        assert_eq!(read_of(""), Ok(CallTerms::default()));
        assert_eq!(read_of("[voice]\n"), Ok(CallTerms::default()));
        let whole = "[voice]\ncalls = 8\ncodec = \"g711-a-law\"\nconcealment = false\ndscp = 0\nbuffer = \"fixed\"\nbuffer_ms = 60\nbuffer_most_ms = 90\n";
        let buffer = Buffer { kind: BufferKind::Fixed, nominal: Duration::from_millis(60), most: Duration::from_millis(90) };
        let want = CallTerms { calls: 8, codec: Codec::G711ALaw, conceals: false, buffer, dscp: 0 };
        assert_eq!(read_of(whole), Ok(want));
        let deep = read_of("[voice]\nbuffer_ms = 200\n").expect("sound").buffer;
        assert_eq!((deep.nominal, deep.most), (Duration::from_millis(200), Duration::from_millis(200)));
    }

    #[test]
    fn each_mistake_is_told_with_its_place() {
        for (keys, words) in [
            ("calls = 0", "the number must lie between 1 and 16"),
            ("calls = 17", "the number must lie between 1 and 16"),
            ("calls = 12", "12 calls and one to compare them with take 1.04 Mbit/s, more than half of the 2 Mbit/s"),
            ("codec = \"g729\"", "g729a"),
            ("codec = \"g729a\"\nconcealment = false", "G.729 always conceals"),
            ("dscp = 64", "the number must lie between 0 and 63"),
            ("buffer = \"deep\"", "adaptive"),
            ("buffer_ms = 10", "the number must lie between 20 and 1000"),
            ("buffer_ms = 80\nbuffer_most_ms = 60", "would hold 60 ms at most, less than the 80 ms of its start"),
            ("number = \"12345\"", "the key \"number\" is unknown here"),
        ] {
            let told = read_of(&format!("[voice]\n{keys}\n")).expect_err(keys);
            assert!(told.contains(words) && told.contains("voice"), "{keys}: {told}");
        }
        read_of("[voice]\ncalls = 16\ncodec = \"g729a\"\n").expect("17 of 24 kbit/s fit");
    }
}
