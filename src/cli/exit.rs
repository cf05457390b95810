//! Exit statuses: the contract with scripts. Documented in the README and in `--help`.

use crate::judge::Verdict;

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Verdict pass, or the command did what it was asked.
    Pass,
    /// Verdict fail.
    Fail,
    /// The command line, a profile or another input file is wrong.
    Usage,
    /// The evidence can't carry a verdict either way.
    NotProven,
    /// Could not run: rights, interface, or a service that can't start.
    CouldNotRun,
}

impl Exit {
    /// The number that the shell sees.
    pub fn code(self) -> u8 {
        match self {
            Self::Pass => 0,
            Self::Fail => 1,
            Self::Usage => 2,
            Self::NotProven => 3,
            Self::CouldNotRun => 4,
        }
    }
}

impl From<Verdict> for Exit {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Pass => Self::Pass,
            Verdict::Fail => Self::Fail,
            Verdict::NotProven | Verdict::NotTested => Self::NotProven,
        }
    }
}
