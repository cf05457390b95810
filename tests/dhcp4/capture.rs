//! Packets as others see them: tcpdump captures, tshark reads.

use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::process::Command;

use doorstep::net::netns::Namespace;
use nix::sys::signal::Signal;

use crate::support::Server;

/// A running capture of DHCP on a port.
pub(crate) struct Capture {
    tcpdump: Server,
    directory: tempfile::TempDir,
}

/// A DHCP message as tshark reads it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Seen {
    /// Seconds since the epoch.
    pub(crate) at: f64,
    /// Option 53.
    pub(crate) kind: u8,
    pub(crate) transaction: u32,
    pub(crate) source: Ipv4Addr,
    pub(crate) client: Ipv4Addr,
    pub(crate) yours: Ipv4Addr,
    /// Numbers of all options, in order.
    pub(crate) options: Vec<u8>,
    /// tshark found the IP and the UDP checksum right.
    pub(crate) checksums_are_right: bool,
    /// What tshark complains about.
    pub(crate) complaints: String,
}

impl Capture {
    /// Begins to capture; what is sent after this returns is in it.
    pub(crate) fn start(place: &Namespace, port: &str) -> Self {
        let directory = tempfile::tempdir().expect("a directory");
        let file = directory.path().join("capture.pcap");
        let mut command = place.command("tcpdump");
        command.args(["-i", port, "-U", "--immediate-mode", "--time-stamp-precision=nano", "-Z", "root", "-w"]);
        command.arg(&file).args(["udp", "port", "67", "or", "udp", "port", "68"]);
        Self { tcpdump: Server::start(command, "listening on"), directory }
    }

    /// Ends the capture and has tshark read it.
    pub(crate) fn end(self) -> Vec<Seen> {
        self.tcpdump.end(Signal::SIGINT);
        read(&self.directory.path().join("capture.pcap"))
    }
}

const FIELDS: [&str; 10] = [
    "frame.time_epoch",
    "dhcp.option.dhcp",
    "dhcp.id",
    "ip.src",
    "dhcp.ip.client",
    "dhcp.ip.your",
    "dhcp.option.type",
    "ip.checksum.status",
    "udp.checksum.status",
    "_ws.expert.message",
];

fn read(file: &PathBuf) -> Vec<Seen> {
    let mut command = Command::new("tshark");
    command.args(["-n", "-o", "ip.check_checksum:TRUE", "-o", "udp.check_checksum:TRUE", "-T", "fields", "-E", "separator=|"]);
    for field in FIELDS {
        command.args(["-e", field]);
    }
    let output = command.arg("-r").arg(file).output().expect("the package tshark is needed");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).lines().map(line).collect()
}

fn line(text: &str) -> Seen {
    let parts: Vec<&str> = text.split('|').collect();
    let [at, kind, id, source, client, yours, options, ip, udp, complaints] = parts[..] else { panic!("{text}") };
    Seen {
        at: at.parse().expect(text),
        kind: kind.parse().expect(text),
        transaction: u32::from_str_radix(id.trim_start_matches("0x"), 16).expect(text),
        source: source.parse().expect(text),
        client: client.parse().expect(text),
        yours: yours.parse().expect(text),
        options: options.split(',').map(|o| o.parse().expect(text)).collect(),
        // 1 is "good" in tshark's own numbering.
        checksums_are_right: (ip, udp) == ("1", "1"),
        complaints: complaints.to_owned(),
    }
}
