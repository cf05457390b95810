//! Criteria that no figure can meet, that no visit can have a figure for, or that two of them give differently.
//!
//! Each is told with its place and with what would be right. Nothing is told that only might be wrong.

use super::criteria::RATE;
use crate::line::{Encapsulation, FullPacket, TcpOptions};
use crate::profile::{Bound, Criterion};
use crate::typed::table::{Document, Table};
use crate::unit::{AccessKind, Family};

/// Checks that run with one access only.
const BY_ACCESS: [(&str, AccessKind, &str); 2] =
    [("dhcp4.", AccessKind::Ethernet, "ethernet"), ("pppoe.", AccessKind::Pppoe, "pppoe")];

/// What is wrong with one criterion whatever the others say.
pub(super) fn by_itself(document: &Document<'_>, table: &Table<'_, '_>, criterion: &Criterion) {
    let name = criterion.reading.name;
    for (check, with, word) in BY_ACCESS {
        if let Some(place) =
            table.place("access").filter(|_| name.starts_with(check) && criterion.access.is_some_and(|a| a != with))
        {
            document.wrong(&place, format!("{name} is measured with access {word} only: write access = \"{word}\""));
        }
    }
}

/// What is wrong with a criterion beside those before it.
pub(super) fn with_others(document: &Document<'_>, table: &Table<'_, '_>, criterion: &Criterion, others: &[Criterion]) {
    if others.iter().any(|other| other.name == criterion.name) {
        document.wrong(&table.here(), format!("a second criterion with the name {:?}", criterion.name));
    }
    if let Some(other) = others.iter().find(|other| contradict(other, criterion)) {
        let what = format!(
            "no figure can meet this limit and that of {:?}: the one asks for more than the other allows; change one of them, or let \
             them hold at different depths, positions or directions",
            other.name
        );
        document.wrong(&table.here(), what);
    }
}

/// What the line as the profile has it can't give, however good it is.
pub(super) fn with_line(document: &Document<'_>, tables: &[Table<'_, '_>], line: &Encapsulation) {
    // Without the time stamps that most senders have: nothing carries more.
    let carried = |family| {
        let packet = FullPacket::new(line, family, TcpOptions::None);
        line.port_mbit * f64::from(packet.payload()) / packet.port_octets()
    };
    for table in tables {
        let (Some(reading), Some(least)) = (table.peek("reading"), table.peek_number("at_least")) else { continue };
        let port = line.port_mbit;
        let (most, why) = match reading {
            RATE => (carried(Family::Ipv4), format!("the port of {port} Mbit/s ([line] port) carries no more TCP payload")),
            "link.speed" => (line.port_mbit, format!("the profile's own port has {port} Mbit/s ([line] port)")),
            "mtu.path_mtu" => (f64::from(line.mtu), format!("the profile's own MTU is {} ([line] mtu)", line.mtu)),
            _ => continue,
        };
        if let Some(place) = table.place("at_least").filter(|_| least > most) {
            document.wrong(&place, format!("no line can meet this: {why}; ask for at most {}", most.floor()));
        }
    }
}

/// True when two criteria select a common reading in a common setting and leave no figure that meets both.
fn contradict(a: &Criterion, b: &Criterion) -> bool {
    fn meet<T: PartialEq>(a: Option<T>, b: Option<T>) -> bool {
        a.is_none() || b.is_none() || a == b
    }
    fn overlap<T: PartialEq>(a: &[T], b: &[T]) -> bool {
        a.is_empty() || b.is_empty() || a.iter().any(|one| b.contains(one))
    }
    // Without a word on load a figure is one of the idle line, so loads meet only where they are the same.
    let same = a.reading.name == b.reading.name
        && a.load == b.load
        && meet(a.target, b.target)
        && meet(a.direction, b.direction)
        && meet(a.family, b.family)
        && meet(a.access, b.access)
        && overlap(&a.depths, &b.depths)
        && overlap(&a.positions, &b.positions);
    let above = |least: Option<Bound>, most: Option<f64>| match (least, most) {
        (Some(Bound::Absolute(least)), Some(most)) => least > most,
        _ => false,
    };
    same && (above(a.at_least, b.at_most) || above(b.at_least, a.at_most))
}
