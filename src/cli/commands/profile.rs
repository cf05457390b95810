//! `profile`: the tiers inside the program, and own ones.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{AccessArg, ProfileAction, ProfileArgs};
use super::super::{meaning, output};
use crate::check::{Access, registry};
use crate::judge;
use crate::plan::budget::{self, Bounds};
use crate::profile::{self, Profile};
use crate::proto::ppp::Login;
use crate::reading::names::check_of;
use crate::unit::{Depth, Position};
use crate::visit;

/// Runs `profile`.
pub(in crate::cli) fn run(args: &ProfileArgs) -> Result<Exit, Failure> {
    let text = match &args.action {
        ProfileAction::List => {
            let tiers = profile::list();
            let width = tiers.iter().map(|tier| tier.name.len()).max().unwrap_or(0);
            let lines: Vec<String> = tiers.iter().map(|tier| format!("{:<width$}  {}", tier.name, tier.title)).collect();
            lines.join("\n")
        }
        ProfileAction::Show { tier } => meaning::profile(tier)?.text,
        ProfileAction::Explain { tier, depth, access, until_certain, position } => {
            explain(&meaning::profile(tier)?, (*depth).into(), *access, (*position).into(), *until_certain)
        }
        ProfileAction::Schema => profile::schema::json_schema().trim_end().to_owned(),
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

/// What a visit would do for a tier, and what of it that depth can prove.
fn explain(tier: &Profile, depth: Depth, access: AccessArg, position: Position, until_certain: bool) -> String {
    let access = match access {
        AccessArg::Ethernet => Access::Ethernet,
        // Nobody logs in: the plan only has to know that somebody would.
        AccessArg::Pppoe => Access::Pppoe(Login::new("", "")),
    };
    let checks = registry(&access, depth, visit::services(Some(tier)));
    let specs: Vec<_> = checks.iter().map(|check| check.spec()).collect();
    let setting = judge::Setting { depth, access: access.kind(), position };
    let bounds = Bounds {
        load_agreed: true,
        without: meaning::without_by_access(&access).into_iter().collect(),
        until_certain: meaning::until_certain(until_certain, Some(tier), setting, &checks),
        ..Bounds::default()
    };
    let plan = budget::plan(&specs, &visit::volume(Some(tier), depth), &bounds);
    let samples = |reading: &str| checks.iter().find_map(|check| check.samples(reading, depth));
    let most = |reading: &str| {
        let step = plan.steps.iter().find(|step| step.spec.name == check_of(reading))?;
        Some(step.stretch?.most_of(samples(reading)?))
    };
    let proofs = judge::proofs(tier, setting, samples, most);
    let stated = tier.statement.as_ref().map_or_else(Vec::new, judge::statement::needs);
    format!(
        "{}: {}, at depth {depth}, position {position}\n\n{}",
        tier.name,
        tier.title,
        crate::report::explain_text(&plan, &proofs, tier.confidence(), &stated)
    )
}
