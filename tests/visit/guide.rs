//! `verify --guide`: two places, a plug that is moved between them, and what they say together.

use std::process::Command;
use std::time::Duration;

use doorstep::practice::Node;

use crate::run::{PROGRAM, Run, program};
use crate::support::Scene;

fn gateway(scene: &Scene, program: &str, arguments: &[&str]) {
    let status = scene.line.namespace(Node::Gateway).command(program).args(arguments).status();
    assert!(status.expect("iproute2 and nftables are installed").success(), "{program} {arguments:?}");
}

#[test]
fn a_fault_that_stays_behind_when_the_plug_is_moved_lies_in_the_home() {
    let scene = Scene::new();
    let rules = "add table netdev home; add chain netdev home c { type filter hook ingress device lan priority 0; }; \
                 add rule netdev home c ip protocol udp numgen random mod 100 < 8 drop";
    gateway(&scene, "nft", &[rules]);
    let mut command: Command = scene.line.namespace(Node::Laptop).command(PROGRAM);
    command.args(["verify", "--profile", "vdsl-100-40", "--depth", "quick", "--yes", "--json", "--guide", "--then", "ont"]);
    command.arg("--circuit").arg("EVB-000123").arg("--far-end").arg(scene.folder.path().join("far.toml"));
    command.env("XDG_STATE_HOME", scene.folder.path());
    let mut run = Run::start(&mut command);
    run.wait_for_note("Now move the plug of lan0 from the gateway's LAN port to the optical terminal's port");
    // What was lost in the home is lost no more where the plug goes to.
    gateway(&scene, "nft", &["delete table netdev home"]);
    let laptop = |state| scene.line.namespace(Node::Laptop).command("ip").args(["link", "set", "lan0", state]).status();
    assert!(laptop("down").expect("iproute2 is installed").success());
    std::thread::sleep(Duration::from_secs(1));
    assert!(laptop("up").expect("iproute2 is installed").success());
    let ended = run.end();
    let comparison = ended.record();
    assert_eq!(
        (&comparison["first"]["verdict"], &comparison["second"]["verdict"]),
        (&"fail".into(), &"pass".into()),
        "{ended:?}"
    );
    assert_eq!((&comparison["first"]["position"], &comparison["second"]["position"]), (&"gateway".into(), &"ont".into()));
    assert_eq!((ended.status, &comparison["segment"]), (Some(0), &"home".into()), "{comparison:#}");
    let records = std::fs::read_dir(scene.folder.path().join("doorstep/records")).expect("records").count();
    assert_eq!(records, 2, "both visits are kept");
}

#[test]
fn a_guide_that_leads_nowhere_is_refused() {
    let refused = program(&["verify", "--profile", "vdsl-100-40", "--guide", "--then", "gateway"]);
    assert_eq!(refused.status, Some(2), "{refused:?}");
    assert!(refused.stderr.contains("both are `gateway`; say where to with --then"), "{refused:?}");
}
