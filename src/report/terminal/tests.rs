use proptest::prelude::*;

use super::*;

fn report(headline: &str) -> Report {
    Report {
        verdict: Verdict::Fail,
        headline: headline.to_owned(),
        place: headline.to_owned(),
        incomplete: None,
        cause: Some(Cause {
            sentence: headline.to_owned(),
            because: vec![headline.to_owned()],
            next: vec![headline.to_owned()],
            others: vec![headline.to_owned()],
        }),
        missed: vec![Item { name: headline.to_owned(), text: headline.to_owned(), remedy: Some(headline.to_owned()) }],
        unproven: Vec::new(),
        untested: Vec::new(),
        checks: vec![CheckLine { name: headline.to_owned(), text: headline.to_owned(), mark: Mark::Judged(Verdict::NotProven) }],
        earlier: vec![Item { name: headline.to_owned(), text: headline.to_owned(), remedy: None }],
        sold: Vec::new(),
        budget: vec![Budget { title: headline.to_owned(), steps: vec![headline.to_owned()] }],
        cautions: vec![headline.to_owned()],
        footer: headline.to_owned(),
    }
}

#[test]
fn without_colour_there_is_no_escape_and_with_it_the_words_stay() {
    let plain = render(&report("x"), Look::default());
    assert!(!plain.contains('\x1b'));
    let painted = render(&report("x"), Look { colour: true, ..Look::default() });
    assert!(painted.contains("\x1b[1;31mFAIL\x1b[0m"), "{painted}");
    let stripped = painted.replace("\x1b[1;31m", "").replace("\x1b[1;33m", "").replace("\x1b[0m", "");
    assert_eq!(stripped, plain);
}

#[test]
fn control_and_direction_characters_of_a_record_never_reach_the_terminal() {
    let text = render(&report("a\x1b[2Jb\u{202e}c\u{7}\u{9b}d"), Look::default());
    assert!(!text.chars().any(|c| c != '\n' && (c.is_control() || c == '\u{202e}')), "{text:?}");
}

#[test]
fn a_word_wider_than_the_line_is_broken() {
    assert_eq!(wrap("ab cdefghij k", 4, 4), ["ab", "cdef", "ghij", "k"]);
    assert_eq!(wrap("", 4, 4), [] as [&str; 0]);
    assert_eq!(wrap("one two", 3, 10), ["one", "two"]);
    assert_eq!(wrap("loss 0.2 %, more", 8, 10), ["loss", "0.2 %,", "more"], "a unit stays with its number");
}

proptest! {
    #[test]
    fn no_line_is_wider_than_the_look_says(text in "[a-z 界😀\u{301}é\\n\\t-]{0,200}", width in 40..200_usize) {
        for line in render(&report(&text), Look { width, colour: false }).lines() {
            prop_assert!(printed_width(line) <= width, "{} > {width}: {line:?}", printed_width(line));
        }
    }
}
