//! What can be typed after `history`. As in [`super`], nothing here touches the system.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::PositionArg;
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
        /// Keep the whole records as well, compressed: they are the first to go when room runs out.
        #[arg(long)]
        keep_records: bool,
        /// How large the file may grow, for instance 500M or 2G; the oldest raw material is dropped then, verdicts never.
        #[arg(long, value_name = "OCTETS", value_parser = super::super::meaning::octets, default_value = "2G")]
        max_size: u64,
    },
    /// Say what a line's repeats show.
    Show {
        /// Which line.
        #[command(flatten)]
        line: LineArgs,
        /// Days to look at.
        #[arg(long, value_name = "N", default_value_t = 7, value_parser = clap::value_parser!(u32).range(1..=36_600))]
        days: u32,
        /// End of these days (RFC 3339); default: the last visit.
        #[arg(long, value_name = "MOMENT")]
        until: Option<jiff::Timestamp>,
        /// Time zone of hours and days; default: this machine's.
        #[arg(long, value_name = "NAME")]
        time_zone: Option<String>,
        /// Hours when many use their lines.
        #[arg(long, value_name = "HOUR-HOUR", value_parser = hours, default_value = "19-23")]
        busy: Hours,
        /// Hours when few do.
        #[arg(long, value_name = "HOUR-HOUR", value_parser = hours, default_value = "2-6")]
        quiet: Hours,
        /// Print it as JSON.
        #[arg(long)]
        json: bool,
    },
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
    /// Print the last visit of each line as metrics (Prometheus text exposition), or answer scrapes.
    Metrics {
        /// Answer scrapes of /metrics at this address until Ctrl-C, for instance 127.0.0.1:9862. Whoever reaches it reads the figures without
        /// a password: keep it on loopback, or behind something that asks for one.
        #[arg(long, value_name = "ADDRESS:PORT")]
        listen: Option<SocketAddr>,
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

/// Hours from text: the first, and the one after the last.
fn hours(text: &str) -> Result<Hours, String> {
    let hour = |text: &str| text.parse::<i8>().ok().filter(|hour| (0..=24).contains(hour));
    let parts = text.split_once('-').and_then(|(from, to)| Some(Hours { from: hour(from)?, to: hour(to)? }));
    let [busy, _] = HOURS;
    parts
        .filter(|hours| hours.from != hours.to)
        .ok_or_else(|| format!("write two hours of the day, for instance {}-{}", busy.from, busy.to))
}
