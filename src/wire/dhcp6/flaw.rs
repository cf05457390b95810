//! What can be odd about a message.

/// Odd, but readable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Flaw {
    /// A message type that no standard knows.
    #[error("message type {0} is unknown")]
    UnknownType(u8),
    /// An option claims more octets than there are left; it and what follows is lost.
    #[error("option {code} claims {claimed} octets, {left} are left")]
    Cut {
        /// The option.
        code: u16,
        /// Octets that it claims.
        claimed: u16,
        /// Octets that there are.
        left: usize,
    },
    /// Octets at an end that are too few for an option.
    #[error("{0} octets at the end are no option")]
    LeftOver(usize),
    /// An option whose length or value is not what its kind has; kept as [`super::Item::Other`].
    #[error("option {0} is not of its kind's form")]
    Form(u16),
    /// An option that must stand once stands again (section 24: the first counts here).
    #[error("option {0} stands more than once")]
    Repeated(u16),
    /// An option that does not belong there: an address outside of an association.
    #[error("option {0} does not belong where it stands")]
    Misplaced(u16),
    /// T1 behind T2 (sections 21.4 and 21.21): a client discards the association.
    #[error("association {0} is to be renewed later than rebound (T1 above T2)")]
    Times(u32),
    /// Preferred for longer than valid (sections 21.6 and 21.22): a client discards it.
    #[error("an address or prefix is preferred for longer than it is valid")]
    Lifetimes,
    /// A prefix with bits behind its length (section 21.22 wants them ignored).
    #[error("a prefix has bits set behind its length of {0}")]
    PrefixBits(u8),
}
