use super::super::tests::golden;
use super::*;

#[test]
fn lines_are_no_wider_than_asked_and_lose_no_word() {
    let faces = face::Faces::new().unwrap();
    let text = "round trip 12.4 ms while filled down; path.hop_round_trip_p50 of_a_name_that_is_wider_than_any_line_could_be_set_here 94.2 Mbit/s";
    for width in [40.0, 120.0, 300.0] {
        let lines = faces.lines(text, 9.5, false, width);
        assert!(lines.iter().all(|line| faces.width(line, 9.5, false) <= width || line.chars().count() == 1), "{lines:?}");
        let kept: String = lines.concat().split_whitespace().collect();
        assert_eq!(kept, text.split_whitespace().collect::<String>());
    }
    // A unit stays with its number.
    assert!(faces.lines(text, 9.5, false, 120.0).iter().any(|line| line.contains("94.2 Mbit/s")));
}

#[test]
fn what_the_font_lacks_and_what_steers_is_replaced() {
    let faces = face::Faces::new().unwrap();
    assert_eq!(faces.shown("a\u{1b}b \u{4e00} é", false).chars().filter(|c| c.is_control()).count(), 0);
    assert!(faces.shown("\u{4e00}", false).contains('?'));
}

#[test]
fn every_record_gives_a_document_on_both_papers_and_the_same_twice() {
    for name in ["pass", "fail", "not-proven", "dead-line", "incomplete"] {
        let page = super::super::page::page(&golden(name), None);
        for paper in [Paper::A4, Paper::Letter] {
            let one = render(&page, paper).unwrap();
            assert!(one.starts_with(b"%PDF-"), "{name}");
            assert!(one == render(&page, paper).unwrap(), "{name} on {paper:?} differs");
        }
    }
}

#[test]
fn nothing_is_placed_beyond_a_sheet_or_on_its_foot() {
    let faces = face::Faces::new().unwrap();
    for name in ["pass", "fail", "dead-line"] {
        for paper in [Paper::A4, Paper::Letter] {
            let (width, height) = paper.size();
            let placed = blocks::place(&super::super::page::page(&golden(name), None), paper, &faces);
            for flow::Item { part, what } in placed.sheets.iter().flatten() {
                if let flow::What::Text { x, y, style, text } = what {
                    let right = x + faces.width(text, style.size, style.is_bold);
                    assert!(*x >= 0.0 && right <= width - 40.0, "{name}: {text}");
                    assert!(part.is_none() || *y <= height - 55.0, "{name}: {text} at {y}");
                }
            }
        }
    }
}
