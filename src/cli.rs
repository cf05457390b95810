//! The command line: what was typed ([`flags`]), then what it means ([`meaning`]), then the command. The only room that prints.

mod commands;
pub mod exit;
mod failure;
pub mod flags;
mod login;
mod meaning;
mod output;
mod private;
mod progress;

use clap::Parser;
use clap::error::ErrorKind;

use exit::Exit;
pub use failure::Failure;
use flags::{Cli, Command};

/// Parses the command line and runs the command.
///
/// `demo` is looked at before anything starts a thread: without root it must enter a user namespace, which the kernel
/// allows to a single-threaded process only.
///
/// # Errors
/// What could not be done, with the exit status and the sentence to print.
pub fn run() -> Result<Exit, Failure> {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version go to standard output and are no error; a closed pipe is none either.
            let _ = error.print();
            let asked = matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion);
            return Ok(if asked { Exit::Pass } else { Exit::Usage });
        }
    };
    match cli.command {
        Command::Verify(args) => commands::verify::verify(&args),
        Command::Check(args) => commands::verify::check(&args),
        Command::Serve(args) => commands::serve::run(&args),
        Command::Report(args) => commands::report::run(&args),
        Command::Compare(args) => commands::compare::run(&args),
        Command::History(args) => commands::history::run(&args),
        Command::Watch(args) => commands::watch::run(&args),
        Command::Keys(args) => commands::keys::run(&args),
        Command::Handbook(args) => commands::handbook::run(&args),
        Command::Profile(args) => commands::profile::run(&args),
        Command::Demo(args) => commands::demo::run(&args),
    }
}

/// Writes a failure to standard error: the one place that does.
pub fn tell(failure: &Failure) {
    output::note(&format!("doorstep: {}", failure.message));
}
