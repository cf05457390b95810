//! Where a name stands in the zone, and its neighbours in the order of names (RFC 4034 section 6.1). Pure.

use hickory_proto::rr::{Name, RecordType};

use crate::wire::dns::facts::TEXT_OCTETS;

/// A place of the zone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Place {
    /// The zone's own name.
    Apex,
    /// A name that has names below it and nothing else.
    Between,
    /// `LABEL.u`.
    Unique(String),
    /// `LABEL.big`.
    Big,
    /// `LABEL.tOCTETS`.
    Text(u16),
    /// `LABEL.RUN.who`.
    Who {
        /// `RUN.who` and the zone.
        parent: Name,
    },
    /// `LABEL.seen`.
    Seen(String),
    /// `LABEL.bad`.
    Bad(String),
    /// `plain`: where the zone that is not signed begins.
    PlainApex,
    /// `LABEL.plain`.
    Plain(String),
    /// No such name.
    Nowhere,
}

impl Place {
    /// Types of the records there, beside those of NSEC and its signature; of `plain` what the parent knows.
    pub(super) fn kinds(&self) -> &'static [RecordType] {
        match self {
            Self::Apex => &[RecordType::SOA, RecordType::DNSKEY],
            Self::Unique(_) | Self::Big | Self::Bad(_) | Self::Plain(_) => &[RecordType::A],
            Self::Text(_) | Self::Who { .. } | Self::Seen(_) => &[RecordType::TXT],
            Self::PlainApex => &[RecordType::NS],
            Self::Between | Self::Nowhere => &[],
        }
    }
}

/// The place of a name that is in the zone; both in lower case.
pub(super) fn locate(zone: &Name, name: &Name) -> Place {
    let depth = usize::from(name.num_labels().saturating_sub(zone.num_labels()));
    let labels: Vec<String> = name.iter().take(depth).map(|label| String::from_utf8_lossy(label).into_owned()).collect();
    let labels: Vec<&str> = labels.iter().map(String::as_str).collect();
    let octets = |label: &str| TEXT_OCTETS.into_iter().find(|octets| label == format!("t{octets}"));
    match labels[..] {
        [] => Place::Apex,
        ["u" | "big" | "who" | "seen" | "bad"] | [_, "who"] => Place::Between,
        ["plain"] => Place::PlainApex,
        [label] if octets(label).is_some() => Place::Between,
        [label, "u"] => Place::Unique(label.to_owned()),
        [_, "big"] => Place::Big,
        [label, "seen"] => Place::Seen(label.to_owned()),
        [label, "bad"] => Place::Bad(label.to_owned()),
        [label, "plain"] => Place::Plain(label.to_owned()),
        [_, _, "who"] => Place::Who { parent: name.base_name() },
        [_, parent] => octets(parent).map_or(Place::Nowhere, Place::Text),
        _ => Place::Nowhere,
    }
}

/// The highest name at or above this one, which does not exist, that does not exist either (RFC 5155 section 1.3 calls it
/// the next closer name).
pub(super) fn next_closer(zone: &Name, name: &Name) -> Option<Name> {
    let mut missing = name.clone();
    while missing != *zone && zone.zone_of(&missing) {
        let above = missing.base_name();
        if locate(zone, &above) != Place::Nowhere {
            return Some(missing);
        }
        missing = above;
    }
    None
}

/// A name shortly before this one, so that no name of the zone is between them: the last octet of the first label one less,
/// and an octet 255 behind it where there is room.
pub(super) fn predecessor(name: &Name) -> Option<Name> {
    let mut label = name.iter().next()?.to_vec();
    let last = label.last_mut()?;
    // No label of a question for the far end's zone ends in an octet 0; such a name gets no proof.
    *last = last.checked_sub(1)?;
    if label.len() < 63 && name.len() < 255 {
        label.push(0xff);
    }
    name.base_name().prepend_label(label.as_slice()).ok()
}

/// A name right after this one and all names below it, beside it: an octet 0 behind its first label, or the last octet one
/// more where there is no room. What denies a name must not name a child of it as the next, for then it would exist.
pub(super) fn next_beside(name: &Name) -> Option<Name> {
    let mut label = name.iter().next()?.to_vec();
    if label.len() < 63 && name.len() < 254 {
        label.push(0);
    } else {
        let last = label.last_mut()?;
        *last = last.checked_add(1)?;
    }
    name.base_name().prepend_label(label.as_slice()).ok()
}

/// The name right after this one: its first child, a label of one octet 0.
pub(super) fn successor(name: &Name) -> Option<Name> {
    name.prepend_label([0_u8].as_slice()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_enclose_the_name_alone_in_canonical_order() {
        let name = |text: &str| Name::from_ascii(text).unwrap();
        for text in ["n1-ab.probe.example.net.", "*.probe.example.net.", "a.probe.example.net."] {
            let (before, here, after) = (predecessor(&name(text)).unwrap(), name(text), next_beside(&name(text)).unwrap());
            assert!(before < here && here < after, "{before} {here} {after}");
            let below = successor(&here).unwrap();
            assert!(here < below && below < after, "a name below a missing one is missing too");
            assert!(!here.zone_of(&after), "a child as the next name would make it exist (RFC 4592 section 2.2.2)");
            for other in ["u", "big", "who", "seen", "bad", "plain", "t1200", "t1400", "t3000"] {
                let other = name(&format!("{other}.probe.example.net."));
                assert!(other < before || after < other, "{other} is not between {before} and {after}");
            }
        }
    }

    #[test]
    fn the_next_closer_name_is_right_below_what_exists() {
        let zone = Name::from_ascii("probe.example.net.").unwrap();
        let rows = [
            ("x.probe.example.net.", "x.probe.example.net."),
            ("c.b.x.probe.example.net.", "x.probe.example.net."),
            ("c.b.a.u.probe.example.net.", "b.a.u.probe.example.net."),
        ];
        for (name, want) in rows {
            assert_eq!(next_closer(&zone, &Name::from_ascii(name).unwrap()), Name::from_ascii(want).ok(), "{name}");
        }
    }
}
