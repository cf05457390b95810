//! Reports as pages: HTML in a headless browser, PDF under an independent checker, and the files that the command writes.
//!
//! Needs chromium, python3, qpdf and pdftotext. The browser reads files only. About half a minute.

#[path = "report_pages/repeated.rs"]
mod repeated;
#[path = "common/repeats.rs"]
mod repeats;
#[path = "report_pages/scene.rs"]
mod scene;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use doorstep::report::{self, pdf::Paper};
use serde_json::Value;

fn run(program: &str, arguments: &[&str]) -> Output {
    let output = Command::new(program).args(arguments).output();
    output.unwrap_or_else(|error| panic!("{program}: {error}; install the packages of tests/packages.txt"))
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Where pictures and documents go: a folder of its own, kept when the variable names one, for whoever wants to look.
fn folder(name: &str) -> (Option<tempfile::TempDir>, PathBuf) {
    match std::env::var_os("DOORSTEP_PAGES") {
        Some(kept) => {
            let path = PathBuf::from(kept).join(name);
            std::fs::create_dir_all(&path).expect("the folder can be made");
            (None, path)
        }
        None => {
            let folder = tempfile::tempdir().expect("a folder of its own");
            let path = folder.path().to_owned();
            (Some(folder), path)
        }
    }
}

fn named(path: &Path) -> &str {
    path.to_str().expect("folders have plain names")
}

fn pages_of(pdf: &Path) -> usize {
    let output = run("qpdf", &["--show-npages", named(pdf)]);
    said(&output).trim().parse().unwrap_or_else(|_| panic!("{}", said(&output)))
}

fn text_of(pdf: &Path) -> String {
    said(&run("pdftotext", &["-layout", named(pdf), "-"]))
}

/// What a headless browser finds of pages, each with the fewest pictures that it must have.
fn looked_at(folder: &Path, pages: &[(String, i64)]) {
    let mut arguments = vec!["tests/report_pages/browser.py", "chromium", named(folder)];
    arguments.extend(pages.iter().map(|(page, _)| page.as_str()));
    let output = run("python3", &arguments);
    assert!(output.status.success(), "{}", said(&output));
    let found: Value = serde_json::from_slice(&output.stdout).expect("what the browser tells");
    let found = found.as_array().expect("what the browser tells");
    assert_eq!(found.len(), pages.len());
    for (page, (_, fewest)) in found.iter().zip(pages) {
        let looks = page["looks"].as_array().expect("what the browser tells");
        assert_eq!(looks.len(), 4);
        for look in looks {
            let of = format!("{} at {} px, {}", page["page"], look["width"], look["scheme"]);
            assert_eq!(look["scrolls"], 0, "{of} scrolls sideways");
            for what in ["meet", "outside", "tiny", "console", "asked"] {
                assert_eq!(look[what], Value::Array(vec![]), "{of}: {what}");
            }
            assert_eq!(look["scripts"], 0, "{of}: a script came to life");
            // Headings in order: one first, none skipped (WCAG 2.2, technique G141).
            let levels: Vec<i64> = look["levels"]
                .as_array()
                .expect("what the browser tells")
                .iter()
                .map(|l| l.as_i64().expect("what the browser tells"))
                .collect();
            assert!(levels[0] == 1 && levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{of}: {levels:?}");
            assert!(look["pictures"].as_i64().expect("what the browser tells") >= *fewest, "{of}: {}", look["pictures"]);
        }
        assert_ne!(looks[0]["ground"], looks[1]["ground"], "dark is dark");
        for paper in ["a4", "letter"] {
            let pages = pages_of(Path::new(page["papers"][paper].as_str().expect("what the browser tells")));
            assert!((2..=14).contains(&pages), "{} on {paper}: {pages} pages", page["page"]);
        }
    }
}

#[test]
fn pages_hold_together_on_a_phone_and_a_desk_in_light_dark_and_print() {
    let (_kept, folder) = folder("html");
    let write = |name: &str, fewest: i64, html: String| {
        let page = folder.join(format!("{name}.html"));
        std::fs::write(&page, html).unwrap();
        (page.display().to_string(), fewest)
    };
    let mut pages = Vec::new();
    for name in scene::NAMES {
        let fewest = if name == "dead-line" { 2 } else { 6 };
        pages.push(write(name, fewest, report::html(&scene::record(name), None)));
    }
    for name in repeated::NAMES {
        let fewest = if name == "one-visit" { 1 } else { 8 };
        pages.push(write(name, fewest, report::html::render(&repeated::page(name))));
    }
    looked_at(&folder, &pages);
}

#[test]
fn a_pdf_is_sound_holds_the_facts_and_is_the_same_each_time() {
    let (_kept, folder) = folder("pdf");
    for name in scene::NAMES {
        for (paper, width) in [(Paper::A4, "595"), (Paper::Letter, "612")] {
            let record = scene::record(name);
            let octets = report::pdf(&record, Some("sha256:0123"), paper).unwrap();
            assert!(octets == report::pdf(&record, Some("sha256:0123"), paper).unwrap(), "{name}: octets differ");
            let file = folder.join(format!("{name}-{width}.pdf"));
            std::fs::write(&file, &octets).unwrap();
            let checked = run("qpdf", &["--check", file.to_str().unwrap()]);
            assert!(checked.status.success(), "{name}: {}", said(&checked));
            let info = said(&run("pdfinfo", &[file.to_str().unwrap()]));
            assert!(info.contains(width) && info.contains("Tagged:          yes"), "{info}");
            let text = text_of(&file);
            let pages = pages_of(&file);
            assert!((2..=14).contains(&pages), "{name}: {pages} pages");
            for wanted in
                [record.id.to_string(), format!("1 of {pages}"), format!("{pages} of {pages}"), "sha256:0123".to_owned()]
            {
                assert!(text.contains(&wanted), "{name} lacks {wanted}: {text}");
            }
            let page = report::page::page(&record, None);
            assert!(text.contains(&page.word), "{text}");
            for section in &page.sections {
                assert!(text.contains(&section.title), "{name} lacks {}", section.title);
            }
        }
    }
}

#[test]
fn a_history_as_pdf_is_sound_and_shows_outages_changes_and_hours() {
    let (_kept, folder) = folder("pdf");
    for name in repeated::NAMES {
        let page = repeated::page(name);
        for (paper, width) in [(Paper::A4, "595"), (Paper::Letter, "612")] {
            let octets = report::pdf::render(&page, paper).unwrap();
            assert!(octets == report::pdf::render(&page, paper).unwrap(), "{name}: octets differ");
            let file = folder.join(format!("{name}-{width}.pdf"));
            std::fs::write(&file, &octets).unwrap();
            let checked = run("qpdf", &["--check", named(&file)]);
            assert!(checked.status.success(), "{name}: {}", said(&checked));
            let info = said(&run("pdfinfo", &[named(&file)]));
            assert!(info.contains(width) && info.contains("Tagged:          yes"), "{info}");
            let text = text_of(&file);
            for wanted in page.sections.iter().map(|section| section.title.as_str()).chain([page.word.as_str()]) {
                assert!(text.contains(wanted), "{name} lacks {wanted}: {text}");
            }
            assert!((2..=14).contains(&pages_of(&file)), "{name}: {} pages", pages_of(&file));
        }
    }
    // What was planted (tests/common/repeats.rs): outages from the 100th visit on, and a resolver that needs 9 ms from a third of the week on.
    let text = text_of(&folder.join("week-595.pdf"));
    for wanted in ["2026-01-05 08:20", "dns.lookup_time_p50", "9 ms", "by the hour"] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
}

#[test]
fn the_history_is_written_as_pages_and_never_over_itself() {
    let (_kept, folder) = folder("command-history");
    let path = folder.join("history.sqlite");
    let _ = std::fs::remove_file(&path);
    drop(repeated::store(&path, 300, 1));
    let path = named(&path);
    let doorstep = |arguments: &[&str]| {
        let all = ["history", "--history", path, "show", "--time-zone", "UTC"].into_iter().chain(arguments.iter().copied());
        run(env!("CARGO_BIN_EXE_doorstep"), &all.collect::<Vec<_>>())
    };
    let (page, document) = (folder.join("page.html"), folder.join("page.pdf"));
    let both = doorstep(&["--html", named(&page), "--pdf", named(&document), "--paper", "letter"]);
    assert_eq!(both.status.code(), Some(0), "{}", said(&both));
    assert!(both.stdout.is_empty(), "results are in the files");
    assert!(std::fs::read(&document).unwrap().starts_with(b"%PDF-"));
    let piped = doorstep(&["--html", "-"]);
    assert_eq!(piped.stdout, std::fs::read(&page).unwrap());
    assert!(said(&piped).contains("When did the line carry nothing?"));
    for (arguments, exit, wanted) in [
        (vec!["--html", "-", "--pdf", "-"], 2, "standard output takes one document"),
        (vec!["--pdf", path], 2, "is the history itself"),
        (vec!["--html", "/nowhere/at/all.html"], 4, "make its directory first"),
        (vec!["--html", "x.html", "--json"], 2, "cannot be used with"),
    ] {
        let refused = doorstep(&arguments);
        assert_eq!(refused.status.code(), Some(exit), "{arguments:?}: {}", said(&refused));
        assert!(said(&refused).contains(wanted), "{arguments:?}: {}", said(&refused));
    }
}

#[test]
fn the_command_writes_whole_files_or_says_what_to_do() {
    let (_kept, folder) = folder("command");
    let record = folder.join("record.json");
    std::fs::copy("tests/golden/fail.json", &record).unwrap();
    let record = record.to_str().unwrap();
    let doorstep = |arguments: &[&str]| run(env!("CARGO_BIN_EXE_doorstep"), arguments);
    let page = folder.join("page.html");
    let document = folder.join("page.pdf");
    let both = doorstep(&["report", record, "--html", page.to_str().unwrap(), "--pdf", document.to_str().unwrap()]);
    assert_eq!(both.status.code(), Some(0), "{}", said(&both));
    assert!(both.stdout.is_empty(), "results are in the files");
    // The digest is that of the record's file, as sha256sum gives it.
    let digest = said(&run("sha256sum", &[record]));
    let digest = digest.split_whitespace().next().unwrap();
    assert!(std::fs::read_to_string(&page).unwrap().contains(digest), "{digest}");
    assert!(std::fs::read(&document).unwrap().starts_with(b"%PDF-"));
    let piped = doorstep(&["report", record, "--html", "-"]);
    assert_eq!(piped.stdout, std::fs::read(&page).unwrap());
    let letter = doorstep(&["report", record, "--pdf", "-", "--paper", "letter"]);
    assert!(letter.stdout.starts_with(b"%PDF-"));
    for (arguments, exit, wanted) in [
        (vec!["--html", "-", "--pdf", "-"], 2, "standard output takes one document"),
        (vec!["--html", record], 2, "is the record itself"),
        (vec!["--html", "/dev/full"], 4, "no ordinary file"),
        (vec!["--html", "/nowhere/at/all.html"], 4, "make its directory first"),
        (vec!["--paper", "letter"], 2, "--pdf"),
        (vec!["--html", "x.html", "--json"], 2, "cannot be used with"),
    ] {
        let all: Vec<&str> = ["report", record].into_iter().chain(arguments.iter().copied()).collect();
        let refused = doorstep(&all);
        assert_eq!(refused.status.code(), Some(exit), "{arguments:?}: {}", said(&refused));
        assert!(said(&refused).contains(wanted), "{arguments:?}: {}", said(&refused));
    }
    assert!(std::fs::read_to_string(record).unwrap().starts_with('{'), "the record is unharmed");
}
