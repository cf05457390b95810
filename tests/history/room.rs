//! What goes when a disk is full or a visit is old, and what never does.

use doorstep::history::Span;
use doorstep::history::store::{Added, HistoryError};

use super::disk::Disk;
use super::store::line;
use super::typed::history;
use super::*;

#[test]
fn on_a_full_disk_raw_material_goes_first_verdicts_stay_and_nothing_is_damaged() {
    let folder = tempfile::tempdir().expect("a folder");
    let disk = Disk::at(&folder.path().join("disk"), 20 << 20);
    let path = folder.path().join("disk/h");
    let mut store = Store::open(&path, Care::Whole).expect("a new history");
    let mut repeats = Repeats::new(7, 1500);
    let mut dropped: Vec<String> = Vec::new();
    for n in 0..1500 {
        match store.add(&Entry::of(&repeats.visit(n)), &WIDE).expect("room is made") {
            Added::New { dropped: now, .. } => dropped.extend(now),
            Added::Known => panic!("visit {n} is new"),
        }
    }
    assert!(dropped.iter().any(|what| what.starts_with("record documents")), "{dropped:?}");
    let order = ["record documents", "delay sketches", "bounds and sample counts", "values of the oldest days"];
    let first = |word: &str| dropped.iter().position(|what| what.starts_with(word)).unwrap_or(usize::MAX);
    assert!(order.windows(2).all(|pair| first(pair[0]) <= first(pair[1])), "{dropped:?}");
    let line = line(&store);
    assert_eq!(store.visits(&line, Span::ALL).unwrap().len(), 1500);
    // Somebody else takes the rest.
    let filler = disk.fill_but(0);
    let more = Entry::of(&repeats.visit(1500));
    let refused = (0..200).find_map(|_| store.add(&more, &WIDE).err());
    if let Some(error) = refused {
        assert!(matches!(error, HistoryError::Full(_)), "{error}");
        assert!(error.to_string().contains("free space on its disk"), "{error}");
    }
    drop(store);
    let reopened = Store::open_existing(&path, Care::OnTheWay);
    assert!(matches!(reopened, Ok(_) | Err(HistoryError::Full(_))), "{:?}", reopened.err());
    drop(reopened);
    std::fs::remove_file(filler).expect("removed");
    let mut store = Store::open_existing(&path, Care::Whole).expect("sound");
    store.add(&more, &WIDE).expect("added");
    let found = store.check(None).expect("sound");
    assert_eq!((found.visits, &found.breaks), (1501, &Vec::new()));
}

#[test]
fn raw_material_goes_by_age_and_values_delays_and_verdicts_stay() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let mut store = Store::open(&path, Care::Whole).expect("a new history");
    let policy = Policy { raw_days: Some(2), ..WIDE };
    store.keep(&policy).expect("set");
    assert_eq!(store.policy().expect("read"), policy);
    let mut repeats = Repeats::new(7, 6 * 288);
    let mut dropped = Vec::new();
    // Hourly over six days.
    let records: Vec<_> = (0..6 * 288).step_by(12).map(|n| repeats.visit(n)).collect();
    for record in &records {
        match store.add(&Entry::of(record), &policy).expect("added") {
            Added::New { dropped: now, .. } => dropped.extend(now),
            Added::Known => panic!("each is new"),
        }
    }
    assert!(!dropped.is_empty());
    let line = line(&store);
    let visits = store.visits(&line, Span::ALL).unwrap();
    assert_eq!(visits.len(), records.len());
    // The last visit lies in the sixth day; the second day before it is the fourth: three days have lost their readings, and none of their values.
    let held: Vec<bool> = visits.iter().map(|visit| !store.readings(visit).unwrap().is_empty()).collect();
    assert_eq!(held.iter().position(|held| *held), Some(3 * 24));
    let (figure, _) = store.figures().unwrap().into_iter().find(|(figure, _)| figure.name == "dns.lookup_time_p50").unwrap();
    let points = store.points(&line, &figure, Span::ALL).unwrap();
    let values: Vec<f64> = points.iter().map(|point| point.value).collect();
    let read = |record: &doorstep::record::Record| {
        Entry::of(record).readings.iter().find(|kept| kept.figure == figure).map(|kept| kept.value)
    };
    assert_eq!(values, records.iter().filter_map(read).collect::<Vec<_>>());
    let sketched = store.sketched(&line).unwrap();
    let delays = store.delays(&line, &sketched[0], Span::ALL).unwrap().unwrap();
    assert_eq!(delays.len() + delays.lost(), 200 * records.len() as u64);
    // A visit of the first day that comes late joins what is left of it.
    let mut late = records[5].clone();
    late.id = uuid::Uuid::from_u128(5);
    store.add(&Entry::of(&late), &policy).expect("added");
    assert_eq!(store.points(&line, &figure, Span::ALL).unwrap().len(), points.len() + 1);
    let delays = store.delays(&line, &sketched[0], Span::ALL).unwrap().unwrap();
    assert_eq!(delays.len() + delays.lost(), 200 * (records.len() as u64 + 1));
    let found = store.check(None).expect("checked");
    assert_eq!(found.breaks, [""; 0]);
    assert_eq!(found.without_readings, 72);
}

#[test]
fn what_is_kept_is_set_once_in_the_file_and_a_record_that_gave_up_its_series_is_known() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let told = |arguments: &[&str]| {
        let output = history(&path, &[&["keep"], arguments].concat());
        (output.status.code(), format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr)))
    };
    let (code, text) = told(&[]);
    assert!(code == Some(0) && text.contains("as long as there is room; whole records: not kept"), "{text}");
    let (code, text) = told(&["--raw", "90", "--records", "yes", "--max-size", "500M"]);
    assert!(code == Some(0) && text.contains("90 days; whole records: kept; file at most: 500"), "{text}");
    let (_, text) = told(&["--raw", "all"]);
    assert!(text.contains("as long as there is room; whole records: kept"), "{text}");
    assert_eq!(told(&["--raw", "0"]).0, Some(2));
    let mut record = Repeats::new(7, 10).visit(3);
    let file = folder.path().join("record.json");
    let add = || {
        let output = history(&path, &["add", file.to_str().expect("a plain name")]);
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    doorstep::record::store::save(&file, &record).expect("saved");
    assert!(add().contains("1 added, 0 known"));
    record.give_up_series();
    doorstep::record::store::save(&file, &record).expect("saved");
    assert!(add().contains("0 added, 1 known"));
}
