//! However the agent ends and whatever it may not do: nothing stays for good, and it says what to type.

use std::net::{IpAddr, Ipv4Addr};
use std::process::Command;
use std::time::Duration;

use doorstep::check::Check;
use doorstep::check::dhcp4::Dhcp4;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::Status;
use doorstep::unit::Depth;
use nix::sys::signal::Signal;

use crate::support::{LIMIT, Line, SERVER, Server, context, wait_for};

/// Port index for the part that a child of this binary plays.
const PART: &str = "DHCP4_LIFECYCLE_PORT";

/// Plays the agent in a process of its own: takes a lease, says so, and holds it until it is killed. Does nothing when it
/// is run as a test, for want of a port.
#[test]
fn part_of_a_child() {
    let Ok(index) = std::env::var(PART) else { return };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
    runtime.block_on(async {
        let finished = Dhcp4.run(context(index.parse().expect("an index"), Depth::Quick)).await;
        eprintln!("outcome {:?} {}", finished.outcome.status, finished.outcome.reason.as_deref().unwrap_or_default());
        if !finished.holdings.is_empty() {
            tokio::time::sleep(LIMIT).await;
        }
    });
}

/// This binary again, inside the laptop's place, to play its part.
fn child(line: &Line, wrapper: &[&str]) -> Command {
    let this = std::env::current_exe().expect("this binary");
    let words: Vec<&str> = wrapper.iter().copied().chain([this.to_str().expect("a name")]).collect();
    let mut command = line.laptop.namespace().command(words[0]);
    command.args(&words[1..]).args(["--exact", "lifecycle::part_of_a_child", "--nocapture"]);
    command.env(PART, line.laptop_index.to_string());
    command
}

fn role(line: &Line, lease: Duration) -> DhcpRole {
    let config = DhcpRoleConfig { lease, ..DhcpRoleConfig::for_network(SERVER) };
    DhcpRole::start(line.server.namespace(), "lan", config).expect("a server")
}

#[test]
fn an_agent_that_is_killed_leaves_an_address_that_dies_by_itself() {
    let line = Line::new();
    let role = role(&line, Duration::from_secs(8));
    let agent = Server::start(child(&line, &[]), "outcome Done");
    agent.end(Signal::SIGKILL);
    let (addresses, _) = line.configured();
    let [held] = &addresses[..] else { panic!("{addresses:?}") };
    assert_eq!(held.address, IpAddr::V4(Ipv4Addr::new(192, 0, 2, 50)));
    assert!(held.valid_for.expect("a lifetime") <= Duration::from_secs(8));
    assert_eq!(role.counts().releases, 0, "it had no time to");
    // Nobody renews any more; the kernel takes the address and its routes away.
    wait_for("the kernel to clean up", || (line.configured() == (vec![], vec![])).then_some(()));
}

#[test]
fn without_the_rights_it_looks_at_nothing_and_says_what_to_type() {
    let line = Line::new();
    let role = role(&line, Duration::from_secs(60));
    for (missing, doing) in [("-net_raw", "asking for an address"), ("-net_admin", "putting an address on the port")] {
        let drop_right = format!("--bounding-set={missing}");
        let mut agent = Server::start(child(&line, &["setpriv", &drop_right]), "outcome");
        let told = agent.wait_for_line("outcome");
        let told = told.split_once("outcome").expect("found").1;
        assert!(told.contains("NotTested") && told.contains(doing), "{missing}: {told}");
        assert!(told.contains("sudo setcap cap_net_raw,cap_net_admin+ep "), "{missing}: {told}");
    }
    assert_eq!(role.counts().discovers, 0, "nothing was sent");
}

#[test]
fn a_check_that_is_dropped_half_way_leaves_nothing_on_the_port() {
    let line = Line::new();
    let role = role(&line, Duration::from_secs(60));
    let context = line.context(Depth::Quick);
    line.block_on(async move {
        // Dropped when the OFFER is in, before the lease is on the port.
        tokio::select! {
            _ = Dhcp4.run(context) => panic!("it waits for other servers"),
            () = async { while role.counts().discovers == 0 { tokio::task::yield_now().await } } => {}
        }
    });
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn a_port_that_is_switched_off_is_the_test_set_s_own_trouble_not_a_silent_server() {
    let line = Line::new();
    let status = line.laptop.namespace().command("ip").args(["link", "set", "lan0", "down"]).status();
    assert!(status.expect("iproute2 is installed").success());
    let outcome = line.check(&Dhcp4, Depth::Quick).outcome;
    assert_eq!(outcome.status, Status::NotTested);
    let reason = outcome.reason.expect("a reason");
    assert!(reason.starts_with("sending a DISCOVER: ") && reason.contains("down"), "{reason}");
    assert!(outcome.readings.is_empty(), "{:?}", outcome.readings);
}
