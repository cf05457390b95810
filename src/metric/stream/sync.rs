//! Whether a receiver keeps step with the packets: lost after two wrong sync octets one behind the other, regained after five right ones
//! (TR 101 290 1.1 and 1.2, from memory).

/// Wrong ones that lose it.
const LOSES: u8 = 2;
/// Right ones that regain it.
const REGAINS: u8 = 5;

/// The state; it begins in step.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Sync {
    is_lost: bool,
    /// Octets one behind the other that speak against the state.
    against: u8,
}

/// What an octet changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Step was lost.
    Lost,
    /// It was regained.
    Regained,
}

impl Sync {
    /// Takes the next sync octet.
    pub fn on_octet(&mut self, is_right: bool) -> Option<Change> {
        if is_right != self.is_lost {
            self.against = 0;
            return None;
        }
        self.against += 1;
        let wanted = if self.is_lost { REGAINS } else { LOSES };
        if self.against < wanted {
            return None;
        }
        *self = Self { is_lost: !self.is_lost, against: 0 };
        Some(if self.is_lost { Change::Lost } else { Change::Regained })
    }

    /// Whether packets can't be looked into now.
    pub fn is_lost(&self) -> bool {
        self.is_lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_wrong_lose_it_and_five_right_regain_it() {
        let mut sync = Sync::default();
        let mut of = |octets: &str| -> Vec<Option<Change>> { octets.chars().map(|octet| sync.on_octet(octet == '1')).collect() };
        assert!(of("1011101").iter().all(Option::is_none), "single ones are no loss");
        assert_eq!(of("00")[1], Some(Change::Lost));
        assert!(of("0111101111").iter().all(Option::is_none));
        assert_eq!(of("1"), [Some(Change::Regained)]);
        assert!(!sync.is_lost());
    }
}
