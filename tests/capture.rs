//! `--capture`: the control traffic of a whole visit, read by an independent analyser.
//!
//! Needs root and the package tshark; fails loudly without. All traffic stays on practice lines that the tests make.

#[path = "common/run.rs"]
mod run;

use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use doorstep::farend::invitation;
use doorstep::practice::{Concentrator, Handoff, LineConfig, Node, PracticeLine};
use doorstep::wire::vlan::TagStack;
use serde_json::Value;

use run::{Ended, PROGRAM, Run};

struct Scene {
    line: PracticeLine,
    folder: tempfile::TempDir,
}

impl Scene {
    fn new() -> Self {
        Self::on(LineConfig::sold_at_ip(100.0, 40.0).expect("rates"))
    }

    fn on(config: LineConfig) -> Self {
        let line = PracticeLine::build(config).expect("this test needs root and a kernel with veth, tbf and nf_tables");
        let folder = tempfile::tempdir().expect("a folder");
        invitation::write(&folder.path().join("far.toml"), &line.far_end_target()).expect("the far end's file");
        Self { line, folder }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("visit.pcapng")
    }

    fn run(&self, arguments: &[&str], capture: &Path) -> Ended {
        let mut command = self.line.namespace(Node::Laptop).command(PROGRAM);
        command.args(arguments).args(["--depth", "quick", "--json", "--far-end"]).arg(self.folder.path().join("far.toml"));
        command.arg("--record").arg(self.folder.path().join("visit.json")).arg("--capture").arg(capture);
        Run::start(&mut command).end()
    }
}

// RFC 1994 section 4.1, RFC 1334 section 2.2.1: what proves the account is masked, what is agreed on stays readable.
#[test]
fn the_capture_of_a_tagged_session_shows_its_phases_and_neither_account_nor_proof() {
    let vlan = TagStack::single(35);
    let scene =
        Scene::on(LineConfig::sold_at_ip(100.0, 40.0).expect("rates").handed_over(Handoff::Pppoe(Concentrator::Serving), vlan));
    let login = scene.folder.path().join("login.toml");
    std::fs::write(&login, "name = \"line1@example.net\"\npassword = \"not-for-records\"\n").expect("a file");
    std::fs::set_permissions(&login, std::fs::Permissions::from_mode(0o600)).expect("a mode");
    let path = scene.path();
    let arguments = ["check", "pppoe", "--access", "pppoe", "--vlan", "35", "--login", login.to_str().expect("text")];
    let record = scene.run(&arguments, &path).record();
    let held = record["checks"].as_array().into_iter().flatten().flat_map(|c| c["readings"].as_array().into_iter().flatten());
    assert!(held.clone().any(|r| r["name"] == "pppoe.address_held" && r["value"] == 1.0), "{record:#}");
    for wanted in ["pppoed", "lcp", "chap", "ipcp"] {
        let rows = read(&path, wanted, ["vlan.id", "_ws.malformed"]);
        assert!(
            !rows.is_empty() && rows.iter().all(|[tag, malformed]| tag == "35" && malformed.is_empty()),
            "{wanted}: {rows:?}"
        );
    }
    let octets = std::fs::read(&path).expect("the capture");
    for secret in ["not-for-records", "line1@example.net"] {
        assert!(!octets.windows(secret.len()).any(|window| window == secret.as_bytes()), "{secret} is in the capture");
    }
    let proofs = read(&path, "chap.code == 2", ["chap.value"]);
    assert!(!proofs.is_empty() && proofs.iter().all(|[value]| value.bytes().all(|c| matches!(c, b'0' | b':'))), "{proofs:?}");
}

/// What tshark reads of frames that a display filter lets through; checksums are verified.
fn read<const N: usize>(path: &Path, filter: &str, fields: [&str; N]) -> Vec<[String; N]> {
    let mut command = Command::new("tshark");
    command.args(["-n", "-o", "ip.check_checksum:TRUE", "-o", "udp.check_checksum:TRUE", "-T", "fields", "-E", "separator=|"]);
    for field in fields {
        command.args(["-e", field]);
    }
    let output = command.arg("-r").arg(path).args(["-Y", filter]).output().expect("the package tshark is needed");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let row = |line: &str| -> [String; N] {
        let parts: Vec<String> = line.split('|').map(str::to_owned).collect();
        parts.try_into().unwrap_or_else(|parts| panic!("{N} fields: {parts:?}"))
    };
    String::from_utf8_lossy(&output.stdout).lines().map(row).collect()
}

#[test]
fn a_visits_control_traffic_is_there_from_discover_to_release_and_nothing_else_is() {
    let scene = Scene::new();
    let path = scene.path();
    let record = scene.run(&["verify", "--profile", "vdsl-100-40", "--yes"], &path).record();
    let all = read(&path, "frame", ["frame.number", "frame.protocols", "_ws.malformed"]);
    assert!(all.iter().all(|row| row[2].is_empty()), "{all:?}");

    // RFC 2131: discover 1, offer 2, request 3, ack 5, release 7; out is 2 and in is 1 in the packet flags.
    let dhcp = read(&path, "dhcp and not icmp", ["dhcp.option.dhcp", "frame.packet_flags_direction", "udp.checksum.status"]);
    let steps: Vec<(&str, u8)> = dhcp
        .iter()
        .map(|[kind, way, _]| (kind.as_str(), u8::from_str_radix(way.trim_start_matches("0x"), 16).expect("a way")))
        .collect();
    assert_eq!(steps, [("1", 2), ("2", 1), ("3", 2), ("5", 1), ("7", 2)], "{dhcp:?}");
    for wanted in ["arp", "icmp", "icmpv6", "pppoed"] {
        assert!(!read(&path, wanted, ["frame.number"]).is_empty(), "no {wanted} among {} frames", all.len());
    }

    // The load, the lookups and the probes of the two-way stream are payload: none of them, except as an error quotes them.
    let payload = read(
        &path,
        "(tcp or dns or http or tls or (udp and not dhcp and not dhcpv6)) and not icmp and not icmpv6",
        ["frame.number"],
    );
    assert!(payload.is_empty(), "{payload:?}");
    let echoes = read(
        &path,
        "(icmp.type == 8 or icmp.type == 0) and not icmp.type == 11 and not icmp.type == 3",
        ["data.data", "icmp.checksum.status", "ip.checksum.status"],
    );
    assert!(echoes.len() > 20, "{}", echoes.len());
    for [data, sum, header] in &echoes {
        let digits: String = data.chars().filter(char::is_ascii_hexdigit).collect();
        assert!(digits.len() <= 16 || digits[16..].bytes().all(|digit| digit == b'0'), "beyond the eighth octet: {data}");
        assert_eq!((sum.as_str(), header.as_str()), ("1", "1"), "checksums are right");
    }

    let note = &record["capture"];
    let octets = std::fs::read(&path).expect("the capture");
    assert_eq!(
        (note["frames"].as_u64(), note["octets"].as_u64()),
        (Some(all.len() as u64), Some(octets.len() as u64)),
        "{note:#}"
    );
    let summed = Command::new("sha256sum").arg(&path).output().expect("coreutils");
    let digest = String::from_utf8_lossy(&summed.stdout).split(' ').next().expect("a digest").to_owned();
    assert_eq!((&note["digest"], &note["missed"]), (&Value::from(format!("sha256:{digest}")), &Value::from(0)), "{note:#}");
    assert_eq!(note.get("stopped_because"), None);
    let mode = std::fs::metadata(&path).expect("there").permissions().mode() & 0o777;
    assert_eq!(mode, 0o600, "the owner's only");
    assert_eq!(record["verdict"], "pass", "a capture changes nothing: {:#}", record["judgements"]);

    // Stamped by the kernel: in order, with the resolution of nanoseconds.
    let times = read(&path, "frame", ["frame.time_epoch"]);
    let odd = times.iter().filter(|[time]| !time.ends_with("000")).count();
    assert!(odd * 2 > times.len(), "nanoseconds");
    let interfaces: BTreeSet<String> = read(&path, "frame", ["frame.interface_name"]).into_iter().map(|[name]| name).collect();
    assert_eq!(interfaces, BTreeSet::from(["lan0".to_owned()]));
}

#[test]
fn an_earlier_capture_is_not_written_over_and_nothing_is_sent() {
    let scene = Scene::new();
    std::fs::write(scene.path(), "evidence").expect("a file");
    let ended = scene.run(&["check", "dhcp4"], &scene.path());
    assert_eq!(ended.status, Some(4), "{ended:?}");
    assert!(ended.stderr.contains("--capture"), "{ended:?}");
    assert_eq!(std::fs::read_to_string(scene.path()).expect("there"), "evidence");
    assert!(scene.line.dhcp().expect("it runs").handed_out().is_empty(), "nobody was asked");
}

#[test]
fn a_disk_that_is_full_ends_the_capture_and_not_the_visit() {
    let scene = Scene::new();
    // A disk of two pages that only this process sees; what it held is copied out at the end.
    let script = "mount -t tmpfs -o size=8k none \"$1/disk\" && \"$2\" check echo --depth quick --json --far-end \"$1/far.toml\" \
        --record \"$1/visit.json\" --capture \"$1/disk/visit.pcapng\"; cp \"$1/disk/visit.pcapng\" \"$1/visit.pcapng\"";
    std::fs::create_dir(scene.folder.path().join("disk")).expect("a folder");
    let mut command = scene.line.namespace(Node::Laptop).command("unshare");
    command.args(["--mount", "--propagation", "private", "sh", "-c", script, "sh"]).arg(scene.folder.path()).arg(PROGRAM);
    let ended = Run::start(&mut command).end();
    assert_eq!(ended.stderr.matches("The capture has stopped, the visit goes on").count(), 1, "{ended:?}");
    let note = &ended.record()["capture"];
    assert!(note["stopped_because"].as_str().is_some_and(|why| why.contains("can't be written")), "{note:#}");
    let frames = read(&scene.path(), "frame", ["frame.number"]).len() as u64;
    assert_eq!(note["frames"].as_u64(), Some(frames), "whole blocks only: {note:#}");
}
