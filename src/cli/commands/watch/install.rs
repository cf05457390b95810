//! `watch install` and `watch remove`: the watch as a service of systemd.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::super::super::exit::Exit;
use super::super::super::failure::Failure;
use super::super::super::flags::watch::WatchPlan;
use super::super::super::{meaning, output};
use super::{policy, sensible, unit};
use crate::record::store;

/// Where an administrator's units are (systemd.unit(5), "Unit file load path").
const UNITS: &str = "/etc/systemd/system";
/// Units that are started with the machine (systemd.special(7)).
const WANTED: &str = "multi-user.target.wants";

/// Writes the unit and starts it, or only prints it.
pub(super) fn install(plan: &WatchPlan, print: bool) -> Result<Exit, Failure> {
    sensible(plan)?;
    // What can't work is told now and not by the service's log.
    meaning::profile(plan.tier())?;
    policy(plan, jiff::Timestamp::now())?;
    let program = std::env::current_exe().map_err(|error| {
        Failure::could_not_run(format_args!("finding this program's own file: {error}; install it to a place that stays"))
    })?;
    let (words, files) = unit::handed_over(&typed(), |word| fs::canonicalize(word).ok().filter(|path| path.is_file()));
    let text = unit::text(&plan.name, &program, &words, &files);
    if print {
        output::result(&text)?;
        return Ok(Exit::Pass);
    }
    let path = Path::new(UNITS).join(unit::name(&plan.name));
    write(&path, &text)?;
    enable(&path)?;
    output::result(&format!("{} is written and is started with the machine.", path.display()))?;
    let started = systemctl(&["daemon-reload"]) && systemctl(&["restart", &unit::name(&plan.name)]);
    output::note(if started {
        "It runs now; `doorstep watch status` tells what it does, `journalctl -u` with its name what it said."
    } else {
        "It was not started: no systemd answers here. It starts with the machine, or by `systemctl start` with its name."
    });
    Ok(Exit::Pass)
}

/// Stops the service and takes its unit away; records stay.
pub(super) fn remove(name: &str) -> Result<Exit, Failure> {
    let unit = unit::name(name);
    let path = Path::new(UNITS).join(&unit);
    if !path.exists() {
        return Err(Failure::usage(format_args!("{} does not exist: no watch `{name}` is installed", path.display())));
    }
    systemctl(&["stop", &unit]);
    let gone = match fs::remove_file(link(&path)) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
        _ => fs::remove_file(&path),
    };
    gone.map_err(|error| refused(&path, &error))?;
    systemctl(&["daemon-reload"]);
    output::result(&format!("{} is gone; the records under {} stay.", path.display(), unit::STATE))?;
    Ok(Exit::Pass)
}

/// What was typed behind `watch install`.
fn typed() -> Vec<String> {
    let mut words = std::env::args().skip_while(|word| word != "install");
    words.next();
    words.filter(|word| word != "--print").collect()
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    store::write_document(path, text.as_bytes()).map_err(Failure::could_not_run)?;
    // The service manager's files are everybody's to read: nothing secret stands in them.
    fs::set_permissions(path, fs::Permissions::from_mode(0o644)).map_err(|error| refused(path, &error))
}

fn enable(path: &Path) -> Result<(), Failure> {
    let link = link(path);
    let directory = link.parent().unwrap_or_else(|| Path::new(UNITS));
    let done = fs::create_dir_all(directory).and_then(|()| match std::os::unix::fs::symlink(path, &link) {
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        other => other,
    });
    done.map_err(|error| refused(&link, &error))
}

fn link(path: &Path) -> PathBuf {
    Path::new(UNITS).join(WANTED).join(path.file_name().unwrap_or_default())
}

fn refused(path: &Path, error: &std::io::Error) -> Failure {
    Failure::could_not_run(format_args!("{}: {error}; services are installed and removed with sudo", path.display()))
}

/// Whether systemd did it; what it says goes to standard error.
fn systemctl(arguments: &[&str]) -> bool {
    // As sd_booted(3) tells.
    Path::new("/run/systemd/system").exists()
        && Command::new("systemctl").args(arguments).status().is_ok_and(|status| status.success())
}
