//! Who made the stations that were met: from their hardware addresses and, where the machine has it, IEEE's public list of
//! assignments. The list is not part of this program; without it the address block is told instead of a name.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::PathBuf;

use crate::wire::ethernet::Mac;
use crate::wire::oui::{Assignment, assignment, holder};

/// Names another place of the list.
const VARIABLE: &str = "DOORSTEP_OUI";
/// Where Linux distributions keep the list (common practice).
const PLACES: [&str; 4] =
    ["/usr/share/ieee-data/oui.txt", "/var/lib/ieee-data/oui.txt", "/usr/share/ieee-data/oui.csv", "/var/lib/ieee-data/oui.csv"];
/// Octets of the list that are read: several times what it has.
const LONGEST_LIST: u64 = 32 << 20;

/// What is known of the makers of some stations.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Makers(BTreeMap<Mac, String>);

impl Makers {
    /// Looks the makers of these stations up; reads the list only when one of them can be in it.
    pub(super) async fn of(stations: impl IntoIterator<Item = Mac>) -> Self {
        let stations: Vec<Mac> = stations.into_iter().collect();
        let is_listed = |mac: &Mac| matches!(assignment(*mac), Assignment::Universal(_));
        let list = if stations.iter().any(is_listed) { tokio::task::spawn_blocking(read).await.ok().flatten() } else { None };
        Self::named_by(list.as_deref().unwrap_or_default(), &stations)
    }

    fn named_by(list: &str, stations: &[Mac]) -> Self {
        let named = stations.iter().filter_map(|mac| match assignment(*mac) {
            Assignment::Universal(block) => Some((*mac, holder(list, block)?)),
            Assignment::Local | Assignment::Group => None,
        });
        Self(named.collect())
    }

    /// The maker of a station in words.
    pub(super) fn words(&self, mac: Mac) -> String {
        match (assignment(mac), self.0.get(&mac)) {
            (Assignment::Universal([a, b, c]), Some(name)) => format!("{name} (block {a:02x}-{b:02x}-{c:02x})"),
            (Assignment::Universal([a, b, c]), None) => format!("maker of block {a:02x}-{b:02x}-{c:02x}"),
            (Assignment::Local, _) => "locally administered, names no maker".to_owned(),
            (Assignment::Group, _) => "a group address, which no station has".to_owned(),
        }
    }
}

/// The list, from the first place that has it.
fn read() -> Option<String> {
    let named = std::env::var_os(VARIABLE).map(PathBuf::from);
    let mut file = named.into_iter().chain(PLACES.map(PathBuf::from)).find_map(|path| File::open(path).ok())?.take(LONGEST_LIST);
    let mut octets = Vec::new();
    file.read_to_end(&mut octets).ok()?;
    Some(String::from_utf8_lossy(&octets).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_maker_is_named_where_the_list_has_it_and_otherwise_the_block_is_told() {
        let [listed, unlisted, made_up] = [[0, 0, 0x5e, 0, 0x53, 1], [0, 0x11, 0x22, 0, 0, 1], [2, 0, 0x5e, 0, 1, 2]].map(Mac);
        let makers = Makers::named_by("00-00-5E   (hex)\t\tExample Numbers\n", &[listed, unlisted, made_up]);
        assert_eq!(makers.words(listed), "Example Numbers (block 00-00-5e)");
        assert_eq!(makers.words(unlisted), "maker of block 00-11-22");
        assert_eq!(makers.words(made_up), "locally administered, names no maker");
        assert_eq!(Makers::default().words(listed), "maker of block 00-00-5e");
    }
}
