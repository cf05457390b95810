//! What can be typed after `history`. As in [`super`], nothing here touches the system.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::{PageArgs, PositionArg};
use crate::history::summary::{HOURS, Hours};

/// Arguments of `history`.
#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// The history's file; default: `history.sqlite` beside the records directory of this user.
    #[arg(long, value_name = "FILE", env = "DOORSTEP_HISTORY", global = true)]
    pub history: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    pub action: HistoryAction,
}

/// What is done with the history.
#[derive(Debug, Subcommand)]
pub enum HistoryAction {
    /// Add saved records; those that are in it already are left alone.
    Add {
        /// Records; default: all of the records directory of this user.
        #[arg(value_name = "RECORD")]
        records: Vec<PathBuf>,
    },
    /// Say or set what the history keeps, and for how long. Visits with their verdicts, their values and the delays of whole days stay as long as
    /// there is room; verdicts always.
    Keep(KeepArgs),
    /// Say what a line's repeats show.
    Show(Box<ShowArgs>),
    /// Write readings for other programs: one row each.
    Export {
        /// Which line; default: all.
        #[command(flatten)]
        line: LineArgs,
        /// Form of the table.
        #[arg(long, value_enum, default_value_t = FormatArg::Csv)]
        format: FormatArg,
        /// A new file; default: standard output. Parquet needs one.
        #[arg(long, short, value_name = "FILE")]
        output: Option<PathBuf>,
    },
    /// Print the last visit of each line as metrics (Prometheus text exposition), answer scrapes, or send them to a receiver.
    Metrics {
        /// Answer scrapes of /metrics at this address until Ctrl-C, for instance 127.0.0.1:9862. Whoever reaches it reads the figures without
        /// a password: keep it on loopback, or behind something that asks for one.
        #[arg(long, value_name = "ADDRESS:PORT")]
        listen: Option<SocketAddr>,
        /// Send them once to this receiver of OTLP over HTTP, for instance http://127.0.0.1:4318; /v1/metrics is added where the URL has no path.
        /// Nothing is sent anywhere else, and it takes no longer than ten seconds for each 200 visits. Each value is stamped with the time of its visit.
        #[arg(long, value_name = "URL", conflicts_with = "listen")]
        otlp: Option<String>,
        /// With --otlp: all visits that began at this moment (RFC 3339) or later, not only the last of each line.
        #[arg(long, value_name = "MOMENT", requires = "otlp")]
        since: Option<jiff::Timestamp>,
    },
    /// Copy the history as it stands into a new file, also while visits are added.
    Backup {
        /// The new file.
        #[arg(value_name = "FILE")]
        target: PathBuf,
    },
    /// Look whether the file is sound and no visit is missing or altered.
    Check {
        /// The head that a check printed before: shows visits that were cut off at the end.
        #[arg(long, value_name = "DIGEST")]
        head: Option<String>,
        /// Print it as JSON.
        #[arg(long)]
        json: bool,
    },
}

/// Arguments of `history keep`.
#[derive(Debug, Args)]
pub struct KeepArgs {
    /// Days for which single visits keep their delay sketches, bounds and sample counts, and their records if those are kept; `all` for as long as
    /// there is room.
    #[arg(long, value_name = "DAYS", value_parser = days)]
    pub raw: Option<Days>,
    /// Whether whole records are kept as well, compressed: they are the first to go when room runs out.
    #[arg(long, value_name = "YES-OR-NO", value_parser = yes_or_no)]
    pub records: Option<bool>,
    /// How large the file may grow, for instance 500M or 2G; the oldest raw material is dropped then, verdicts never.
    #[arg(long, value_name = "OCTETS", value_parser = super::super::meaning::octets)]
    pub max_size: Option<u64>,
}

/// A count of days; `None` for all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Days(pub Option<u32>);

/// Arguments of `history show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Which line.
    #[command(flatten)]
    pub line: LineArgs,
    /// Days to look at.
    #[arg(long, value_name = "N", default_value_t = 7, value_parser = clap::value_parser!(u32).range(1..=36_600))]
    pub days: u32,
    /// End of these days (RFC 3339); default: the last visit.
    #[arg(long, value_name = "MOMENT")]
    pub until: Option<jiff::Timestamp>,
    /// Time zone of hours and days; default: this machine's.
    #[arg(long, value_name = "NAME")]
    pub time_zone: Option<String>,
    /// Hours when many use their lines.
    #[arg(long, value_name = "HOUR-HOUR", value_parser = hours, default_value = "19-23")]
    pub busy: Hours,
    /// Hours when few do.
    #[arg(long, value_name = "HOUR-HOUR", value_parser = hours, default_value = "2-6")]
    pub quiet: Hours,
    /// Print it as JSON.
    #[arg(long, conflicts_with_all = ["html", "pdf"])]
    pub json: bool,
    /// As pages, with pictures: how visits ended, figures with their changes, hours by days.
    #[command(flatten)]
    pub pages: PageArgs,
}

/// Which line.
#[derive(Debug, Clone, Args)]
pub struct LineArgs {
    /// Circuit or order number; needed when the history holds several.
    #[arg(long, value_name = "ID")]
    pub circuit: Option<String>,
    /// Where the laptop was plugged in; needed when the circuit was visited at several places.
    #[arg(long, value_enum)]
    pub position: Option<PositionArg>,
}

/// Form of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FormatArg {
    /// Comma-separated (RFC 4180).
    Csv,
    /// One JSON object in each line.
    JsonLines,
    /// Apache Parquet.
    Parquet,
}

/// A count of days, or all.
fn days(text: &str) -> Result<Days, String> {
    let count = || text.parse().ok().filter(|days| (1..=36_600).contains(days));
    if text == "all" {
        Ok(Days(None))
    } else {
        count().map(|days| Days(Some(days))).ok_or_else(|| "write a number of days from 1 to 36600, or all".to_owned())
    }
}

fn yes_or_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err("write yes or no".to_owned()),
    }
}

/// Hours from text: the first, and the one after the last.
fn hours(text: &str) -> Result<Hours, String> {
    let hour = |text: &str| text.parse::<i8>().ok().filter(|hour| (0..=24).contains(hour));
    let parts = text.split_once('-').and_then(|(from, to)| Some(Hours { from: hour(from)?, to: hour(to)? }));
    let [busy, _] = HOURS;
    parts
        .filter(|hours| hours.from != hours.to)
        .ok_or_else(|| format!("write two hours of the day, for instance {}-{}", busy.from, busy.to))
}
