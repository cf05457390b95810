//! The far end of a practice line: the real server in the far end's place, with a certificate and token of its own.
//!
//! It must not know the agent; whoever runs a visit is handed the invitation.

use std::io;
use std::net::IpAddr;
use std::time::Duration;

use tokio::runtime::Runtime;

use crate::farend::admission::Limits;
use crate::farend::certificate::Identity;
use crate::farend::client::FarEndTarget;
use crate::farend::server::{ServeOptions, Server, TokenSource};
use crate::farend::token::Tokens;
use crate::farend::zone::ZoneOptions;
use crate::farend::zone::key::ZoneKey;
use crate::net::netns::Namespace;

/// Ports as a far end of the field has them.
pub(in crate::practice) const CONTROL_PORT: u16 = 8620;
const DATA_PORT: u16 = 8621;
const STAMP_PORT: u16 = 862;
const VIEW_PORT: u16 = 8622;
pub(in crate::practice) const DNS_PORT: u16 = 53;
/// The zone that it is the authority of.
pub(in crate::practice) const ZONE: &str = "probe.example.net";
/// Longer than any load: a practice line is not measured by strangers.
const CAPACITY_MBIT: f64 = 100_000.0;

/// A running far end.
#[derive(Debug)]
pub struct FarEndRole {
    // `None` once it has been ended.
    running: Option<(Runtime, Server)>,
    target: FarEndTarget,
    zone_ds: String,
}

impl FarEndRole {
    /// Starts it in a place, at these addresses; the first is in the invitation.
    ///
    /// # Errors
    /// When the runtime, the certificate or a port can't be had.
    pub fn start(place: &Namespace, listen: Vec<IpAddr>) -> io::Result<Self> {
        let host = listen.first().map(IpAddr::to_string).unwrap_or_default();
        let identity = Identity::fresh().map_err(io::Error::other)?;
        let fingerprint = identity.fingerprint();
        let mut tokens = Tokens::default();
        let token = tokens.add("practice").map_err(io::Error::other)?;
        let key = ZoneKey::fresh().map_err(io::Error::other)?;
        let zone_ds = key.ds_line(ZONE).unwrap_or_default();
        let options = ServeOptions {
            listen,
            control_port: CONTROL_PORT,
            data_port: DATA_PORT,
            stamp_port: Some(STAMP_PORT),
            view_port: Some(VIEW_PORT),
            capacity_port: Some(crate::wire::capacity::PORT),
            known_port: Some(80),
            sip_port: Some(crate::wire::sip::PORT),
            capacity_peers: Default::default(),
            identity,
            tokens: TokenSource::Fixed(tokens),
            limits: Limits { capacity_mbit: CAPACITY_MBIT, ..Limits::default() },
            zone: Some(ZoneOptions { name: ZONE.to_owned(), port: DNS_PORT, key }),
        };
        let runtime = place.runtime(1)?;
        // On a worker, which is inside the place; this thread is not.
        let server = runtime.block_on(runtime.spawn(Server::start(options))).map_err(io::Error::other)?;
        let server = server.map_err(io::Error::other)?;
        let target = FarEndTarget { host, port: CONTROL_PORT, token, fingerprint, zone: Some(ZONE.to_owned()) };
        Ok(Self { running: Some((runtime, server)), target, zone_ds })
    }

    /// What an agent needs to come.
    pub fn target(&self) -> &FarEndTarget {
        &self.target
    }

    /// The DS record of its zone, which nobody publishes here, as a line of a zone file.
    pub fn zone_ds(&self) -> &str {
        &self.zone_ds
    }

    /// Ends the service while the line stands: connections break, its host stays.
    pub fn end(&mut self) {
        if let Some((runtime, server)) = self.running.take() {
            drop(server);
            runtime.shutdown_timeout(Duration::from_secs(2));
        }
    }
}

impl Drop for FarEndRole {
    fn drop(&mut self) {
        self.end();
    }
}
