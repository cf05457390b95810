//! What can be typed. Nothing here touches the system: meaning is given in [`super::meaning`].

mod keys;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::unit::{AccessKind, Depth, Position};
use crate::wire::vlan::TagStack;

pub mod history;
pub mod serve;
pub mod watch;
pub use keys::{HandbookArgs, KeysAction, KeysArgs};

const AFTER: &str = "\
Exit status of verify, check, demo: 0 pass, 1 fail, 3 not proven, 2 usage, 4 could not run.

Filling a line breaks what rides on it: calls in progress, emergency calls, alarm and medical-alert lines. Ask before a
load check. No command here can place a call, to anybody or to an emergency service. Test only lines and hosts that you are entitled to test. Work at a terminal or cabinet has its own hazards
(mains, ringing and remote power-feed voltage, laser light, heights): local codes and the operator's rules come first.";

/// Proves at the customer handoff that the IP service sold is the IP service delivered.
#[derive(Debug, Parser)]
#[command(name = "doorstep", version, after_help = AFTER, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make the visit: run every check on a port, judge it against a tier and leave a record.
    Verify(VerifyArgs),
    /// Run one check and what it needs.
    Check(CheckArgs),
    /// Be the far end that agents measure against.
    Serve(serve::ServeArgs),
    /// Show a saved record again.
    Report(ReportArgs),
    /// Hold two saved records of one line against each other: what changed beyond chance, and what that says of the place.
    Compare(CompareArgs),
    /// Keep visits and say what the repeats show: availability, outages, drift, changes, busy hours.
    History(history::HistoryArgs),
    /// Make visits again and again, unattended, and keep what they find; says how it goes, and installs and removes itself as a service.
    Watch(watch::WatchArgs),
    /// Show the key that signs this user's records, and say whose keys are trusted.
    Keys(KeysArgs),
    /// List, show or validate tier profiles.
    Profile(ProfileArgs),
    /// Make a visit on a practice line built on this machine; needs no hardware and sends nothing off it.
    Demo(DemoArgs),
    /// Write manual pages and completions into a directory, for packages.
    #[command(hide = true)]
    Handbook(HandbookArgs),
}

/// What verify and check share.
#[derive(Debug, Clone, Args)]
pub struct VisitArgs {
    /// Interface to test; default: the only wired one with carrier.
    #[arg(long, short, value_name = "NAME")]
    pub interface: Option<String>,
    /// File that the far end's host handed out (address, token, certificate fingerprint).
    #[arg(long, value_name = "FILE", env = "DOORSTEP_FAR_END")]
    pub far_end: Option<PathBuf>,
    /// How the line gives its service.
    #[arg(long, value_enum, default_value_t = AccessArg::Ethernet)]
    pub access: AccessArg,
    /// File with the account of a PPPoE line (TOML: name, password; readable by its owner only); default: asked for.
    #[arg(long, value_name = "FILE", env = "DOORSTEP_LOGIN")]
    pub login: Option<PathBuf>,
    /// File with the account of the voice line's SIP service (TOML: name, password, and login where that is another name; readable by its owner only). It is
    /// registered once and removed again; no call is placed, by design none can be: not to any number, and not to an emergency service.
    #[arg(long, value_name = "FILE", env = "DOORSTEP_SIP_LOGIN")]
    pub sip_login: Option<PathBuf>,
    /// VLAN of the handoff (IEEE 802.1Q), or outer and inner one (IEEE 802.1ad): 35 or 100.35.
    #[arg(long, value_name = "VLAN")]
    pub vlan: Option<TagStack>,
    /// Priority of all tags, 0 to 7.
    #[arg(long, value_name = "N", default_value_t = 0, requires = "vlan", value_parser = clap::value_parser!(u8).range(0..=7))]
    pub vlan_priority: u8,
    /// How hard to test.
    #[arg(long, value_enum, default_value_t = DepthArg::Handoff)]
    pub depth: DepthArg,
    /// Let streams of probes end as soon as the verdicts on them are certain, from a quarter of their plan on, and go on up to four times it (ten minutes, --max-data) while they are not.
    #[arg(long)]
    pub until_certain: bool,
    /// What the modem's or terminal's page shows of the line: a TOML file, or `ask` to be asked (a file of that name is `./ask`).
    #[arg(long, value_name = "FILE")]
    pub line: Option<String>,
    /// Where the laptop is plugged in; default: at the gateway.
    #[arg(long, value_enum)]
    pub position: Option<PositionArg>,
    /// The customer was asked and agrees to the line being filled.
    #[arg(long)]
    pub yes: bool,
    /// Data that the visit may move at most, for instance 500M or 2G (decimal octets).
    #[arg(long, value_name = "OCTETS", value_parser = super::meaning::octets)]
    pub max_data: Option<u64>,
    /// Parallel TCP streams of a load phase; default: the profile's.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    pub streams: Option<u16>,
    /// DSCP of the twoway stream, 0 to 63 (46 is expedited forwarding, RFC 3246).
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..=63))]
    pub dscp: u8,
    /// Circuit or order number, for the record.
    #[arg(long, value_name = "ID")]
    pub circuit: Option<String>,
    /// Anything worth keeping, for the record.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Where to write the record; default: the records directory of this user.
    #[arg(long, value_name = "FILE")]
    pub record: Option<PathBuf>,
    /// Where to write the visit's control traffic, a new file (pcapng); credentials and payloads are masked.
    #[arg(long, value_name = "FILE")]
    pub capture: Option<PathBuf>,
    /// Print the record as JSON instead of the summary.
    #[arg(long)]
    pub json: bool,
    /// Print the plan with its time and data, and stop.
    #[arg(long)]
    pub plan: bool,
}

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Tier: a name from `profile list` or a TOML file.
    #[arg(long, short, value_name = "TIER", required_unless_present = "going_on_with")]
    pub profile: Option<String>,
    /// Go on with a visit that left something not proven or not tested: only the checks that this takes run, with as many samples as it takes, and a new
    /// record holds the evidence of both. Circuit, tier, position and depth are those of the record, which stays as it is.
    #[arg(long = "continue", id = "going_on_with", value_name = "RECORD", conflicts_with_all = ["guide", "depth", "access"])]
    pub going_on_with: Option<PathBuf>,
    /// Make the visit at two places: the plug is asked to be moved, the second visit begins when the link is back, and the two are compared.
    #[arg(long, conflicts_with_all = ["record", "capture", "plan"])]
    pub guide: bool,
    /// With --guide: where the plug is moved to.
    #[arg(long, value_enum, default_value_t = PositionArg::Ont, requires = "guide", value_name = "POSITION")]
    pub then: PositionArg,
    /// With --guide: how the line gives its service there.
    #[arg(long, value_enum, requires = "guide", value_name = "ACCESS")]
    pub then_access: Option<AccessArg>,
    /// With --guide: VLAN of the handoff there.
    #[arg(long, requires = "guide", value_name = "VLAN")]
    pub then_vlan: Option<TagStack>,
    /// Shared part.
    #[command(flatten)]
    pub visit: VisitArgs,
}

/// Arguments of `check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Which check.
    #[arg(value_name = "NAME")]
    pub name: String,
    /// For `check vlan`: where to look, for instance 0,1-20,35,100.35 (0 is without a tag; at most 200).
    #[arg(long, value_name = "LIST", value_parser = super::meaning::vlans)]
    pub vlans: Option<VlanList>,
    /// For `check capacity`: a peer of RFC 9946 other than the far end, as ADDRESS:PORT (its port is 24601 unless its host says otherwise).
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub peer: Option<std::net::SocketAddr>,
    /// For `check capacity --peer`: file with the number and the key that the peer's host handed out (TOML: 7 = "hexadecimal key").
    #[arg(long, value_name = "FILE", requires = "peer")]
    pub peer_key: Option<PathBuf>,
    /// For `check twoway`: a standard reflector (RFC 8762, RFC 5357 appendix I) other than the far end's; its port is 862 if none is given.
    #[arg(long, value_name = "ADDRESS[:PORT]", value_parser = super::meaning::reflector)]
    pub reflector: Option<std::net::SocketAddr>,
    /// For `check twoway --reflector`: file with the key that the reflector's host handed out, in hexadecimal; packets are then authenticated.
    #[arg(long, value_name = "FILE", requires = "reflector")]
    pub reflector_key: Option<PathBuf>,
    /// Tier to judge against; without one the figures are shown unjudged.
    #[arg(long, short, value_name = "TIER")]
    pub profile: Option<String>,
    /// Shared part.
    #[command(flatten)]
    pub visit: VisitArgs,
}

/// Where `check vlan` looks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VlanList(pub Vec<TagStack>);

/// Arguments of `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// The record's file.
    #[arg(value_name = "RECORD")]
    pub record: PathBuf,
    /// Show how each verdict came about, from packets to the basis of its limit, and the visit in words for the customer and for an engineer.
    #[arg(long, conflicts_with_all = ["json", "html", "pdf"])]
    pub why: bool,
    /// Tell whether the record is as it was signed, and by whose key: exit status 0 untouched, 1 altered, 3 unsigned or by an unknown key.
    #[arg(long, conflicts_with = "why")]
    pub check: bool,
    /// Write a copy for outside the company to a new file: names and addresses masked, figures and verdicts as they are, signed anew.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["why", "check", "json"])]
    pub redact: Option<PathBuf>,
    /// Print the record as JSON.
    #[arg(long, conflicts_with_all = ["html", "pdf"])]
    pub json: bool,
    /// As pages.
    #[command(flatten)]
    pub pages: PageArgs,
}

/// A report as pages.
#[derive(Debug, Clone, Args)]
pub struct PageArgs {
    /// Write the report as one page of HTML that needs nothing beside it; `-` writes to standard output.
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write the report as PDF; `-` writes to standard output. May be given with --html.
    #[arg(long, value_name = "FILE")]
    pub pdf: Option<PathBuf>,
    /// Size of the PDF's sheets.
    #[arg(long, value_enum, default_value_t = PaperArg::A4, requires = "pdf")]
    pub paper: PaperArg,
}

/// Size of a sheet, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperArg {
    /// 210 mm by 297 mm.
    A4,
    /// 8.5 inches by 11 inches.
    Letter,
}

/// Arguments of `compare`.
#[derive(Debug, Args)]
#[command(
    after_help = "Exit status: 0 when the second visit misses no limit, 1 when it misses one, 3 when that is not proven, 2 when the two can't be compared."
)]
pub struct CompareArgs {
    /// The record of the first visit: further inside, before, or yesterday's.
    #[arg(value_name = "FIRST")]
    pub first: PathBuf,
    /// The record of the second: at the terminal, after, or today's.
    #[arg(value_name = "SECOND")]
    pub second: PathBuf,
    /// Print the comparison as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `profile`.
#[derive(Debug, Args)]
pub struct ProfileArgs {
    /// What to do with profiles.
    #[command(subcommand)]
    pub action: ProfileAction,
}

/// Actions on profiles.
#[derive(Debug, Subcommand)]
pub enum ProfileAction {
    /// List the tiers inside the program.
    List,
    /// Print a tier's TOML, to read or to start an own one from.
    Show {
        /// Name or file.
        #[arg(value_name = "TIER")]
        tier: String,
    },
    /// Say what a visit would do for a tier, for how long and with how much data, and what of it that depth can prove.
    Explain {
        /// Name or file.
        #[arg(value_name = "TIER")]
        tier: String,
        /// How hard to test.
        #[arg(long, value_enum, default_value_t = DepthArg::Handoff)]
        depth: DepthArg,
        /// How the line gives its service.
        #[arg(long, value_enum, default_value_t = AccessArg::Ethernet)]
        access: AccessArg,
        /// With streams of probes that end once the verdicts on them are certain, as for verify.
        #[arg(long)]
        until_certain: bool,
        /// Where the laptop would be plugged in.
        #[arg(long, value_enum, default_value_t = PositionArg::Gateway)]
        position: PositionArg,
    },
    /// Print the JSON Schema of tiers, for editors that check while one writes.
    Schema,
    /// Say whether a file is a valid tier, and exactly where it is not.
    Validate {
        /// The file.
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Fault to put on the line, may be given several times; see --list-faults. One that has a size takes an extent behind a
    /// colon: access-loss:slight, :clear or :heavy (default).
    #[arg(long, value_name = "NAME")]
    pub fault: Vec<String>,
    /// List the faults and stop.
    #[arg(long)]
    pub list_faults: bool,
    /// How the practice line gives its service.
    #[arg(long, value_enum, default_value_t = AccessArg::Ethernet)]
    pub access: AccessArg,
    /// VLAN that the practice line is handed over in: 35 or 100.35.
    #[arg(long, value_name = "VLAN")]
    pub vlan: Option<TagStack>,
    /// Tier that the practice line is sold as.
    #[arg(long, short, value_name = "TIER", default_value = "vdsl-100-40")]
    pub profile: String,
    /// How hard to test.
    #[arg(long, value_enum, default_value_t = DepthArg::Quick)]
    pub depth: DepthArg,
    /// Streams of probes end once the verdicts on them are certain, as for verify.
    #[arg(long)]
    pub until_certain: bool,
    /// What a page would show of the line, as for verify.
    #[arg(long, value_name = "FILE")]
    pub line: Option<String>,
    /// Seed of the line's chance: the same number loses the same frames.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Print the record as JSON instead of the summary.
    #[arg(long)]
    pub json: bool,
    /// Where to write the record; default: the records directory of this user.
    #[arg(long, value_name = "FILE")]
    pub record: Option<PathBuf>,
}

/// [`Depth`] as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum DepthArg {
    /// About 15 s: alive and roughly right.
    Quick,
    /// About 60 s: the closing test of an install.
    Handoff,
    /// Minutes: enough samples for small loss figures.
    Soak,
}

impl From<Depth> for DepthArg {
    fn from(depth: Depth) -> Self {
        match depth {
            Depth::Quick => Self::Quick,
            Depth::Handoff => Self::Handoff,
            Depth::Soak => Self::Soak,
        }
    }
}

impl From<DepthArg> for Depth {
    fn from(depth: DepthArg) -> Self {
        match depth {
            DepthArg::Quick => Self::Quick,
            DepthArg::Handoff => Self::Handoff,
            DepthArg::Soak => Self::Soak,
        }
    }
}

/// [`Access`](crate::check::Access) as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum AccessArg {
    /// On the Ethernet itself: DHCP, router advertisements.
    Ethernet,
    /// In a PPPoE session, with a login.
    Pppoe,
}

impl AccessArg {
    /// What is meant by it.
    pub fn kind(self) -> AccessKind {
        match self {
            Self::Ethernet => AccessKind::Ethernet,
            Self::Pppoe => AccessKind::Pppoe,
        }
    }
}

/// [`Position`] as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum PositionArg {
    /// At the optical terminal's port.
    Ont,
    /// At the modem's port.
    Modem,
    /// At a LAN port of the gateway.
    Gateway,
    /// Further inside the home.
    Inside,
}

impl VisitArgs {
    /// Where the laptop is plugged in.
    pub fn position(&self) -> Position {
        self.position.unwrap_or(PositionArg::Gateway).into()
    }
}

impl From<Position> for PositionArg {
    fn from(position: Position) -> Self {
        match position {
            Position::Ont => Self::Ont,
            Position::Modem => Self::Modem,
            Position::Gateway => Self::Gateway,
            Position::Inside => Self::Inside,
        }
    }
}

impl From<PositionArg> for Position {
    fn from(position: PositionArg) -> Self {
        match position {
            PositionArg::Ont => Self::Ont,
            PositionArg::Modem => Self::Modem,
            PositionArg::Gateway => Self::Gateway,
            PositionArg::Inside => Self::Inside,
        }
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_whole_set_of_flags_is_consistent_and_every_argument_has_help() {
        let mut command = super::Cli::command();
        command.clone().debug_assert();
        command.build();
        let mut stack = vec![command];
        while let Some(command) = stack.pop() {
            for argument in command.get_arguments() {
                assert!(argument.get_help().is_some(), "{} --{} has no help", command.get_name(), argument.get_id());
            }
            stack.extend(command.get_subcommands().filter(|c| c.get_name() != "help").cloned());
        }
    }
}
