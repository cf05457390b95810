//! Reading the table `[dhcp4]`: what a provider demands of a DHCPv4 client before it answers.

use crate::typed::table::{Document, Placed, Table};
use crate::wire::dhcp4::{Introduction, Vendor};

/// The keys of `[dhcp4]`.
pub(super) const KEYS: &[&str] = &["vendor_class", "client_identifier", "user_class", "parameter_list", "vendor"];

/// Octets that an option holds in one piece (RFC 2132 section 2); few servers put pieces together (common practice).
const ONE_OPTION: usize = 255;
/// Octets of all these options together: with the rest of the message they must fit in one packet of 1500 octets.
const ALL_OPTIONS: usize = 1000;
/// Type octet of an identifier made of an IAID and a DUID (RFC 4361 section 6.1).
const NODE_SPECIFIC: u8 = 255;
/// Octets of the shortest of these: type, IAID of 4, DUID type of 2 and something behind it (RFC 8415 section 11.1).
const SHORTEST_NODE_SPECIFIC: usize = 8;
/// "IPv6-only preferred".
const IPV6_ONLY: u64 = 108;

/// Reads the table; what is wrong is noted and left out.
pub(super) fn read(document: &Document<'_>, table: &Table<'_, '_>) -> Introduction {
    let identifier = table.octets("client_identifier", 2..=ONE_OPTION);
    if let Some(identifier) = &identifier
        && identifier.value[0] == NODE_SPECIFIC
        && identifier.value.len() < SHORTEST_NODE_SPECIFIC
    {
        let what = "an identifier of type 255 has an IAID of 4 octets and a DUID of at least 3 behind it (RFC 4361 section 6.1)";
        document.wrong(identifier, what);
    }
    let introduction = Introduction {
        vendor_class: table.octets("vendor_class", 1..=ONE_OPTION).map(|placed| placed.value),
        client_identifier: identifier.map(|placed| placed.value),
        user_classes: classes(document, table, "user_class"),
        parameter_list: parameter_list(document, table),
        vendors: vendors(document, table),
    };
    let octets: usize = introduction.options().iter().map(|option| 2 + option.data.len()).sum();
    if octets > ALL_OPTIONS {
        let what =
            format!("these options take {octets} octets together; beyond {ALL_OPTIONS} the message may not fit in a packet");
        document.wrong(&table.here(), what);
    }
    introduction
}

/// Classes that fit in one option, each behind a length octet.
fn classes(document: &Document<'_>, table: &Table<'_, '_>, key: &str) -> Vec<Vec<u8>> {
    let classes = table.octets_list(key, 1..=ONE_OPTION - 1);
    let octets: usize = classes.iter().map(|class| 1 + class.value.len()).sum();
    match classes.last() {
        Some(last) if octets > ONE_OPTION => {
            let what = format!("the classes take {octets} octets together with their lengths; {ONE_OPTION} fit in an option");
            document.wrong(last, what);
            Vec::new()
        }
        _ => classes.into_iter().map(|class| class.value).collect(),
    }
}

fn parameter_list(document: &Document<'_>, table: &Table<'_, '_>) -> Option<Vec<u8>> {
    // 0 is a pad and 255 the end (RFC 2132 sections 3.1 and 3.2).
    let numbers = table.wholes("parameter_list", 1..=254);
    if !table.has("parameter_list") {
        return None;
    }
    if numbers.is_empty() {
        table.missing("parameter_list", "at least one option number; leave the key out to ask for the usual ones");
    }
    for (at, number) in numbers.iter().enumerate() {
        if numbers[..at].iter().any(|earlier| earlier.value == number.value) {
            document.wrong(number, format!("option {} stands in the list twice", number.value));
        }
        if number.value == IPV6_ONLY {
            document
                .wrong(number, "asking for option 108 lets a server withhold the IPv4 address that is to be tested (RFC 8925)");
        }
    }
    let place = |wanted: u64| numbers.iter().position(|number| number.value == wanted);
    for after in [3, 33] {
        if let (Some(classless), Some(other)) = (place(121), place(after))
            && classless > other
        {
            document.wrong(&numbers[classless], format!("option 121 must stand before option {after} (RFC 3442)"));
        }
    }
    Some(numbers.iter().filter_map(|number| u8::try_from(number.value).ok()).collect())
}

fn vendors(document: &Document<'_>, table: &Table<'_, '_>) -> Vec<Vendor> {
    let mut vendors: Vec<Vendor> = Vec::new();
    for table in table.tables("vendor", &["enterprise", "class", "option"]) {
        if !table.has("enterprise") {
            table.missing("enterprise", "the vendor's number in IANA's list of private enterprise numbers");
        }
        let number = table.whole("enterprise", 0..=u64::from(u32::MAX));
        let classes = classes(document, &table, "class");
        let options = options(document, &table);
        const NOTHING: &str = "an enterprise without a class and without an option says nothing";
        table.one_of(&["class", "option"], NOTHING);
        if (table.has("class") || table.has("option")) && classes.is_empty() && options.is_empty() {
            document.wrong(&table.here(), NOTHING);
        }
        let Some(enterprise) = number.as_ref().and_then(|n| u32::try_from(n.value).ok()) else { continue };
        if let Some(number) = number.filter(|_| vendors.iter().any(|vendor| vendor.enterprise == enterprise)) {
            document.wrong(&number, format!("enterprise {enterprise} stands here a second time"));
        }
        vendors.push(Vendor { enterprise, classes, options });
    }
    // Enterprise number and length stand before each vendor's part.
    let parts = [Vendor::class_octets as fn(&Vendor) -> Vec<u8>, Vendor::option_octets];
    let together =
        parts.map(|part| vendors.iter().map(part).filter(|data| !data.is_empty()).map(|data| 5 + data.len()).sum::<usize>());
    for (octets, option) in together.into_iter().zip([124, 125]) {
        if octets > ONE_OPTION {
            let what = format!("option {option} would have {octets} octets of all vendors; {ONE_OPTION} fit");
            document.wrong(&table.here(), what);
        }
    }
    vendors
}

fn options(document: &Document<'_>, table: &Table<'_, '_>) -> Vec<(u8, Vec<u8>)> {
    let mut options: Vec<(u8, Vec<u8>)> = Vec::new();
    for table in table.tables("option", &["code", "data"]) {
        for (key, meaning) in [("code", "the sub-option's number"), ("data", "its octets: text, or hexadecimal behind 0x")] {
            if !table.has(key) {
                table.missing(key, meaning);
            }
        }
        let code: Option<Placed<u64>> = table.whole("code", 0..=255);
        let data = table.octets("data", 0..=ONE_OPTION - 7);
        let (Some(code), Some(data)) = (code, data) else { continue };
        let Ok(number) = u8::try_from(code.value) else { continue };
        if options.iter().any(|(other, _)| *other == number) {
            document.wrong(&code, format!("sub-option {number} stands here a second time"));
        }
        options.push((number, data.value));
    }
    options
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse;

    const REST: &str =
        "\n[[criterion]]\nname = \"c\"\nreading = \"link.carrier\"\nat_least = 1\nseverity = \"must\"\nbasis = \"x\"\n";

    fn read_of(table: &str) -> Result<Introduction, String> {
        let text = format!("name = \"t\"\ntitle = \"t\"\n[dhcp4]\n{table}{REST}");
        parse(&text, "test").map(|profile| profile.dhcp4).map_err(|error| error.to_string())
    }

    #[test]
    fn what_stands_there_is_taken_as_meant() {
        let read = read_of(
            "vendor_class = \"example\"\nclient_identifier = \"0xff00000001000300015410ab\"\nuser_class = [\"data\", \"0x00:ff\"]\n\
             parameter_list = [1, 121, 3]\n[[dhcp4.vendor]]\nenterprise = 32473\nclass = [\"cpe\"]\n\
             [[dhcp4.vendor.option]]\ncode = 7\ndata = \"\"\n[[dhcp4.vendor]]\nenterprise = 0\nclass = [\"x\"]",
        )
        .unwrap_or_else(|error| panic!("{error}"));
        let expected = Introduction {
            vendor_class: Some(b"example".to_vec()),
            client_identifier: Some(vec![0xff, 0, 0, 0, 1, 0, 3, 0, 1, 0x54, 0x10, 0xab]),
            user_classes: vec![b"data".to_vec(), vec![0, 0xff]],
            parameter_list: Some(vec![1, 121, 3]),
            vendors: vec![
                Vendor { enterprise: 32473, classes: vec![b"cpe".to_vec()], options: vec![(7, Vec::new())] },
                Vendor { enterprise: 0, classes: vec![b"x".to_vec()], options: Vec::new() },
            ],
        };
        assert_eq!(read, expected);
        assert_eq!(read_of("").as_ref(), Ok(&Introduction::default()), "an empty table says nothing");
    }

    #[test]
    fn each_mistake_is_told_with_its_place_and_what_would_be_right() {
        let long = "x".repeat(256);
        let class = "x".repeat(200);
        let vendor = "[[dhcp4.vendor]]\nenterprise = 1\n";
        let option = "[[dhcp4.vendor.option]]\ncode = 1\ndata = \"x\"\n";
        for (table, place, want) in [
            ("vendor_clas = \"x\"".to_owned(), "dhcp4.vendor_clas", "perhaps meant: vendor_class"),
            ("vendor_class = 7".to_owned(), "dhcp4.vendor_class", "must be text in quotes"),
            ("vendor_class = \"\"".to_owned(), "dhcp4.vendor_class", "these are 0 octets; there must be 1 to 255"),
            (format!("vendor_class = \"{long}\""), "dhcp4.vendor_class", "these are 256 octets"),
            ("client_identifier = \"0x123\"".to_owned(), "dhcp4.client_identifier", "pairs of hexadecimal digits"),
            ("client_identifier = \"0x+1\"".to_owned(), "dhcp4.client_identifier", "pairs of hexadecimal digits"),
            ("client_identifier = \"0x0g\"".to_owned(), "dhcp4.client_identifier", "pairs of hexadecimal digits"),
            ("client_identifier = \"0xä1\"".to_owned(), "dhcp4.client_identifier", "pairs of hexadecimal digits"),
            ("client_identifier = \"x\"".to_owned(), "dhcp4.client_identifier", "there must be 2 to 255"),
            ("client_identifier = \"0xff:01\"".to_owned(), "dhcp4.client_identifier", "RFC 4361 section 6.1"),
            ("user_class = \"x\"".to_owned(), "dhcp4.user_class", "must be a list of texts"),
            ("user_class = [\"x\", \"\"]".to_owned(), "dhcp4.user_class[2]", "these are 0 octets"),
            (format!("user_class = [\"{class}\", \"{class}\"]"), "dhcp4.user_class[2]", "take 402 octets together"),
            ("parameter_list = []".to_owned(), "dhcp4", "at least one option number"),
            ("parameter_list = [1, 255]".to_owned(), "dhcp4.parameter_list[2]", "between 1 and 254"),
            ("parameter_list = [1, 3, 1]".to_owned(), "dhcp4.parameter_list[3]", "option 1 stands in the list twice"),
            ("parameter_list = [1, 108]".to_owned(), "dhcp4.parameter_list[2]", "RFC 8925"),
            ("parameter_list = [3, 121]".to_owned(), "dhcp4.parameter_list[2]", "must stand before option 3 (RFC 3442)"),
            ("[[dhcp4.vendor]]\nclass = [\"x\"]".to_owned(), "dhcp4.vendor[1]", "\"enterprise\" is missing"),
            (vendor.to_owned(), "dhcp4.vendor[1]", "says nothing"),
            (format!("{vendor}{option}{vendor}{option}"), "dhcp4.vendor[2].enterprise", "a second time"),
            (format!("{vendor}{option}{option}"), "dhcp4.vendor[1].option[2].code", "sub-option 1 stands here a second time"),
            (format!("{vendor}[[dhcp4.vendor.option]]\ncode = 1"), "dhcp4.vendor[1].option[1]", "\"data\" is missing"),
            (
                format!("{vendor}class = [\"{class}\"]\n[[dhcp4.vendor]]\nenterprise = 2\nclass = [\"{class}\"]"),
                "dhcp4",
                "option 124 would have 412 octets",
            ),
        ] {
            let told = read_of(&table).expect_err(&table);
            assert!(told.contains(&format!("at {place}: ")) && told.contains(want), "{table}: {told}");
        }
    }
}
