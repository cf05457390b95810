use super::*;

const WHOLE: &str = r#"
technology = "vdsl2"
profile = "17a"
counted_over = 900
[down]
rate = 105.3
attainable = 121
margin = 9.1
attenuation = 14.2
errored_seconds = 9
severely_errored_seconds = 1
[up]
rate = 42
margin = -0.5
"#;

fn complaint(text: &str) -> String {
    parse(text, "test").unwrap_err().to_string()
}

#[test]
fn a_whole_page_is_read_and_says_that_it_was_typed_in() {
    let facts = parse(WHOLE, "test").unwrap();
    assert_eq!((facts.down.rate_mbit, facts.down.errored_seconds, facts.up.margin_db), (Some(105.3), Some(9), Some(-0.5)));
    assert_eq!(facts.kind_in_words(), "VDSL2 17a");
    let outcome = facts.outcome();
    assert_eq!(outcome.facts["source"], TYPED_IN);
    let value = |name: &str, direction| {
        outcome.readings.iter().find(|r| r.name == name && r.direction == Some(direction)).map(|r| r.value)
    };
    assert_eq!(value("line.rate", Direction::Down), Some(105.3));
    assert_eq!(value("line.errored_second_ratio", Direction::Down), Some(0.01));
    assert_eq!(value("line.margin", Direction::Up), Some(-0.5));
    assert_eq!(value("line.attenuation", Direction::Up), None);
    assert!(outcome.readings.iter().all(|r| r.low == Some(r.value) && r.high == Some(r.value)));
}

/// Each spoilt in one place: what is said about it, and where.
#[test]
fn the_example_in_the_documents_is_valid() {
    let text = include_str!("../../../docs/line-example.toml");
    assert_eq!(parse(text, "docs/line-example.toml").unwrap().down.rate_mbit, Some(90.2));
}

#[test]
fn a_file_is_loaded_and_a_huge_one_is_refused() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("line.toml");
    std::fs::write(&path, WHOLE).unwrap();
    assert_eq!(load(&path).unwrap(), parse(WHOLE, "test").unwrap());
    std::fs::write(&path, vec![b'#'; 1 << 20]).unwrap();
    assert!(matches!(load(&path), Err(LineError::TooLarge { .. })));
    assert!(matches!(load(Path::new("./absent.toml")), Err(LineError::Read { .. })));
}

#[test]
fn what_the_technology_can_not_show_is_refused_where_it_stands() {
    for (text, place, said) in [
        ("technology = \"vdsl3\"", "line 1, column 14, at technology", "perhaps meant: vdsl2"),
        ("", "line 1, column 1", "adsl2+"),
        (
            "technology = \"adsl2+\"\n[down]\nrate = 16000",
            "line 3, column 8, at down.rate",
            "ADSL2+ can't carry more than 30.72 Mbit/s down",
        ),
        ("technology = \"adsl2+\"\n[up]\nrate = 16", "at up.rate", "more than 3.84 Mbit/s up"),
        (
            "technology = \"vdsl2\"\nprofile = \"17a\"\n[down]\nrate = 300",
            "at down.rate",
            "VDSL2 17a can't carry more than 245.76",
        ),
        (
            "technology = \"vdsl2\"\nprofile = \"17a\"\n[down]\nrate = 200\n[up]\nrate = 100",
            "at down.rate",
            "300 Mbit/s, are more than the 245.76",
        ),
        ("technology = \"gfast\"\nprofile = \"106a\"\n[down]\nrate = 1400", "at down.rate", "1376.256"),
        ("technology = \"gpon\"\n[up]\nrate = 2488", "at up.rate", "1244.16"),
        ("technology = \"xgs-pon\"\n[down]\nrate = 10000", "at down.rate", "9953.28"),
        ("technology = \"vdsl2\"\nprofile = \"106a\"", "at profile", "17a"),
        ("technology = \"gpon\"\nprofile = \"17a\"", "at profile", "GPON has no profiles"),
        ("technology = \"gpon\"\n[down]\nmargin = 6", "at down.margin", "the key \"margin\" is unknown here"),
        ("technology = \"vdsl2\"\natm = \"ppp-vc\"", "at atm", "VDSL2 has no ATM cells"),
        ("technology = \"vdsl2\"\n[optical]\nreceived = -20", "at optical", "VDSL2 has no optical power"),
        ("technology = \"gpon\"\n[optical]\nreceived = -60", "at optical.received", "between -45 and 5 dBm"),
        ("technology = \"adsl\"\n[down]\nmargin = 64", "at down.margin", "between -64 and 63 dB"),
        ("technology = \"adsl\"\n[down]\nattenuation = -1", "at down.attenuation", "between 0 and 127 dB"),
        ("technology = \"adsl\"\n[down]\nerrored_seconds = 3", "at down.errored_seconds", "counted_over = 900"),
        (
            "technology = \"adsl\"\ncounted_over = 900\n[down]\nerrored_seconds = 901",
            "at down.errored_seconds",
            "between 0 and 900",
        ),
        (
            "technology = \"adsl\"\ncounted_over = 900\n[down]\nerrored_seconds = 1\nseverely_errored_seconds = 2",
            "at down.severely_errored_seconds",
            "can't be more",
        ),
        ("technology = \"adsl\"\n[down]\nrate = inf", "at down.rate", "finite"),
        ("technology = \"adsl\"\nrat = 1", "at rat", "unknown"),
        ("technology =", "line 1", "not TOML"),
    ] {
        let complaint = complaint(text);
        assert!(complaint.contains(place) && complaint.contains(said), "{text}\n{complaint}");
    }
}

#[test]
fn light_outside_of_the_receivers_range_is_a_flaw_and_within_it_none() {
    let flaws = |kind: &str, dbm: f64| {
        let facts = parse(&format!("technology = \"{kind}\"\n[optical]\nreceived = {dbm:?}"), "test").unwrap();
        facts.outcome().flaws.len()
    };
    assert_eq!([flaws("gpon", -27.0), flaws("gpon", -8.0), flaws("gpon", -27.1), flaws("gpon", -7.9)], [0, 0, 1, 1]);
    assert_eq!([flaws("xgs-pon", -28.0), flaws("xgs-pon", -28.1)], [0, 1]);
}

proptest::proptest! {
    #[test]
    fn no_text_breaks_the_reader(text in "\\PC{0,200}") {
        let _ = parse(&text, "test");
    }

    #[test]
    fn whatever_is_accepted_lies_within_the_physical_range(kind in 0_usize..8, down in 0.0_f64..12_000.0, up in 0.0_f64..12_000.0) {
        let (word, kind) = AccessKind::WORDS[kind];
        let text = format!("technology = \"{word}\"\n[down]\nrate = {down:?}\n[up]\nrate = {up:?}\n");
        let fits = kind.most(None).is_none_or(|most| down <= most.down && up <= most.up && (!most.shared || down + up <= most.down));
        proptest::prop_assert_eq!(parse(&text, "test").is_ok(), fits);
    }
}
