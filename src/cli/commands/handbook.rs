//! `handbook`: manual pages and completions, written from the flags themselves for whoever packages the program.

use std::path::Path;

use clap::CommandFactory;
use clap_complete::Shell;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{Cli, HandbookArgs};

/// Runs `handbook`.
pub(in crate::cli) fn run(args: &HandbookArgs) -> Result<Exit, Failure> {
    write(&args.directory)
        .map_err(|error| Failure::could_not_run(format_args!("writing below {}: {error}", args.directory.display())))?;
    Ok(Exit::Pass)
}

fn write(directory: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(directory)?;
    // A page for the program and one for each command, `doorstep-verify.1`.
    clap_mangen::generate_to(Cli::command(), directory)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Cli::command(), "doorstep", directory)?;
    }
    Ok(())
}
