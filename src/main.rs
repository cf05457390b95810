//! Doormat: run the command, turn its result into an exit status, print an error in one place.

use std::process::ExitCode;

fn main() -> ExitCode {
    let exit = doorstep::cli::run().unwrap_or_else(|failure| {
        doorstep::cli::tell(&failure);
        failure.exit
    });
    ExitCode::from(exit.code())
}
