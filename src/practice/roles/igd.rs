//! The gateway's own word on the practice line: answers to UPnP searches and to reading actions, from the kernel's counters of
//! its port toward the line.
//!
//! It has nothing that could be changed. It must not know who asks, or that anybody measures.

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::routing::{get, post};
use tokio::net::{TcpListener, UdpSocket};
use tokio::runtime::Runtime;

use crate::net::facts;
use crate::net::netns::Namespace;
use crate::wire::igd::action::{Action, Answer, Call};
use crate::wire::igd::{Description, Kind, Service, ServiceType};
use crate::wire::ssdp::{self, Found, GATEWAY, GROUP};

/// Port of description and control.
const PORT: u16 = 5000;
const DESCRIPTION: &str = "/description.xml";
const CONTROL: &str = "/control";

/// What it says of its line.
#[derive(Debug, Clone)]
pub struct IgdRoleConfig {
    /// Its address in the home.
    pub home: Ipv4Addr,
    /// Its address toward the line.
    pub outer: Ipv4Addr,
    /// Its port toward the line, by kernel name.
    pub line_port: &'static str,
    /// Rates of the line in bit/s, down and up; 0 where it has none.
    pub rates: [u64; 2],
}

/// The running services.
#[derive(Debug)]
pub struct IgdRole {
    runtime: Option<Runtime>,
}

impl IgdRole {
    /// Starts them in the gateway's place.
    ///
    /// # Errors
    /// When the runtime or a port can't be had.
    pub fn start(place: &Namespace, config: IgdRoleConfig) -> io::Result<Self> {
        let runtime = place.runtime(1)?;
        // On a worker, which is inside the place; this thread is not.
        runtime.block_on(runtime.spawn(serve(config))).map_err(io::Error::other)??;
        Ok(Self { runtime: Some(runtime) })
    }
}

impl Drop for IgdRole {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_timeout(Duration::from_secs(2));
        }
    }
}

struct Gateway {
    config: IgdRoleConfig,
    line_index: u32,
    up_since: Instant,
}

/// Binds both sockets and leaves the services to the runtime, which ends them.
async fn serve(config: IgdRoleConfig) -> io::Result<()> {
    let index = |name: &str| nix::net::if_::if_nametoindex(name).map_err(io::Error::from);
    let home = config.home;
    let searches = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, GROUP.port())).await?;
    searches.join_multicast_v4(*GROUP.ip(), home)?;
    let listener = TcpListener::bind(SocketAddr::new(IpAddr::V4(home), PORT)).await?;
    let line_index = index(config.line_port)?;
    let gateway = Arc::new(Gateway { config, line_index, up_since: Instant::now() });
    let routes = Router::new()
        .route(DESCRIPTION, get(|| async { description().emit() }))
        .route(CONTROL, post(control))
        .with_state(gateway);
    tokio::spawn(async move { axum::serve(listener, routes).await });
    tokio::spawn(answer_searches(searches, home));
    Ok(())
}

async fn answer_searches(socket: UdpSocket, home: Ipv4Addr) {
    let mut buffer = [0; 2048];
    loop {
        let Ok((len, from)) = socket.recv_from(&mut buffer).await else { continue };
        let Ok(search) = ssdp::Search::parse(&buffer[..len]) else { continue };
        if ![GATEWAY, "ssdp:all"].contains(&search.target.as_str()) {
            continue;
        }
        let found = Found {
            location: format!("http://{home}:{PORT}{DESCRIPTION}"),
            target: GATEWAY.to_owned(),
            name: format!("uuid:00000000-0000-0000-0000-000000000077::{GATEWAY}"),
            server: "Example/1 UPnP/1.1 practice/1".to_owned(),
        };
        let _ = socket.send_to(&found.emit().unwrap_or_default(), from).await;
    }
}

fn description() -> Description {
    let service = |kind| Service { of: ServiceType { kind, version: 1 }, control: CONTROL.to_owned() };
    Description {
        device: GATEWAY.to_owned(),
        maker: "Example Valley Broadband".to_owned(),
        model: "practice gateway".to_owned(),
        base: None,
        services: vec![service(Kind::CommonInterface), service(Kind::IpConnection)],
    }
}

async fn control(State(gateway): State<Arc<Gateway>>, headers: HeaderMap) -> (StatusCode, String) {
    let field = headers.get("SOAPAction").and_then(|value| value.to_str().ok()).unwrap_or_default();
    let Some(call) = Call::parse_field(field) else { return (StatusCode::INTERNAL_SERVER_ERROR, REFUSAL.to_owned()) };
    match gateway.answer(call.action()).await.and_then(|answer| call.emit_answer(&answer)) {
        Some(text) => (StatusCode::OK, text),
        None => (StatusCode::INTERNAL_SERVER_ERROR, REFUSAL.to_owned()),
    }
}

/// Error 401, "Invalid Action" (UDA 1.1 section 3.2.2).
const REFUSAL: &str = "<s:Envelope xmlns:s=\"http://schemas.xmlsoap.org/soap/envelope/\"><s:Body><s:Fault>\
<faultcode>s:Client</faultcode><faultstring>UPnPError</faultstring><detail><UPnPError xmlns=\"urn:schemas-upnp-org:control-1-0\">\
<errorCode>401</errorCode><errorDescription>Invalid Action</errorDescription></UPnPError></detail></s:Fault></s:Body></s:Envelope>";

impl Gateway {
    async fn answer(&self, action: Action) -> Option<Answer> {
        let [down_bit_s, up_bit_s] = self.config.rates;
        Some(match action {
            Action::CommonLinkProperties => {
                Answer::Link { access: "DSL".to_owned(), up_bit_s, down_bit_s, state: "Up".to_owned() }
            }
            // 32 bits, as the standard has it.
            Action::OctetsReceived => Answer::Octets(self.counters().await?.received_octets & u64::from(u32::MAX)),
            Action::OctetsSent => Answer::Octets(self.counters().await?.sent_octets & u64::from(u32::MAX)),
            Action::Status => Answer::Status {
                state: "Connected".to_owned(),
                last_error: "ERROR_NONE".to_owned(),
                uptime_s: self.up_since.elapsed().as_secs(),
            },
            Action::ExternalAddress => Answer::Address(Some(self.config.outer)),
            Action::ConnectionType => Answer::Connection("IP_Routed".to_owned()),
            Action::LinkRates => return None,
        })
    }

    async fn counters(&self) -> Option<facts::Counters> {
        Some(facts::link(self.line_index).await.ok()??.counters)
    }
}
