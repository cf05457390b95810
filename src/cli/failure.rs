//! Why a command could not do what it was asked: an exit status and a sentence that says what to do.

use std::fmt::Display;

use super::exit::Exit;

/// A failed command.
#[derive(Debug)]
pub struct Failure {
    /// The exit status.
    pub exit: Exit,
    /// What to tell, without "error:".
    pub message: String,
}

impl Failure {
    /// The command line or an input file is wrong.
    pub(super) fn usage(message: impl Display) -> Self {
        Self { exit: Exit::Usage, message: message.to_string() }
    }

    /// It can't run here or now.
    pub(super) fn could_not_run(message: impl Display) -> Self {
        Self { exit: Exit::CouldNotRun, message: message.to_string() }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::could_not_run(format_args!("cannot write the result: {error}"))
    }
}
