//! What can be typed after `watch`.

use clap::{Args, Subcommand};
use jiff::SignedDuration;

use super::VisitArgs;
use crate::watch::Quiet;

/// Arguments of `watch`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct WatchArgs {
    /// What to do; without one, watch until the end or Ctrl-C.
    #[command(subcommand)]
    pub action: Option<WatchAction>,
    /// The watch.
    #[command(flatten)]
    pub plan: WatchPlan,
}

/// What is to be watched, and how often.
#[derive(Debug, Clone, Args)]
pub struct WatchPlan {
    /// Tier: a name from `profile list` or a TOML file.
    #[arg(long, short, value_name = "TIER", required = true)]
    pub profile: Option<String>,
    /// Time between two light visits: 15m, 1h, 1h30m. Light ones are of depth quick and fill no line.
    #[arg(long, value_name = "TIME", value_parser = duration, required_unless_present = "at", conflicts_with = "at")]
    pub every: Option<SignedDuration>,
    /// Light visits at the minutes that five fields name, as in a crontab (POSIX): minute, hour, day of the month, month, day of the week.
    #[arg(long, value_name = "FIELDS")]
    pub at: Option<String>,
    /// Time between two heavy visits, of the depth that --depth says; default: none but the thorough ones. They fill the line if --yes is given.
    #[arg(long, value_name = "TIME", value_parser = duration, conflicts_with = "heavy_at")]
    pub heavy_every: Option<SignedDuration>,
    /// Heavy visits at the minutes that five fields name.
    #[arg(long, value_name = "FIELDS")]
    pub heavy_at: Option<String>,
    /// How long to watch: 7d, 12h; default: until it is ended.
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    pub lasts: Option<SignedDuration>,
    /// Each visit begins up to so much after its moment, by chance; default: a tenth of --every, at most two minutes.
    #[arg(long, value_name = "TIME", value_parser = duration)]
    pub jitter: Option<SignedDuration>,
    /// Hours of local time in which no visit begins: 22:00-06:00. May be given several times.
    #[arg(long, value_name = "FROM-TO", value_parser = quiet)]
    pub quiet: Vec<Quiet>,
    /// Data that a day's visits may move at most, for instance 2G (decimal octets). A heavy visit that does not fit is made light.
    #[arg(long, value_name = "OCTETS", value_parser = super::super::meaning::octets)]
    pub data_per_day: Option<u64>,
    /// A light visit that fails calls no thorough one.
    #[arg(long)]
    pub no_thorough: bool,
    /// Name of the watch: its records, and what it remembers, are kept under it.
    #[arg(long, value_name = "NAME", default_value = "line", value_parser = name)]
    pub name: String,
    /// Shared part.
    #[command(flatten)]
    pub visit: VisitArgs,
}

impl WatchPlan {
    /// The tier. Empty only beside an action that watches nothing: elsewhere the command line is refused without one.
    pub fn tier(&self) -> &str {
        self.profile.as_deref().unwrap_or_default()
    }
}

/// Actions beside watching.
#[derive(Debug, Subcommand)]
pub enum WatchAction {
    /// Say what a watch has done, how the last visit ended and when the next is due.
    Status {
        /// Name of the watch.
        #[arg(long, value_name = "NAME", default_value = "line", value_parser = name)]
        name: String,
        /// Print it as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Let the system run a watch from its start on, as a service of systemd with the least rights that it needs.
    Install(Box<InstallArgs>),
    /// Take that service away; records stay.
    Remove {
        /// Name of the watch.
        #[arg(long, value_name = "NAME", default_value = "line", value_parser = name)]
        name: String,
    },
}

/// Arguments of `watch install`.
#[derive(Debug, Args)]
pub struct InstallArgs {
    /// Print the unit, and install nothing.
    #[arg(long)]
    pub print: bool,
    /// The watch.
    #[command(flatten)]
    pub plan: WatchPlan,
}

/// A time of days, hours, minutes and seconds: 7d, 1h30m, 90s.
pub(super) fn duration(text: &str) -> Result<SignedDuration, String> {
    let mut seconds = 0_i64;
    let mut digits = String::new();
    for letter in text.chars() {
        if letter.is_ascii_digit() {
            digits.push(letter);
            continue;
        }
        let unit = match letter {
            'd' => 86_400,
            'h' => 3_600,
            'm' => 60,
            's' => 1,
            _ => return Err(WHAT_A_TIME_IS.to_owned()),
        };
        let count: i64 = std::mem::take(&mut digits).parse().map_err(|_| WHAT_A_TIME_IS.to_owned())?;
        seconds = count.checked_mul(unit).and_then(|more| seconds.checked_add(more)).ok_or("that is too long")?;
    }
    if !digits.is_empty() || seconds == 0 {
        return Err(WHAT_A_TIME_IS.to_owned());
    }
    // Ten years: no watch outlives its machine.
    if seconds > 10 * 366 * 86_400 {
        return Err("that is too long".to_owned());
    }
    Ok(SignedDuration::from_secs(seconds))
}

const WHAT_A_TIME_IS: &str = "write numbers with d, h, m or s behind them, for instance 15m, 1h30m or 7d";

/// Quiet hours: two times of day with a hyphen between.
pub(super) fn quiet(text: &str) -> Result<Quiet, String> {
    let what = || "write two times of day, for instance 22:00-06:00".to_owned();
    let time = |text: &str| jiff::civil::Time::strptime("%H:%M", text.trim()).map_err(|_| what());
    let (from, to) = text.split_once('-').ok_or_else(what)?;
    let quiet = Quiet { from: time(from)?, to: time(to)? };
    if quiet.from == quiet.to { Err("quiet hours that end where they begin are none".to_owned()) } else { Ok(quiet) }
}

/// A name that can be part of a file's and of a unit's.
fn name(text: &str) -> Result<String, String> {
    let fits = |letter: char| letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == '-';
    if !text.is_empty() && text.len() <= 32 && text.chars().all(fits) && !text.starts_with('-') {
        return Ok(text.to_owned());
    }
    Err("write at most 32 small letters, digits and hyphens".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_and_nonsense_says_what_to_write() {
        assert_eq!(duration("15m"), Ok(SignedDuration::from_mins(15)));
        assert_eq!(duration("1h30m"), Ok(SignedDuration::from_mins(90)));
        assert_eq!(duration("7d"), Ok(SignedDuration::from_hours(168)));
        for wrong in ["", "15", "m", "-1h", "1.5h", "0s", "999999999999d", "99999999999999999999s", "4000d"] {
            assert!(duration(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn what_is_to_be_watched_is_asked_for_unless_an_action_is_named() {
        use clap::Parser as _;
        let read = |words: &str| crate::cli::flags::Cli::try_parse_from(words.split_whitespace());
        for right in [
            "doorstep watch --profile vdsl-100-40 --every 15m --for 7d",
            "doorstep watch status",
            "doorstep watch remove --name van-7",
            "doorstep watch install --print --profile vdsl-100-40 --every 1h",
        ] {
            assert!(read(right).is_ok(), "{right}: {:?}", read(right).err());
        }
        for wrong in [
            "doorstep watch",
            "doorstep watch --profile vdsl-100-40",
            "doorstep watch --every 15m",
            "doorstep watch install --every 15m",
            "doorstep watch --profile vdsl-100-40 --every 15m status",
        ] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn quiet_hours_are_read_and_nonsense_says_what_to_write() {
        let read = quiet("22:00-06:30").expect("quiet hours");
        assert_eq!((read.from.to_string(), read.to.to_string()), ("22:00:00".to_owned(), "06:30:00".to_owned()));
        for wrong in ["", "22:00", "25:00-06:00", "22-06", "08:00-08:00"] {
            assert!(quiet(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_name_is_safe_in_a_path_and_in_a_unit() {
        assert_eq!(name("circuit-17"), Ok("circuit-17".to_owned()));
        for wrong in ["", "../etc", "a b", "-x", "UPPER", &"x".repeat(33)] {
            assert!(name(wrong).is_err(), "{wrong}");
        }
    }
}
