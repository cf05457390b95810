//! A visit that goes on with an earlier one: what is still to be proven, what that takes, and what both say together.
//!
//! [`fit`] says whether a record can be gone on with, [`open`] what is left to prove and how large a sample that takes, [`merged`] makes one record of
//! the two, figure by figure by [`figure`]. Pure: records in, records out. It must not know checks, sockets, files or how anything is shown.
//!
//! The hard thing is that going on only where nothing is proven yet is a second look at the same question: whoever looks often enough finds what chance
//! makes. So each further visit is held to half the risk of the one before ([`confidence`]), what was proven once is not asked again, and
//! what two visits say that differ beyond chance is never made one figure.

pub mod figure;
pub mod fit;
mod merge;
pub mod open;
mod subject;

pub use fit::Unfit;
pub use merge::merged;
pub use open::{Open, Wanted, wanted};

use crate::record::Record;

/// An earlier visit as its file was read.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// The record.
    pub record: Record,
    /// `sha256:` and 64 hexadecimal digits over the file.
    pub digest: String,
    /// What the check of its signature said, in words.
    pub signature: String,
}

impl Earlier {
    /// The confidence that a visit is held to which goes on with this one.
    pub fn next_confidence(&self, stated: f64) -> f64 {
        confidence(stated, self.record.continues.len() + 1)
    }
}

/// The confidence of a visit's intervals after so many earlier looks at the same limits.
///
/// The chance of a wrong verdict is halved with each look: a, a/2, a/4, ... add up to less than 2a however often one goes on (Boole's inequality, which
/// asks for no independence; sequential testing spends its error so: A. Wald's idea, the halving is *ours*). With verdicts on one end of
/// 95 % intervals: 2.5, 1.25, 0.625 per cent, together never 5.
pub fn confidence(stated: f64, looks_before: usize) -> f64 {
    1.0 - (1.0 - stated) / 2_f64.powi(looks_before.min(40) as i32)
}

#[cfg(test)]
mod tests;
