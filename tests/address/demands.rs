//! What a provider demands stands in the profile and goes out as the standards have it.

use doorstep::check::Check;
use doorstep::check::dhcp4::Dhcp4;
use doorstep::profile;
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use doorstep::wire::dhcp4::Introduction;

use crate::cable::Line;
use crate::capture::Capture;
use crate::kea;

/// A profile as a technician would write it.
const DEMANDS: &str = r#"
name = "demanding"
title = "Invented tier whose server answers only who says the right words"

[dhcp4]
vendor_class = "example-gateway"
client_identifier = "0x00:6c:69:6e:65:2d:37"   # type 0, then line-7
user_class = ["data", "voice"]
parameter_list = [1, 3, 6, 51, 54, 125]

[[dhcp4.vendor]]
enterprise = 32473
class = ["cpe"]

[[dhcp4.vendor.option]]
code = 1
data = "serial-0001"

[[criterion]]
name = "address"
reading = "dhcp4.address_held"
at_least = 1
severity = "must"
basis = "invented"
"#;

/// Kea's clients are of this class when all of it is said; nobody else gets an address. This Kea hands the length octet of a
/// vendor class on to the comparison.
const TOP: &str = r#""client-classes": [ { "name": "customer", "test":
    "option[60].text == 'example-gateway' and option[61].hex == 0x006c696e652d37 and option[77].hex == 0x046461746105766f696365 and option[55].hex == 0x01030633367d and vendor-class[32473].data == 0x03637065 and vendor[32473].option[1].hex == 'serial-0001'" } ],"#;
const POOL: &str = r#", "client-class": "customer""#;

fn introduction() -> Introduction {
    profile::parse(DEMANDS, "test").unwrap_or_else(|error| panic!("{error}")).dhcp4
}

fn run(line: &Line, introduction: Introduction) -> (Outcome, Vec<Outcome>) {
    let mut context = line.context(Depth::Quick);
    context.dhcp4 = introduction;
    let finished = line.block_on(Dhcp4.run(context));
    let outcome = finished.outcome.clone();
    let (closing, finished) = line.close(finished);
    line.release(finished);
    (outcome, closing)
}

#[test]
fn kea_answers_only_who_says_what_it_demands_and_tshark_reads_it_as_meant() {
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    let _server = kea::start(&line, directory.path(), TOP, POOL);
    let capture = Capture::start(line.laptop.namespace(), "lan0", "udp port 67");
    let (outcome, _) = run(&line, introduction());
    let rows = capture.end([
        "dhcp.option.dhcp",
        "dhcp.option.vendor_class_id",
        "dhcp.client_id.undef",
        "dhcp.option.request_list_item",
        "dhcp.option.user_class.data",
        "dhcp.option.vi_class.enterprise",
        "dhcp.option.vi.enterprise",
        "dhcp.option.type",
        "_ws.expert.message",
    ]);
    assert_eq!(outcome.status, Status::Done, "{:?}", outcome.reason);
    let ours: Vec<_> = rows.iter().filter(|row| row[0] == "1" || row[0] == "3").collect();
    assert_eq!(ours.len(), 2, "{rows:?}");
    for row in ours {
        let [_, class, identifier, wanted, user, vendor_class, vendor_options, numbers, complaints] = row;
        assert_eq!((class.as_str(), identifier.as_str(), complaints.as_str()), ("example-gateway", "line-7", ""), "{row:?}");
        // "data" and "voice" in hexadecimal.
        assert_eq!((wanted.as_str(), user.as_str()), ("1,3,6,51,54,125", "64617461,766f696365"), "{row:?}");
        assert_eq!((vendor_class.as_str(), vendor_options.as_str()), ("32473", "32473"), "{row:?}");
        let numbers: Vec<&str> = numbers.split(',').collect();
        assert!(["60", "61", "77", "124", "125"].iter().all(|number| numbers.contains(number)), "{row:?}");
    }
}

#[test]
fn one_word_that_is_wrong_and_there_is_no_answer() {
    let right = introduction();
    let mut wrong = vec![Introduction::default()];
    let mut other = right.clone();
    other.user_classes.pop();
    wrong.push(other);
    let mut other = right.clone();
    other.vendors[0].options[0].1 = b"serial-0002".to_vec();
    wrong.push(other);
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    let _server = kea::start(&line, directory.path(), TOP, POOL);
    for introduction in wrong {
        let (outcome, _) = run(&line, introduction.clone());
        assert_eq!(outcome.status, Status::Failed, "{introduction:?}");
        assert!(outcome.reason.as_deref().is_some_and(|r| r.starts_with("no DHCP server answered")), "{:?}", outcome.reason);
    }
    assert_eq!(run(&line, right).0.status, Status::Done, "the server still answers who says it");
}
