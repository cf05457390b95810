//! What can be typed after `serve`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

/// Arguments of `serve`.
#[derive(Debug, Args)]
pub struct ServeArgs {
    /// What to do; without one, serve.
    #[command(subcommand)]
    pub action: Option<ServeAction>,
    /// Address to listen on; default: all, IPv6 and IPv4.
    #[arg(long, value_name = "ADDRESS")]
    pub listen: Option<std::net::IpAddr>,
    /// Port of the control connection (HTTPS).
    #[arg(long, value_name = "PORT", default_value_t = 8620)]
    pub control_port: u16,
    /// Port of the TCP data connections.
    #[arg(long, value_name = "PORT", default_value_t = 8621)]
    pub data_port: u16,
    /// UDP port of the STAMP reflector (RFC 8762).
    #[arg(long, value_name = "PORT", default_value_t = 862)]
    pub stamp_port: u16,
    /// First of the two UDP ports that tell agents where their packets come from; the other is the next.
    #[arg(long, value_name = "PORT", default_value_t = 8622, value_parser = clap::value_parser!(u16).range(1..=65534))]
    pub view_port: u16,
    /// UDP port of the set-up of capacity tests (RFC 9946); zero does none.
    #[arg(long, value_name = "PORT", default_value_t = crate::wire::capacity::PORT)]
    pub capacity_port: u16,
    /// TCP port of an answer over plain HTTP by which agents find portals and proxies in between; 80 is the one that these look at. Default: none.
    #[arg(long, value_name = "PORT")]
    pub known_port: Option<u16>,
    /// Port, UDP and TCP, of an answer over SIP by which agents find gateways that rewrite it; 5060 is the one that these look at. Zero does none.
    #[arg(long, value_name = "PORT", default_value_t = crate::wire::sip::PORT)]
    pub sip_port: u16,
    /// Keys of other clients of RFC 9946 that may test without an invitation (TOML: number = "hexadecimal key"; readable by its owner only).
    #[arg(long, value_name = "FILE")]
    pub capacity_keys: Option<PathBuf>,
    /// Load that may be admitted at once, in Mbit/s; one visit at a time takes its share of it.
    #[arg(long, value_name = "MBIT", default_value_t = 1000.0)]
    pub capacity: f64,
    /// Zone that this far end is the authority of, so that agents can check resolvers; default: no DNS service.
    #[arg(long, value_name = "DOMAIN")]
    pub zone: Option<String>,
    /// Port of the zone's DNS service, UDP and TCP.
    #[arg(long, value_name = "PORT", default_value_t = 53)]
    pub dns_port: u16,
    /// Where certificate and tokens are kept; default: this user's state directory.
    #[arg(long, value_name = "DIR", global = true)]
    pub state: Option<PathBuf>,
}

/// Actions beside serving.
#[derive(Debug, Subcommand)]
pub enum ServeAction {
    /// Make a token and write the file that a technician's agent is given.
    Invite {
        /// Who or what it is for.
        #[arg(value_name = "LABEL")]
        label: String,
        /// Host name or address under which agents reach this far end.
        #[arg(long, value_name = "HOST")]
        host: String,
        /// Where to write the file (mode 0600).
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
    /// List the labels of the tokens.
    Invited,
    /// Remove a token by its label; takes effect at once.
    Uninvite {
        /// The label.
        #[arg(value_name = "LABEL")]
        label: String,
    },
}
