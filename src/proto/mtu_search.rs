//! The search for a path's MTU by probes of growing certainty, after RFC 4821 section 7 and RFC 8899 section 5.3.
//!
//! It knows no socket and no clock: it names a size, and is told whether a packet of that size arrived, was lost in all tries, or
//! was refused by a router that named an MTU. What routers say only guides it (RFC 8899 section 4.6.1): every size that it
//! reports was proven by a packet that arrived. The hard thing: large packets that vanish without a word (a blackhole) and
//! a plain small MTU give the same sizes, so it remembers whether anybody said why.

/// Sizes that links have, largest first (RFC 1191 section 7.1 and common practice: tunnels, PPPoE, PPPoA).
const USUAL: &[u16] =
    &[9000, 4352, 2002, 1500, 1492, 1480, 1478, 1472, 1464, 1460, 1454, 1452, 1430, 1420, 1400, 1280, 1006, 576];

/// A search.
#[derive(Debug, Clone)]
pub struct MtuSearch {
    floor: u16,
    ceiling: u16,
    /// Largest size that arrived; below the floor: none yet.
    passed: u16,
    /// Smallest size that did not; above the ceiling: none yet.
    lost: u32,
    told: Option<u16>,
    broken: bool,
}

/// What a search found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Found {
    /// Largest packet that arrives, octets of IP.
    pub mtu: u16,
    /// True when the largest packet that was asked about arrives: the path may carry larger ones still.
    pub at_ceiling: bool,
    /// The MTU that a router named when it refused a packet; zero when it refused and named none that makes sense.
    pub told: Option<u16>,
}

impl Found {
    /// Packets above the MTU vanish and no router says so: senders that wait for its word (RFC 1191) never learn.
    pub fn is_blackhole(&self) -> bool {
        !self.at_ceiling && self.told.is_none()
    }
}

impl MtuSearch {
    /// A search between two sizes, octets of IP. A floor above the ceiling is lowered to it.
    pub fn new(floor: u16, ceiling: u16) -> Self {
        let floor = floor.min(ceiling);
        Self { floor, ceiling, passed: floor.saturating_sub(1), lost: u32::from(ceiling) + 1, told: None, broken: false }
    }

    /// The size to try now; `None` when the search is over.
    pub fn size(&self) -> Option<u16> {
        if self.broken || u32::from(self.passed) + 1 >= self.lost {
            return None;
        }
        if self.passed < self.floor {
            return Some(self.floor);
        }
        if self.lost > u32::from(self.ceiling) {
            return Some(self.ceiling);
        }
        let open = |size: &u16| *size > self.passed && u32::from(*size) < self.lost;
        if let Some(told) = self.told.filter(open) {
            return Some(told);
        }
        // One above what passed, where that is a usual size: most paths end there.
        if self.passed > self.floor && (USUAL.contains(&self.passed) || self.told == Some(self.passed)) {
            return Some(self.passed + 1);
        }
        // The usual sizes first: the largest is the likeliest, then halves of them, then halves of what lies between two.
        let usual: Vec<u16> = USUAL.iter().copied().filter(open).collect();
        let at = if self.lost == u32::from(self.ceiling) { 0 } else { usual.len() / 2 };
        let middle = u16::try_from(u32::midpoint(u32::from(self.passed), self.lost)).unwrap_or(self.ceiling);
        Some(usual.get(at).copied().unwrap_or(middle))
    }

    /// A packet of this size arrived.
    pub fn on_passed(&mut self, size: u16) {
        self.passed = self.passed.max(size);
        // A path that changed meanwhile: what is larger and was lost is asked again.
        if u32::from(self.passed) >= self.lost {
            self.lost = u32::from(self.ceiling) + 1;
        }
    }

    /// All tries of this size were lost, without a word.
    pub fn on_lost(&mut self, size: u16) {
        if size <= self.floor {
            self.broken = true;
        }
        self.lost = self.lost.min(u32::from(size));
    }

    /// A router said that a packet of this size is too large for a link of that MTU. A claim that makes no sense (not below
    /// the size, or below the floor) says only that it was refused.
    pub fn on_refused(&mut self, size: u16, mtu: u16) {
        if size <= self.floor {
            self.broken = true;
        }
        let sane = (self.floor..size).contains(&mtu);
        self.told = Some(if sane { mtu } else { self.told.unwrap_or(0) });
        self.lost = self.lost.min(u32::from(size));
    }

    /// The result once [`MtuSearch::size`] gives none; `None` before, and when not even the smallest size arrives.
    pub fn found(&self) -> Option<Found> {
        let over = self.size().is_none() && !self.broken && self.passed >= self.floor;
        over.then_some(Found { mtu: self.passed, at_ceiling: self.passed >= self.ceiling, told: self.told })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs a search on a path of this MTU; `says` is whether its router says so. Returns the result and the sizes tried.
    fn search(mtu: u16, says: bool, floor: u16, ceiling: u16) -> (Option<Found>, Vec<u16>) {
        let mut search = MtuSearch::new(floor, ceiling);
        let mut tried = Vec::new();
        while let Some(size) = search.size() {
            assert!(tried.len() < 40, "never ends: {tried:?}");
            tried.push(size);
            match (size <= mtu, says) {
                (true, _) => search.on_passed(size),
                (false, true) => search.on_refused(size, mtu),
                (false, false) => search.on_lost(size),
            }
        }
        (search.found(), tried)
    }

    #[test]
    fn a_path_as_wide_as_the_port_is_proven_with_two_probes() {
        let (found, tried) = search(1500, true, 576, 1500);
        assert_eq!((found, tried), (Some(Found { mtu: 1500, at_ceiling: true, told: None }), vec![576, 1500]));
    }

    /// The case of the standard's readers: a blackhole of true MTU 1492 is found by probing alone.
    #[test]
    fn a_blackhole_of_1492_is_found_without_any_word() {
        let (found, tried) = search(1492, false, 576, 1500);
        assert_eq!(found, Some(Found { mtu: 1492, at_ceiling: false, told: None }), "{tried:?}");
        assert!(found.unwrap().is_blackhole() && tried.len() <= 4, "{tried:?}");
    }

    #[test]
    fn a_router_that_says_so_makes_it_a_plain_small_mtu() {
        let (found, tried) = search(1400, true, 576, 1500);
        assert_eq!(found, Some(Found { mtu: 1400, at_ceiling: false, told: Some(1400) }));
        assert!(!found.unwrap().is_blackhole() && tried == [576, 1500, 1400, 1401], "{tried:?}");
    }

    #[test]
    fn a_router_that_names_nonsense_guides_nobody() {
        let mut search = MtuSearch::new(576, 1500);
        search.on_passed(576);
        for nonsense in [0, 68, 1500, 9000] {
            let mut search = search.clone();
            search.on_refused(1500, nonsense);
            assert_eq!(search.size(), Some(1492), "next-hop MTU {nonsense}: the next usual size");
        }
    }

    #[test]
    fn nothing_that_arrives_at_all_gives_no_result() {
        let (found, tried) = search(500, false, 576, 1500);
        assert_eq!((found, tried), (None, vec![576]));
        assert_eq!(search(1500, true, 1500, 1400).0.map(|f| f.mtu), Some(1400));
    }

    proptest::proptest! {
        #[test]
        fn every_mtu_is_found_to_the_octet(mtu in 576_u16..=9000, says: bool, ceiling in 577_u16..=9000) {
            let (found, tried) = search(mtu, says, 576, ceiling);
            let found = found.expect("the floor passes");
            proptest::prop_assert_eq!(found.mtu, mtu.min(ceiling), "{:?}", &tried);
            proptest::prop_assert_eq!(found.is_blackhole(), mtu < ceiling && !says);
            proptest::prop_assert!(tried.len() <= 24, "{:?}", &tried);
        }
    }
}
