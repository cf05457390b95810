//! A User Mode Linux in the middle of a test's cables, for what the host's kernel may lack.
//!
//! Its root is the host's, read-only; its ports are taps, each bridged with a cable's end. The init script gives `READY` when it
//! is, runs each `command.N` that appears in the shared folder, and ends when `stop` appears there.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use doorstep::net::netns::Namespace;

use crate::server::Server;

/// The virtual machine; it is told to end, and ended by its number if it does not.
pub(crate) struct Machine {
    folder: tempfile::TempDir,
    machine: Option<Server>,
    commands: usize,
}

impl Machine {
    /// Starts it in a place whose ports `ends` are up: they become its `vec0`, `vec1` and so on. `files` are put beside the init
    /// script, executable.
    pub(crate) fn start(middle: &Namespace, ends: &[&str], init: &str, files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let run = |arguments: &str| {
            let status = middle.command("ip").args(arguments.split(' ')).status().expect("iproute2 is installed");
            assert!(status.success(), "ip {arguments}: is /dev/net/tun there?");
        };
        for (n, end) in ends.iter().enumerate() {
            run(&format!("tuntap add dev tap{n} mode tap"));
            run(&format!("link add br{n} type bridge mcast_snooping 0"));
            // Up before the machine starts: its transmit queue sticks on a tap that is down.
            for port in [&format!("tap{n}"), *end] {
                run(&format!("link set {port} master br{n} up"));
            }
            run(&format!("link set br{n} up"));
        }
        for (name, text) in [("init.sh", init)].iter().chain(files) {
            let path = folder.path().join(name);
            std::fs::write(&path, text).expect("a file");
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).expect("a mode");
        }
        let mut command = middle.command("linux.uml");
        command
            .args(["mem=128M", "root=/dev/root", "rootfstype=hostfs", "rootflags=/", "ro", "con0=null,fd:1", "con=null", "quiet"])
            .args((0..ends.len()).map(|n| format!("vec{n}:transport=tap,ifname=tap{n},depth=128,gro=1")))
            .arg(format!("init={}", folder.path().join("init.sh").display()))
            .arg(format!("SHARED={}", folder.path().display()))
            .env("TMPDIR", folder.path());
        let machine = Some(Server::start(command, "READY"));
        Self { folder, machine, commands: 0 }
    }

    /// Runs shell commands inside, and waits until they are done.
    pub(crate) fn command(&mut self, text: &str) {
        let n = self.commands;
        self.commands += 1;
        let (written, name) = (self.folder.path().join("next"), self.folder.path().join(format!("command.{n}")));
        std::fs::write(&written, text).and_then(|()| std::fs::rename(&written, &name)).expect("a file");
        let machine = self.machine.as_mut().expect("it runs");
        machine.wait_for_line(&format!("DONE {n}"));
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        let told = std::fs::write(self.folder.path().join("stop"), "");
        if let (Ok(()), Some(machine)) = (told, self.machine.take()) {
            machine.wait_for_end(Duration::from_secs(10));
        }
    }
}
