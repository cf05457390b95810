//! The store: what it refuses, what it survives, what it proves.

use doorstep::history::store::{Added, HistoryError};
use doorstep::history::{Line, Span};

use super::*;

pub(crate) fn line(store: &Store) -> Line {
    store.lines().expect("lines").remove(0)
}

/// Changes the file behind the store's back.
fn meddle(path: &Path, sql: &str) {
    rusqlite::Connection::open(path).and_then(|file| file.execute_batch(sql)).expect("meddled");
}

#[test]
fn what_was_added_comes_back_the_same_packed_or_not() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut store = filled(&folder.path().join("h"), 700, &WIDE);
    let mut repeats = Repeats::new(7, 700);
    let records: Vec<_> = (0..700).map(|n| repeats.visit(n)).collect();
    let line = line(&store);
    let visits = store.visits(&line, Span::ALL).expect("visits");
    assert_eq!(visits, records.iter().map(|record| Entry::of(record).visit).collect::<Vec<_>>());
    assert_eq!(store.readings(&visits[500]).expect("readings"), Entry::of(&records[500]).readings);
    let rows: Vec<_> =
        store.figures().unwrap().into_iter().map(|(figure, _)| store.points(&line, &figure, Span::ALL).unwrap()).collect();
    assert!(rows.iter().filter(|points| points.len() == 700).count() > 30);
    let sketched = store.sketched(&line).unwrap();
    let delays = |store: &Store| {
        sketched.iter().map(|figure| store.delays(&line, figure, Span::ALL).unwrap().unwrap().to_octets()).collect::<Vec<_>>()
    };
    let single = delays(&store);
    // Two whole days and part of a third.
    assert_eq!(store.pack().expect("packed"), 2);
    assert_eq!(store.pack().expect("packed"), 0);
    let packed: Vec<_> =
        store.figures().unwrap().into_iter().map(|(figure, _)| store.points(&line, &figure, Span::ALL).unwrap()).collect();
    assert_eq!(packed, rows);
    assert_eq!(delays(&store), single);
    // Spans that begin and end within packed days.
    let moment = |n: usize| records[n].started;
    let part = Span { from: moment(100), to: moment(400) };
    for ((figure, _), all) in store.figures().unwrap().iter().zip(&rows) {
        let points = store.points(&line, figure, part).unwrap();
        let want: Vec<_> = all.iter().filter(|point| (part.millis().0..part.millis().1).contains(&point.at)).copied().collect();
        assert_eq!(points, want);
    }
    let partial = store.delays(&line, &sketched[0], part).unwrap().unwrap();
    assert_eq!(partial.len() + partial.lost(), 300 * 200);
    // A visit that comes late is in its day again.
    let mut late = records[50].clone();
    late.id = uuid::Uuid::from_u128(5);
    store.add(&Entry::of(&late), &WIDE).expect("added");
    let counts: Vec<_> =
        store.figures().unwrap().iter().map(|(figure, _)| store.points(&line, figure, Span::ALL).unwrap().len()).collect();
    assert!(counts.contains(&701));
    assert_eq!(store.pack().expect("packed"), 1);
    assert_eq!(store.check(None).expect("checked").breaks, [""; 0]);
}

#[test]
fn a_visit_is_added_once_and_never_with_another_content() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut store = filled(&folder.path().join("h"), 3, &WIDE);
    let mut record = Repeats::new(7, 3).visit(0);
    assert_eq!(store.add(&Entry::of(&record), &WIDE).expect("known"), Added::Known);
    record.place.note = Some("changed".to_owned());
    assert!(matches!(store.add(&Entry::of(&record), &WIDE), Err(HistoryError::Differs { .. })));
    assert_eq!(store.check(None).unwrap().visits, 3);
}

#[test]
fn a_missing_or_altered_visit_shows() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let head = filled(&path, 20, &WIDE).check(None).expect("checked").head;
    let broken = |sql: &str, says: &str| {
        let copy = folder.path().join("copy");
        let _ = std::fs::remove_file(&copy);
        Store::open_existing(&path, Care::Whole).unwrap().backup(&copy).expect("copied");
        meddle(&copy, sql);
        let found = Store::open_existing(&copy, Care::Whole).expect("sound as a file").check(Some(&head)).expect("checked");
        assert!(found.breaks.iter().any(|broken| broken.contains(says)), "{sql}: {:?}", found.breaks);
        let _ = std::fs::remove_file(folder.path().join("copy-wal"));
        let _ = std::fs::remove_file(folder.path().join("copy-shm"));
    };
    broken("PRAGMA foreign_keys = OFF; DELETE FROM visit WHERE seq = 7", "a visit is missing");
    broken("UPDATE visit SET verdict = 'pass', fault = 'x' WHERE seq = 7", "was altered");
    broken("UPDATE reading SET value = value + 1e-9 WHERE visit = 9 AND figure = 3", "readings of visit");
    broken("DELETE FROM reading WHERE visit = 9", "readings of visit");
    broken("DELETE FROM document WHERE visit = 4", "altered or taken out");
    broken("PRAGMA foreign_keys = OFF; DELETE FROM visit WHERE seq = 20", "entry that was noted is not there");
    assert_eq!(Store::open_existing(&path, Care::Whole).unwrap().check(Some(&head)).unwrap().breaks, [""; 0]);
}

#[test]
fn damaged_foreign_and_newer_files_are_refused_and_left_as_they_are() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    drop(filled(&path, 60, &WIDE));
    let sound = std::fs::read(&path).unwrap();
    let refused = |octets: &[u8], name: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, octets).unwrap();
        let error = Store::open(&path, Care::Whole).map(|_| ()).unwrap_err();
        assert_eq!(std::fs::read(&path).unwrap(), octets, "{name} was written to");
        error
    };
    let mut damaged = sound.clone();
    let middle = damaged.len() / 2 / 4096 * 4096;
    damaged[middle..middle + 2048].fill(0xa5);
    let error = refused(&damaged, "damaged");
    assert!(matches!(error, HistoryError::Damaged { .. }), "{error}");
    assert!(error.to_string().contains("Copy the file"), "{error}");
    assert!(matches!(refused(&sound[..sound.len() / 2], "cut"), HistoryError::Damaged { .. }));
    assert!(matches!(
        refused(
            b"no database at all, just words that somebody kept here, long enough for a header of one hundred octets",
            "words"
        ),
        HistoryError::Damaged { .. }
    ));
    let foreign = folder.path().join("foreign");
    meddle(&foreign, "CREATE TABLE mine (x)");
    assert!(matches!(Store::open(&foreign, Care::Whole), Err(HistoryError::NotOurs(_))));
    meddle(&path, "PRAGMA user_version = 99");
    assert!(matches!(Store::open(&path, Care::Whole), Err(HistoryError::Newer { found: 99, .. })));
    assert!(matches!(Store::open_existing(&folder.path().join("none"), Care::Whole), Err(HistoryError::Missing(_))));
}

#[test]
fn when_room_runs_out_raw_material_goes_first_and_verdicts_never() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let mut store = Store::open(&path, Care::Whole).unwrap();
    let policy = Policy { keep_documents: true, most_octets: 6_000_000, raw_days: None };
    let mut repeats = Repeats::new(7, 3000);
    let mut dropped: Vec<String> = Vec::new();
    for n in 0..3000 {
        if n % 288 == 0 {
            // Packing takes room as well.
            while let Err(HistoryError::Full(_)) = store.pack() {
                store.drop_oldest(i64::MAX).expect("dropped").expect("something is left");
            }
        }
        match store.add(&Entry::of(&repeats.visit(n)), &policy).expect("room is made") {
            Added::New { dropped: now, .. } => dropped.extend(now),
            Added::Known => panic!("visit {n} is new"),
        }
    }
    dropped.dedup();
    let order = ["record documents", "delay sketches", "bounds and sample counts"];
    let first = |word: &str| dropped.iter().position(|what| what.starts_with(word)).unwrap_or(usize::MAX);
    assert!(order.windows(2).all(|pair| first(pair[0]) < first(pair[1])), "{dropped:?}");
    let line = line(&store);
    assert_eq!(store.visits(&line, Span::ALL).unwrap().len(), 3000);
    assert!(std::fs::metadata(&path).unwrap().len() <= 6_000_000);
    let found = store.check(None).expect("sound");
    assert!(found.breaks.is_empty() && found.without_readings > 0, "{found:?}");
}

#[test]
fn the_log_is_written_back_by_fewer_than_one_insert_in_a_hundred() {
    // What an insert costs besides its own pages: SQLite's own bound of 1,000 pages made every twentieth write the log back.
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let mut store = Store::open(&path, Care::Whole).expect("a new history");
    let mut repeats = Repeats::new(7, 1000);
    let changed = || std::fs::metadata(&path).and_then(|file| file.modified()).expect("a file");
    let mut back = 0;
    for n in 0..600 {
        let before = changed();
        store.add(&Entry::of(&repeats.visit(n)), &Policy::default()).expect("added");
        back += usize::from(changed() != before);
    }
    assert!((1..=6).contains(&back), "{back} of 600");
    // And what lies in the log is there for whoever opens the file meanwhile.
    let other = Store::open_existing(&path, Care::Whole).expect("sound");
    assert_eq!(other.visits(&line(&other), Span::ALL).unwrap().len(), 600);
}

#[test]
fn two_programs_may_add_at_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    drop(Store::open(&path, Care::Whole).unwrap());
    let adder = |from: usize| {
        let path = path.clone();
        std::thread::spawn(move || {
            let mut store = Store::open(&path, Care::Whole).unwrap();
            let mut repeats = Repeats::new(from as u64, 1000);
            for n in from..from + 100 {
                store.add(&Entry::of(&repeats.visit(n)), &WIDE).expect("added");
            }
        })
    };
    for thread in [adder(0), adder(500)] {
        thread.join().expect("both are through");
    }
    let found = Store::open_existing(&path, Care::Whole).unwrap().check(None).unwrap();
    assert_eq!((found.visits, found.breaks.len()), (200, 0));
}

/// A file as the version before this form left it: its readings without a word on what bounded them, and no texts of tiers.
#[test]
fn a_file_of_the_first_form_is_brought_up_to_date_and_its_chain_holds() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let mut store = Store::open(&path, Care::Whole).expect("a new history");
    let mut repeats = Repeats::new(7, 5);
    let records: Vec<_> = (0..5).map(|n| repeats.visit(n)).collect();
    for record in &records[..4] {
        let mut entry = Entry::of(record);
        entry.tier = None;
        entry.readings.iter_mut().for_each(|kept| kept.limited = None);
        store.add(&entry, &WIDE).expect("added");
    }
    let (line, head) = (line(&store), store.check(None).expect("checked").head);
    drop(store);
    meddle(&path, "ALTER TABLE reading DROP COLUMN limited; DROP TABLE tier; DROP TABLE setting; PRAGMA user_version = 1");
    let mut store = Store::open(&path, Care::Whole).expect("brought up to date");
    let found = store.check(Some(&head)).expect("checked");
    assert_eq!((found.breaks.as_slice(), found.head.as_str()), (&[][..], head.as_str()));
    let first = &store.visits(&line, Span::ALL).expect("visits")[0];
    assert!(store.readings(first).expect("readings").iter().all(|kept| kept.limited.is_none()));
    assert_eq!(store.tier(&first.profile_digest).expect("read"), None);
    // New visits bring both, and are in the same chain.
    store.add(&Entry::of(&records[4]), &WIDE).expect("added");
    let last = store.visits(&line, Span::ALL).expect("visits").pop().expect("five");
    assert!(store.readings(&last).expect("readings").iter().all(|kept| kept.limited.is_some()));
    let tier = records[4].profile.as_ref().expect("a tier");
    assert_eq!(store.tier(&last.profile_digest).expect("read").as_ref(), Some(&tier.text));
    assert_eq!(store.check(Some(&head)).expect("checked").breaks, [""; 0]);
    drop(store);
    meddle(&path, "UPDATE tier SET text = replace(text, '500', '100')");
    let altered = Store::open_existing(&path, Care::Whole).expect("sound as a file").tier(&last.profile_digest);
    assert!(matches!(altered, Err(HistoryError::Damaged { .. })), "{altered:?}");
}

/// A record that goes on with an earlier one brings what its own visit measured, and not the earlier one's figures at a second time.
#[test]
fn of_a_record_that_goes_on_only_its_own_visit_is_kept() {
    let mut repeats = Repeats::new(7, 2);
    let (first, mut second) = (repeats.visit(0), repeats.visit(1));
    second.checks.retain(|check| check.check == "twoway");
    let own = Entry::of(&second);
    let earlier =
        doorstep::continued::Earlier { record: first, digest: "sha256:0".to_owned(), signature: "unsigned: test".to_owned() };
    let tier = doorstep::profile::parse(&second.profile.as_ref().expect("a tier").text, "test").expect("valid");
    let whole = doorstep::continued::merged(&earlier, &second, Some(&tier));
    assert!(whole.checks.len() > second.checks.len());
    let figures =
        |entry: &Entry| entry.readings.iter().map(|kept| (kept.figure.clone(), kept.value, kept.samples)).collect::<Vec<_>>();
    assert_eq!(figures(&Entry::of(&whole)), figures(&own));
}
