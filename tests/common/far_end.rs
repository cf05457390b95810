//! A far end of a test's own.

use std::net::IpAddr;

use doorstep::farend::admission::Limits;
use doorstep::farend::certificate::Identity;
use doorstep::farend::client::FarEndTarget;
use doorstep::farend::server::{ServeOptions, TokenSource};
use doorstep::farend::token::Tokens;

/// What one at these addresses is started with, on ports that the system gives, with no service beside control and data; and how agents find it, at the
/// first address: the test fills in the control port.
pub(crate) fn options(listen: Vec<IpAddr>) -> (ServeOptions, FarEndTarget) {
    let identity = Identity::fresh().expect("a certificate");
    let mut tokens = Tokens::default();
    let token = tokens.add("test").expect("a token");
    let host = listen.first().expect("an address").to_string();
    let target = FarEndTarget { host, port: 0, token, fingerprint: identity.fingerprint(), zone: None };
    let options = ServeOptions {
        listen,
        control_port: 0,
        data_port: 0,
        stamp_port: None,
        view_port: None,
        capacity_port: None,
        known_port: None,
        sip_port: None,
        capacity_peers: Default::default(),
        identity,
        tokens: TokenSource::Fixed(tokens),
        limits: Limits::default(),
        zone: None,
    };
    (options, target)
}
