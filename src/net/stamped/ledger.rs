//! Which send a transmit stamp's number belongs to, and both stamps of one send where two are awaited.
//!
//! It knows no socket. The hard thing: the adapter's stamp comes behind the kernel's, or, where the adapter was busy with another
//! packet, never.

use std::collections::VecDeque;
use std::time::Instant;

use super::SendKey;
use crate::unit::Stamp;

/// Sends whose transmit stamp may be outstanding; the oldest is forgotten beyond, and then has its user stamp only.
pub(super) const OUTSTANDING_STAMPS: usize = 4096;

/// The sends of one socket that wait for a stamp.
#[derive(Debug, Default)]
pub(in crate::net) struct Ledger {
    next_key: u64,
    next_number: u32,
    /// Oldest first.
    outstanding: VecDeque<Outstanding>,
}

#[derive(Debug)]
struct Outstanding {
    /// The kernel's number.
    number: u32,
    key: SendKey,
    kernel: Option<(Stamp, Instant)>,
    adapter_ns: Option<i64>,
}

impl Ledger {
    pub(in crate::net) fn sent(&mut self, user_ns: i64) -> SendKey {
        let key = SendKey { number: self.next_key, user_ns };
        self.next_key += 1;
        if self.outstanding.len() == OUTSTANDING_STAMPS {
            self.outstanding.pop_front();
        }
        self.outstanding.push_back(Outstanding { number: self.next_number, key, kernel: None, adapter_ns: None });
        self.next_number = self.next_number.wrapping_add(1);
        key
    }

    /// The kernel counts from zero again. Older sends that still wait for their stamp can't be told from new ones with
    /// the same number, so they keep their user stamp.
    pub(in crate::net) fn restarted(&mut self) {
        self.next_number = 0;
        self.outstanding.clear();
    }

    /// The send of a number, which waits for no more.
    pub(in crate::net) fn stamped(&mut self, number: u32) -> Option<SendKey> {
        let at = self.position(number)?;
        self.outstanding.remove(at).map(|send| send.key)
    }

    /// Takes one of the two stamps of a send; gives both as one when it has them.
    pub(super) fn stamped_by_one(
        &mut self,
        number: u32,
        kernel: Option<(Stamp, Instant)>,
        adapter_ns: Option<i64>,
    ) -> Option<(SendKey, Stamp, Instant)> {
        let position = self.position(number)?;
        let send = self.outstanding.get_mut(position)?;
        send.kernel = send.kernel.or(kernel);
        send.adapter_ns = send.adapter_ns.or(adapter_ns);
        let ((stamp, at), adapter_ns) = (send.kernel?, Some(send.adapter_ns?));
        let key = send.key;
        self.outstanding.remove(position);
        Some((key, Stamp { adapter_ns, ..stamp }, at))
    }

    /// The oldest send that has the kernel's stamp and still waits for the adapter's: it waits no longer.
    pub(super) fn overdue(&mut self) -> Option<(SendKey, Stamp, Instant)> {
        let position = self.outstanding.iter().position(|send| send.kernel.is_some())?;
        let send = self.outstanding.remove(position)?;
        send.kernel.map(|(stamp, at)| (send.key, stamp, at))
    }

    /// Sends that wait.
    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        self.outstanding.len()
    }

    fn position(&self, number: u32) -> Option<usize> {
        self.outstanding.iter().position(|send| send.number == number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::StampSource;

    fn kernel(unix_ns: i64, at: Instant) -> Option<(Stamp, Instant)> {
        Some((Stamp { unix_ns, source: StampSource::Kernel, adapter_ns: None }, at))
    }

    #[test]
    fn both_stamps_of_a_send_are_told_as_one_in_whichever_order_they_come() {
        let (mut ledger, at) = (Ledger::default(), Instant::now());
        let (first, second) = (ledger.sent(1), ledger.sent(2));
        assert_eq!(ledger.stamped_by_one(0, kernel(100, at), None), None);
        assert_eq!(ledger.stamped_by_one(1, None, Some(8)), None);
        let told = ledger.stamped_by_one(0, None, Some(7)).expect("both");
        assert_eq!((told.0, told.1.unix_ns, told.1.source, told.1.adapter_ns), (first, 100, StampSource::Kernel, Some(7)));
        let told = ledger.stamped_by_one(1, kernel(200, at), None).expect("both");
        assert_eq!((told.0, told.1.unix_ns, told.1.adapter_ns), (second, 200, Some(8)));
        assert_eq!(ledger.stamped_by_one(1, kernel(300, at), None), None, "each is told once");
    }

    #[test]
    fn a_send_that_the_adapter_left_out_is_told_with_the_kernel_s_stamp_when_it_must() {
        let (mut ledger, at) = (Ledger::default(), Instant::now());
        let (first, second) = (ledger.sent(1), ledger.sent(2));
        assert_eq!(ledger.overdue(), None, "neither stamp is there");
        assert_eq!(ledger.stamped_by_one(1, kernel(200, at), None), None);
        let told = ledger.overdue().expect("waits");
        assert_eq!((told.0, told.1.unix_ns, told.1.adapter_ns), (second, 200, None));
        assert_eq!((ledger.overdue(), ledger.stamped_by_one(1, None, Some(9))), (None, None));
        assert_eq!(ledger.stamped(0), Some(first));
    }
}
