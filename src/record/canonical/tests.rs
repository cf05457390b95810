use proptest::prelude::*;
use serde_json::Value;

use super::*;

fn canonical(text: &str) -> String {
    String::from_utf8(Document::parse(text.as_bytes()).expect("a document").canonical()).expect("UTF-8")
}

#[test]
fn the_numbers_of_rfc_8785_appendix_b_are_spelled_as_there() {
    // RFC 8785 appendix B: bits of the double (IEEE 754), and its spelling.
    let rows: [(u64, &str); 24] = [
        (0x0000_0000_0000_0000, "0"),
        (0x8000_0000_0000_0000, "0"),
        (0x0000_0000_0000_0001, "5e-324"),
        (0x8000_0000_0000_0001, "-5e-324"),
        (0x7fef_ffff_ffff_ffff, "1.7976931348623157e+308"),
        (0xffef_ffff_ffff_ffff, "-1.7976931348623157e+308"),
        (0x4340_0000_0000_0000, "9007199254740992"),
        (0xc340_0000_0000_0000, "-9007199254740992"),
        (0x4430_0000_0000_0000, "295147905179352830000"),
        (0x44b5_2d02_c7e1_4af5, "9.999999999999997e+22"),
        (0x44b5_2d02_c7e1_4af6, "1e+23"),
        (0x44b5_2d02_c7e1_4af7, "1.0000000000000001e+23"),
        (0x444b_1ae4_d6e2_ef4e, "999999999999999700000"),
        (0x444b_1ae4_d6e2_ef4f, "999999999999999900000"),
        (0x444b_1ae4_d6e2_ef50, "1e+21"),
        (0x3eb0_c6f7_a0b5_ed8c, "9.999999999999997e-7"),
        (0x3eb0_c6f7_a0b5_ed8d, "0.000001"),
        (0x41b3_de43_5555_5553, "333333333.3333332"),
        (0x41b3_de43_5555_5554, "333333333.33333325"),
        (0x41b3_de43_5555_5555, "333333333.3333333"),
        (0x41b3_de43_5555_5556, "333333333.3333334"),
        (0x41b3_de43_5555_5557, "333333333.33333343"),
        (0xbecb_f647_612f_3696, "-0.0000033333333333333333"),
        (0x4314_3ff3_c1cb_0959, "1424953923781206.2"),
    ];
    for (bits, spelled) in rows {
        assert_eq!(number(f64::from_bits(bits)), spelled, "{bits:016x}");
    }
}

#[test]
fn the_example_of_rfc_8785_section_3_2_comes_out_as_there() {
    // RFC 8785 section 3.2.2 (the input), 3.2.3 (sorted), 3.2.4 (the octets of the result).
    let input = r#"{
        "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
        "literals": [null, true, false]
      }"#;
    let octets = "7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c 22 6e 75 6d 62 65 72 \
                  73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31 65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 \
                  32 2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24 5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 \
                  5c 5c 5c 5c 5c 22 2f 22 7d";
    let expected: Vec<u8> = octets.split_whitespace().map(|two| u8::from_str_radix(two, 16).expect("hexadecimal")).collect();
    assert_eq!(Document::parse(input.as_bytes()).expect("a document").canonical(), expected);
}

#[test]
fn names_are_sorted_as_in_rfc_8785_section_3_2_3() {
    // The sort test there: by UTF-16 code units, so the smiling face (U+1F600, D83D DE00) comes before U+FB33.
    let input = "{\"\\u20ac\":\"Euro Sign\",\"\\r\":\"Carriage Return\",\"\\ufb33\":\"Hebrew Letter Dalet With Dagesh\",\"1\":\"One\",\
                 \"\\ud83d\\ude00\":\"Emoji: Grinning Face\",\"\\u0080\":\"Control\",\"\\u00f6\":\"Latin Small Letter O With Diaeresis\"}";
    let told = canonical(input);
    let order = ["Carriage Return", "One", "Control", "Latin Small", "Euro Sign", "Emoji", "Hebrew"].map(|name| told.find(name));
    assert!(order.iter().all(Option::is_some) && order.is_sorted(), "{told}");
}

#[test]
fn what_two_readers_could_see_differently_is_refused() {
    let refused = |text: &str| Document::parse(text.as_bytes()).expect_err("refused").to_string();
    assert!(refused(r#"{"a": 1, "b": {"c": 1, "c": 2}}"#).contains("\"c\" stands twice"));
    assert!(refused("[9007199254740993]").contains("beyond 2^53 - 1"));
    assert!(refused("[-9007199254740993]").contains("beyond 2^53 - 1"));
    assert_eq!(canonical("[9007199254740991,-9007199254740991]"), "[9007199254740991,-9007199254740991]");
    assert_eq!(canonical("[240414808926907040]"), "[240414808926907040]", "the double's own spelling");
    for broken in ["", "{", "[1,]", "\"\\ud800\"", "[1e999]", "nul"] {
        assert!(Document::parse(broken.as_bytes()).is_err(), "{broken}");
    }
}

#[test]
fn a_member_is_left_out_by_its_path_and_nothing_else() {
    let document = Document::parse(br#"{"a":{"b":1,"c":2},"b":3}"#).expect("a document");
    let told = |path: &[&str]| String::from_utf8(document.clone().without(path).canonical()).expect("UTF-8");
    assert_eq!(told(&["a", "b"]), r#"{"a":{"c":2},"b":3}"#);
    assert_eq!(told(&["x", "b"]), r#"{"a":{"b":1,"c":2},"b":3}"#);
}

fn values() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-(LARGEST_WHOLE as i64)..=LARGEST_WHOLE as i64).prop_map(Value::from),
        any::<f64>().prop_filter("JSON has finite numbers only", |value| value.is_finite()).prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 64, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
            prop::collection::btree_map(any::<String>(), inner, 0..6).prop_map(|map| Value::Object(map.into_iter().collect())),
        ]
    })
}

proptest! {
    #[test]
    fn layout_and_order_change_nothing_and_the_form_says_what_the_document_said(value in values()) {
        let compact = serde_json::to_string(&value).expect("JSON");
        let form = canonical(&compact);
        prop_assert_eq!(&canonical(&serde_json::to_string_pretty(&value).expect("JSON")), &form);
        prop_assert_eq!(&canonical(&form), &form, "a canonical form is its own");
        prop_assert_eq!(&canonical(&backwards(&value)), &form);
        let read: Value = serde_json::from_str(&form).expect("JSON");
        prop_assert!(alike(&read, &value), "{} is not {}", read, value);
    }

    #[test]
    fn every_double_reads_back_as_itself(bits in any::<u64>()) {
        let value = f64::from_bits(bits);
        prop_assume!(value.is_finite());
        prop_assert_eq!(number(value).parse::<f64>().expect("a number"), value);
    }
}

/// The text of a value with the members of each object the other way round.
fn backwards(value: &Value) -> String {
    match value {
        Value::Object(map) => {
            let members: Vec<_> =
                map.iter().map(|(name, inner)| format!("{} : {}", Value::from(name.clone()), backwards(inner))).collect();
            format!("{{{}}}", members.into_iter().rev().collect::<Vec<_>>().join(" , "))
        }
        Value::Array(items) => format!("[{}]", items.iter().map(backwards).collect::<Vec<_>>().join(" ,\n")),
        leaf => leaf.to_string(),
    }
}

/// Equal as JSON: 1 and 1.0 are one number.
fn alike(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(a), Value::Number(b)) => a.as_f64() == b.as_f64(),
        (Value::Array(a), Value::Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b)),
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len() && a.iter().all(|(name, a)| b.get(name).is_some_and(|b| alike(a, b)))
        }
        _ => one == other,
    }
}
