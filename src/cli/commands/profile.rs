//! `profile`: the tiers inside the program, and own ones.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{ProfileAction, ProfileArgs};
use super::super::{meaning, output};
use crate::profile;

/// Runs `profile`.
pub(in crate::cli) fn run(args: &ProfileArgs) -> Result<Exit, Failure> {
    let text = match &args.action {
        ProfileAction::List => {
            let lines: Vec<String> = profile::list().iter().map(|tier| format!("{:<16} {}", tier.name, tier.title)).collect();
            lines.join("\n")
        }
        ProfileAction::Show { tier } => meaning::profile(tier)?.text,
        ProfileAction::Validate { file } => {
            // A bare file name must not be looked up among the tiers inside the program.
            let path = if file.components().count() == 1 { std::path::Path::new(".").join(file) } else { file.clone() };
            let tier = meaning::profile(&path.to_string_lossy())?;
            format!("{} is a valid tier: {}, {} criteria", file.display(), tier.name, tier.criteria.len())
        }
    };
    output::result(&text)?;
    Ok(Exit::Pass)
}
