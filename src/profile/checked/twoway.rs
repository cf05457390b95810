//! Reading the `[[twoway.stream]]` tables: classes of service whose streams run beside the main one.

use std::time::Duration;

use super::Sold;
use crate::typed::table::{Document, Table};
use crate::unit::{ClassPace, MAIN_STREAM_INTERVAL, Ratio, ServiceClass};

/// The keys of `[twoway]`.
pub(super) const KEYS: &[&str] = &["stream"];
/// The keys of a `[[twoway.stream]]`.
const STREAM_KEYS: &[&str] = &["name", "dscp", "octets", "share", "interval_ms"];
/// Of the sold upstream rate, what all of them together may take *(ours)*: above that they would disturb what they measure.
const MOST_OF_SOLD: f64 = 0.1;

/// Reads all streams, in the order of the text; what is wrong is noted and left out.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>, mtu: u16, sold: Option<&Sold>) -> Vec<ServiceClass> {
    let mut classes: Vec<ServiceClass> = Vec::new();
    let tables = table.tables("stream", STREAM_KEYS);
    for (number, table) in tables.iter().enumerate() {
        if number == ServiceClass::MOST {
            let what = format!("{} streams; at most {} may run beside the main one", tables.len(), ServiceClass::MOST);
            document.wrong(&table.here(), what);
        }
        let Some(class) = stream(document, table, mtu) else { continue };
        if classes.iter().any(|other| other.dscp == class.dscp) {
            let what = format!("a second stream with DSCP {}: its figures could not be told from those of the first", class.dscp);
            document.wrong(&table.here(), what);
        }
        classes.push(class);
    }
    let taken: f64 = classes.iter().map(|class| class.mbit(MAIN_STREAM_INTERVAL)).sum();
    if let Some(sold) = sold.filter(|sold| taken > MOST_OF_SOLD * sold.up_mbit)
        && let Some(place) = table.place("stream")
    {
        let (share, up) = (100.0 * MOST_OF_SOLD, sold.up_mbit);
        let what = format!(
            "together these streams take {taken:.3} Mbit/s, more than {share} per cent of the {up} Mbit/s sold upstream, so they \
             would disturb what they measure; make them smaller, rarer or fewer"
        );
        document.wrong(&place, what);
    }
    classes
}

fn stream(document: &Document<'_>, table: &Table<'_, '_>, mtu: u16) -> Option<ServiceClass> {
    let name = table.text("name").map(|name| name.value);
    for (key, meaning) in
        [("dscp", "the code point of its packets, 0 to 63"), ("octets", "the size of its IP packets, headers included")]
    {
        if !table.has(key) {
            table.missing(key, meaning);
        }
    }
    // Six bits, RFC 2474 section 3.
    let dscp = table.whole("dscp", 0..=63).and_then(|n| u8::try_from(n.value).ok());
    let octets = table.whole("octets", u64::from(ServiceClass::LEAST_OCTETS)..=9000);
    if let Some(octets) = octets.as_ref().filter(|octets| octets.value > u64::from(mtu)) {
        let what = format!("IP packets of {} octets don't fit the line's MTU of {mtu} (see [line])", octets.value);
        document.wrong(octets, what);
    }
    let share = table.real("share", &(0.01..=1.0), "of the main stream's packets").and_then(|share| Ratio::new(share.value));
    let gap = table.whole("interval_ms", 10..=1000).map(|n| Duration::from_millis(n.value));
    if table.has("share") && table.has("interval_ms") {
        document.wrong(&table.here(), "share and interval_ms are two ways to say how often it sends; give one");
    }
    let pace = gap.map(ClassPace::Every).or_else(|| share.map(ClassPace::Share)).unwrap_or_else(ClassPace::usual);
    Some(ServiceClass { name, dscp: dscp?, octets: u16::try_from(octets?.value).ok()?, pace })
}

#[cfg(test)]
mod tests {
    use super::super::{Profile, parse};
    use super::*;

    const HEAD: &str = "name = \"t\"\ntitle = \"t\"\n[sold]\ndown = 50\nup = 10\nlayer = \"ip\"\nbasis = \"invented\"\n\
        [line]\npppoe = true\n[[criterion]]\nname = \"c\"\nreading = \"link.carrier\"\nat_least = 1\nseverity = \"must\"\nbasis = \"b\"\n";

    fn parsed(streams: &str) -> Result<Profile, String> {
        parse(&format!("{HEAD}{streams}"), "test").map_err(|error| error.to_string())
    }

    #[test]
    fn streams_are_taken_as_meant_and_without_any_there_are_the_usual_ones() {
        assert_eq!(parsed("").expect("sound").classes, None);
        let text = "[[twoway.stream]]\nname = \"speech\"\ndscp = 46\noctets = 200\ninterval_ms = 20\n\
            [[twoway.stream]]\ndscp = 0\noctets = 1492\nshare = 0.05\n[[twoway.stream]]\ndscp = 63\noctets = 192\n";
        let classes = parsed(text).expect("sound").classes.expect("given");
        let [speech, large, other] = &classes[..] else { panic!("{classes:?}") };
        assert_eq!((speech.name.as_deref(), speech.dscp, speech.octets), (Some("speech"), 46, 200));
        assert_eq!(speech.pace, ClassPace::Every(Duration::from_millis(20)));
        assert_eq!((large.dscp, large.octets, large.pace), (0, 1492, ClassPace::Share(Ratio::new(0.05).unwrap())));
        assert_eq!((other.dscp, other.pace), (63, ClassPace::usual()));
        // An empty list asks for none.
        let none = HEAD.replacen("[sold]", "twoway.stream = []\n[sold]", 1);
        assert_eq!(parse(&none, "test").expect("sound").classes, Some(Vec::new()));
    }

    #[test]
    fn what_is_wrong_with_streams_is_told_with_its_place() {
        for (stream, want) in [
            ("octets = 200", "the key \"dscp\" is missing: the code point of its packets, 0 to 63"),
            ("dscp = 64\noctets = 200", "the number must lie between 0 and 63"),
            ("dscp = 46", "the key \"octets\" is missing: the size of its IP packets"),
            ("dscp = 46\noctets = 100", "the number must lie between 192 and 9000"),
            ("dscp = 46\noctets = 1493", "IP packets of 1493 octets don't fit the line's MTU of 1492"),
            ("dscp = 46\noctets = 200\nshare = 10", "between 0.01 and 1 of the main stream's packets"),
            ("dscp = 46\noctets = 200\ninterval_ms = 5", "the number must lie between 10 and 1000"),
            ("dscp = 46\noctets = 200\nshare = 0.1\ninterval_ms = 20", "two ways to say how often it sends; give one"),
            ("dscp = 46\noctets = 200\npace = 1", "the key \"pace\" is unknown here"),
            ("name = \"\"\ndscp = 46\noctets = 200", "the text is empty"),
            (
                "dscp = 46\noctets = 1492\ninterval_ms = 10",
                "together these streams take 1.194 Mbit/s, more than 10 per cent of the 10 Mbit/s",
            ),
        ] {
            let told = parsed(&format!("[[twoway.stream]]\n{stream}\n")).expect_err(stream);
            assert!(told.contains(want) && told.contains("twoway.stream"), "{stream}: {told}");
        }
        let one = |dscp: usize| format!("[[twoway.stream]]\ndscp = {dscp}\noctets = 200\n");
        let twice = parsed(&(one(46) + &one(46))).expect_err("twice");
        assert!(twice.contains("a second stream with DSCP 46") && twice.contains("twoway.stream[2]"), "{twice}");
        parsed(&(0..8).map(one).collect::<String>()).expect("eight");
        let nine = parsed(&(0..9).map(one).collect::<String>()).expect_err("nine");
        assert!(nine.contains("9 streams; at most 8") && nine.contains("twoway.stream[9]"), "{nine}");
        let header = parsed("[twoway]\nstream = 3\n").expect_err("a number");
        assert!(header.contains("a list of tables, each headed [[stream]]"), "{header}");
    }
}
