//! What two visits say of the segment.
//!
//! Moved toward the provider: what is missed inside and met outside lies between the two places; what is missed at both does not. At one place: what is
//! gone was there and is no more. Each claim needs a figure that changed beyond chance.

use super::figures::{Change, Course};
use super::troubles::{Fate, Trouble};
use super::{CONFIDENCE, Relation};
use crate::record::{Record, Severity};
use crate::unit::{Position, Segment};

pub(super) struct Conclusion {
    pub(super) segment: Option<Segment>,
    pub(super) words: String,
    pub(super) cautions: Vec<String>,
    pub(super) next: Vec<String>,
}

pub(super) fn conclude(
    first: &Record,
    second: &Record,
    relation: Relation,
    troubles: &[Trouble],
    changes: &[Change],
) -> Conclusion {
    let mut cautions = Vec::new();
    for (which, record) in [("first", first), ("second", second)] {
        if let (false, Some(why)) = (record.complete, &record.incomplete_because) {
            cautions.push(format!("the {which} visit is not whole: {why}"));
        }
    }
    if first.place.circuit.is_none() || second.place.circuit.is_none() {
        cautions.push("no circuit is named in both records: that they are of one line is taken on trust".to_owned());
    }
    if first.started > second.started {
        cautions.push("the first record is the later one".to_owned());
    }
    let (segment, words, next) = match relation {
        Relation::Repeated => repeated(first, second, troubles, changes),
        Relation::MovedOut => moved([first, second], troubles),
        Relation::MovedIn => {
            // Told from inside to outside, whichever was first.
            let turned: Vec<Trouble> = troubles.iter().map(turned).collect();
            moved([second, first], &turned)
        }
    };
    if relation != Relation::Repeated && segment == Some(Segment::Home) {
        cautions.push("the two visits were not at one time: trouble that comes and goes by itself looks the same".to_owned());
    }
    Conclusion { segment, words, cautions, next }
}

fn turned(trouble: &Trouble) -> Trouble {
    let fate = match trouble.fate {
        Fate::Gone => Fate::New,
        Fate::New => Fate::Gone,
        other => other,
    };
    Trouble { fate, first: trouble.second, second: trouble.first, ..trouble.clone() }
}

type Told = (Option<Segment>, String, Vec<String>);

/// The musts decide; where none was missed, the shoulds.
fn weighty(troubles: &[Trouble]) -> Vec<&Trouble> {
    let musts: Vec<&Trouble> = troubles.iter().filter(|trouble| trouble.severity == Severity::Must).collect();
    if musts.is_empty() { troubles.iter().collect() } else { musts }
}

fn names(troubles: &[&Trouble]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for trouble in troubles {
        if !names.contains(&trouble.criterion.as_str()) {
            names.push(&trouble.criterion);
        }
    }
    names.join(", ")
}

fn of<'a>(troubles: &[&'a Trouble], fate: Fate, beyond_chance: bool) -> Vec<&'a Trouble> {
    troubles.iter().copied().filter(|trouble| trouble.fate == fate && trouble.beyond_chance == beyond_chance).collect()
}

fn staying<'a>(troubles: &[&'a Trouble]) -> Vec<&'a Trouble> {
    troubles.iter().copied().filter(|trouble| trouble.fate == Fate::Stays).collect()
}

fn place(position: Position) -> &'static str {
    match position {
        Position::Ont => "at the terminal",
        Position::Modem => "at the modem",
        Position::Gateway => "behind the gateway",
        Position::Inside => "inside the home",
    }
}

fn segment_of(record: &Record) -> Option<Segment> {
    record.isolation.as_ref().and_then(|isolation| isolation.segment)
}

fn next_of(record: &Record) -> Vec<String> {
    record.isolation.as_ref().map(|isolation| isolation.next.clone()).unwrap_or_default()
}

/// `inner` is further in the home; troubles are told from it to the outer one.
fn moved([inner, outer]: [&Record; 2], troubles: &[Trouble]) -> Told {
    let (here, there) = (place(inner.place.position), place(outer.place.position));
    let weighty = weighty(troubles);
    let (gone, stays) = (of(&weighty, Fate::Gone, true), staying(&weighty));
    let also = |told: &mut String, more: &[&Trouble], what: &str| {
        if !more.is_empty() {
            *told += "; ";
            *told += &names(more);
            *told += " ";
            *told += what;
        }
    };
    if !gone.is_empty() {
        let mut told =
            format!("{} is missed {here} and met {there}: that trouble lies between the two places, in the home", names(&gone));
        also(&mut told, &stays, "is missed at both, and lies elsewhere");
        let next = vec![format!(
            "look at what stands between: the gateway, its cables and radio; then repeat the visit {here} to see it gone"
        )];
        return (Some(Segment::Home), told, next);
    }
    if !stays.is_empty() {
        let segment = segment_of(outer).filter(|segment| *segment != Segment::Home);
        let told = format!("{} is missed {here} and {there} alike: nothing between the two places explains it", names(&stays));
        return (segment, told, next_of(outer));
    }
    let by_chance = of(&weighty, Fate::Gone, false);
    if !by_chance.is_empty() {
        let told = format!("{} is missed {here} and met {there}, but by no more than chance can make", names(&by_chance));
        return (None, told, vec!["repeat both visits at the depth soak: more samples tell the two places apart".to_owned()]);
    }
    let new: Vec<&Trouble> = weighty.iter().copied().filter(|trouble| trouble.fate == Fate::New).collect();
    if !new.is_empty() {
        let told = format!(
            "{} is met {here} and missed {there}: it came up meanwhile, or lies in the plug and the settings {there}",
            names(&new)
        );
        return (
            None,
            told,
            vec![format!("repeat the visit {here}: if it is still met there, look at cable, port and settings {there}")],
        );
    }
    if !weighty.is_empty() {
        let told = format!("{} is missed at one place and not proven at the other", names(&weighty));
        return (None, told, vec!["repeat the visit that did not prove it, at the depth soak".to_owned()]);
    }
    (None, format!("no limit is missed {here} or {there}"), Vec::new())
}

fn repeated(first: &Record, second: &Record, troubles: &[Trouble], changes: &[Change]) -> Told {
    let weighty = weighty(troubles);
    let (gone, new, stays) = (of(&weighty, Fate::Gone, true), of(&weighty, Fate::New, true), staying(&weighty));
    let mut parts = Vec::new();
    for (some, what) in [
        (&gone, "was missed and is met now"),
        (&new, "was met and is missed now"),
        (&stays, "is missed as before"),
        (&of(&weighty, Fate::Gone, false), "was missed and is met now, but chance can make that difference"),
        (&of(&weighty, Fate::New, false), "was met and is missed now, but chance can make that difference"),
    ] {
        if !some.is_empty() {
            parts.push(format!("{} {what}", names(some)));
        }
    }
    let (segment, next) = if !new.is_empty() || !stays.is_empty() {
        (segment_of(second), next_of(second))
    } else if !gone.is_empty() {
        (segment_of(first), vec!["keep both records: the second shows that what the first found is gone".to_owned()])
    } else {
        (None, Vec::new())
    };
    if parts.is_empty() {
        let count = |course| changes.iter().filter(|change| change.course == course).count();
        parts.push(match (count(Course::Worse), count(Course::Better)) {
            (0, 0) => format!("no limit is missed, and nothing that has one changed beyond chance ({:.0} %)", CONFIDENCE * 100.0),
            (worse, better) => format!("no limit is missed in either; {worse} figure(s) came nearer to their limit and {better} moved away, beyond chance"),
        });
    }
    (segment, parts.join("; "), next)
}
