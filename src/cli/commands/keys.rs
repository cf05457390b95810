//! `keys`: this user's own key, and the keys that this user trusts.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{KeysAction, KeysArgs};
use super::super::{meaning, output};
use crate::record::sign::keys::{self, Keyring};

/// Runs `keys`.
pub(in crate::cli) fn run(args: &KeysArgs) -> Result<Exit, Failure> {
    let directory = keys::directory().map_err(Failure::could_not_run)?;
    let text = match &args.action {
        KeysAction::Show => {
            let own = keys::own(&directory, meaning::secret).map_err(Failure::could_not_run)?;
            own.public_key().map_or_else(String::new, |key| key.digits())
        }
        KeysAction::List => {
            let ring = Keyring::read(&directory).map_err(Failure::usage)?;
            let own = ring.own.iter().map(|key| format!("{}  {}  (own)", key.id(), key.digits()));
            let others = ring.trusted.iter().map(|one| format!("{}  {}  {}", one.key.id(), one.key.digits(), one.name));
            let lines: Vec<String> = own.chain(others).collect();
            if lines.is_empty() {
                output::note("no key is known yet; `doorstep keys show` makes the own one");
                return Ok(Exit::Pass);
            }
            lines.join("\n")
        }
        KeysAction::Trust { name, key } => {
            let key = keys::trust(&directory, name, key).map_err(Failure::usage)?;
            format!("{} ({name}) is trusted from now on", key.id())
        }
        KeysAction::Distrust { name } => {
            keys::distrust(&directory, name).map_err(Failure::usage)?;
            format!("{name} is no longer trusted")
        }
    };
    output::result(&text)?;
    Ok(Exit::Pass)
}
