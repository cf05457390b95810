//! Packets as others see them: tcpdump captures with the kernel's time stamps, tshark reads.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::process::Command;

use doorstep::net::netns::Namespace;
use nix::sys::signal::Signal;

use crate::server::Server;

/// A running capture on a port.
pub(crate) struct Capture {
    tcpdump: Server,
    directory: tempfile::TempDir,
}

impl Capture {
    /// Begins to capture what a filter (pcap-filter(7)) lets through; what is sent after this returns is in it.
    pub(crate) fn start(place: &Namespace, port: &str, filter: &str) -> Self {
        let directory = tempfile::tempdir().expect("a directory");
        let mut command = place.command("tcpdump");
        command.args(["-i", port, "-U", "--immediate-mode", "--time-stamp-precision=nano", "-Z", "root", "-w"]);
        command.arg(directory.path().join("capture.pcap")).args(filter.split(' '));
        Self { tcpdump: Server::start(command, "listening on"), directory }
    }

    /// Ends the capture and has tshark read these fields of every packet; checksums are verified.
    pub(crate) fn end<const N: usize>(self, fields: [&str; N]) -> Vec<[String; N]> {
        self.end_as(&[], fields)
    }

    /// The same with further options for tshark.
    pub(crate) fn end_as<const N: usize>(self, options: &[&str], fields: [&str; N]) -> Vec<[String; N]> {
        let Self { tcpdump, directory } = self;
        tcpdump.end(Signal::SIGINT);
        let mut command = Command::new("tshark");
        command.args(options).args([
            "-n",
            "-o",
            "ip.check_checksum:TRUE",
            "-o",
            "udp.check_checksum:TRUE",
            "-T",
            "fields",
            "-E",
            "separator=|",
        ]);
        for field in fields {
            command.args(["-e", field]);
        }
        let output = command.arg("-r").arg(directory.path().join("capture.pcap")).output().expect("the package tshark is needed");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let text = String::from_utf8_lossy(&output.stdout);
        let row = |line: &str| -> [String; N] {
            let parts: Vec<String> = line.split('|').map(str::to_owned).collect();
            parts.try_into().unwrap_or_else(|parts| panic!("{N} fields: {parts:?}"))
        };
        text.lines().map(row).collect()
    }
}
