use super::super::{html, tests::golden};

#[test]
fn words_of_strangers_stay_words() {
    let mut record = golden("fail");
    record.place.note = Some("<script>alert(1)</script><img src=x onerror=alert(2)>\u{202e}\u{1b}[31m".to_owned());
    record.place.circuit = Some("\"><svg onload=alert(3)>".to_owned());
    record.judgements[0].because = "</dd><script>alert(4)</script>".to_owned();
    let page = html(&record, Some("sha256:<b>"));
    for wicked in ["<script", "<img", "<svg onload", "\u{202e}", "\u{1b}", "<b>"] {
        let is_ours = wicked == "<b>" && !page.contains("sha256:<b>");
        assert!(is_ours || !page.contains(wicked), "{wicked:?} came through");
    }
    assert!(page.contains("&lt;script&gt;alert(1)&lt;"));
}

#[test]
fn a_page_needs_nothing_beside_it() {
    for name in ["pass", "fail", "not-proven", "dead-line", "incomplete"] {
        let page = html(&golden(name), None);
        for outside in ["http://", "https://", "src=", "@import", "url(", "<script", "<link"] {
            assert!(!page.contains(outside), "{name}: {outside}");
        }
        assert!(page.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"), "{name}");
        for landmark in ["<header>", "<nav aria-label", "<main>", "<footer>"] {
            assert_eq!(page.matches(landmark).count(), 1, "{name}: {landmark}");
        }
        let pictures = page.matches("<svg").count();
        assert_eq!(page.matches("<title id=").count(), pictures, "{name}");
        assert_eq!(page.matches("<desc id=").count(), pictures, "{name}");
    }
}

#[test]
fn every_verdict_is_a_word_and_says_the_same_as_the_terminal() {
    for (name, word) in [("pass", "PASS"), ("fail", "FAIL"), ("not-proven", "NOT PROVEN")] {
        let record = golden(name);
        let page = html(&record, None);
        assert!(page.contains(&format!("<span class=\"word\">{word}</span>")), "{name}");
        assert!(page.contains(super::super::model::report(&record).headline.as_str()), "{name}");
    }
}
