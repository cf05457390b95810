//! `serve`: be the far end, and decide who may come.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::path::PathBuf;
use std::time::Duration;

use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::serve::{ServeAction, ServeArgs};
use super::super::{output, private};
use crate::farend::admission::Limits;
use crate::farend::certificate::Identity;
use crate::farend::client::FarEndTarget;
use crate::farend::invitation;
use crate::farend::server::{ServeOptions, Server, TokenSource};
use crate::farend::token::Tokens;
use crate::farend::zone::ZoneOptions;
use crate::farend::zone::key::ZoneKey;

/// Time for requests under way and streams to end after a signal.
const GRACE: Duration = Duration::from_secs(5);

/// Runs `serve`.
pub(in crate::cli) fn run(args: &ServeArgs) -> Result<Exit, Failure> {
    let state = state_directory(args)?;
    let identity = Identity::in_directory(&state).map_err(Failure::could_not_run)?;
    let tokens_path = state.join("tokens.toml");
    let read = || Tokens::read(&tokens_path).map_err(Failure::could_not_run);
    match &args.action {
        None => return serve(args, identity, tokens_path.clone()),
        Some(ServeAction::Invite { label, host, out }) => {
            let mut tokens = read()?;
            let token = tokens.add(label).map_err(Failure::usage)?;
            let target = FarEndTarget {
                host: host.clone(),
                port: args.control_port,
                token,
                fingerprint: identity.fingerprint(),
                zone: args.zone.clone(),
            };
            // First the file: a token that nobody has must not stay in the list.
            invitation::write(out, &target).map_err(Failure::could_not_run)?;
            tokens.write(&tokens_path).map_err(Failure::could_not_run)?;
            output::result(&format!(
                "{} invites {label} to {host}; hand it over on a way that others can't read",
                out.display()
            ))?;
        }
        Some(ServeAction::Invited) => {
            let tokens = read()?;
            output::result(&tokens.labels().collect::<Vec<_>>().join("\n"))?;
        }
        Some(ServeAction::Uninvite { label }) => {
            let mut tokens = read()?;
            tokens.remove(label).map_err(Failure::usage)?;
            tokens.write(&tokens_path).map_err(Failure::could_not_run)?;
            output::result(&format!("{label} is no longer invited"))?;
        }
    }
    Ok(Exit::Pass)
}

fn serve(args: &ServeArgs, identity: Identity, tokens: PathBuf) -> Result<Exit, Failure> {
    // Warnings and errors of the running service; it says nothing else.
    tracing_subscriber::fmt().with_writer(std::io::stderr).with_max_level(tracing::Level::WARN).init();
    if !(args.capacity.is_finite() && args.capacity > 0.0) {
        return Err(Failure::usage("--capacity must be a positive number of Mbit/s"));
    }
    let everywhere = || vec![IpAddr::V4(Ipv4Addr::UNSPECIFIED), IpAddr::V6(Ipv6Addr::UNSPECIFIED)];
    let key =
        args.zone.as_ref().map(|_| ZoneKey::in_directory(&state_directory(args)?).map_err(Failure::could_not_run)).transpose()?;
    let zone = args.zone.clone().zip(key).map(|(name, key)| ZoneOptions { name, port: args.dns_port, key });
    let ds = zone.as_ref().and_then(|zone| zone.key.ds_line(&zone.name));
    let options = ServeOptions {
        listen: args.listen.map_or_else(everywhere, |address| vec![address]),
        control_port: args.control_port,
        data_port: args.data_port,
        stamp_port: Some(args.stamp_port),
        view_port: Some(args.view_port),
        capacity_port: (args.capacity_port != 0).then_some(args.capacity_port),
        known_port: args.known_port,
        sip_port: (args.sip_port != 0).then_some(args.sip_port),
        capacity_peers: args.capacity_keys.as_deref().map(private::capacity_keys).transpose()?.unwrap_or_default(),
        identity,
        tokens: TokenSource::File(tokens),
        limits: Limits { capacity_mbit: args.capacity, ..Limits::default() },
        zone,
    };
    let runtime = Runtime::new().map_err(Failure::could_not_run)?;
    runtime.block_on(async {
        let mut terminate = signal(SignalKind::terminate()).map_err(Failure::could_not_run)?;
        let server = Server::start(options).await.map_err(Failure::could_not_run)?;
        for address in server.control_addresses() {
            output::result(&format!("far end at {address}"))?;
        }
        output::result(&format!("certificate fingerprint (SHA-256) {}", invitation::format_fingerprint(&server.fingerprint())))?;
        if let Some(ds) = ds {
            output::result(&format!("zone signed; for the parent zone to publish: {ds}"))?;
        }
        tokio::select! {
            _ = tokio::signal::ctrl_c() => {}
            _ = terminate.recv() => {}
        }
        output::note("ending: visits under way have 5 s");
        server.shutdown(GRACE).await;
        Ok(Exit::Pass)
    })
}

/// As typed, else this user's state directory (XDG base directory specification).
fn state_directory(args: &ServeArgs) -> Result<PathBuf, Failure> {
    if let Some(directory) = &args.state {
        return Ok(directory.clone());
    }
    let records = crate::record::store::default_directory().map_err(Failure::could_not_run)?;
    Ok(records.with_file_name("far-end"))
}
