//! Runs the built program, in the laptop's place of a line or on the machine, with a limit on its time.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use doorstep::farend::invitation;
use doorstep::practice::{LineConfig, Node, PracticeLine};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;

/// The built program.
pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_doorstep");
/// No visit of these tests takes so long; one that does hangs.
const LIMIT: Duration = Duration::from_secs(120);

/// How a run ended.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) status: Option<i32>,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl Ended {
    /// What it printed, as a record.
    pub(crate) fn record(&self) -> Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|e| panic!("not JSON ({e}): {self:?}"))
    }
}

/// A run that goes on; ended with the test.
#[derive(Debug)]
pub(crate) struct Run {
    child: Child,
    readers: Option<[std::thread::JoinHandle<String>; 2]>,
}

impl Run {
    /// Starts a command with its output caught.
    pub(crate) fn start(command: &mut Command) -> Self {
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the program starts");
        let (out, err) = (child.stdout.take().expect("piped"), child.stderr.take().expect("piped"));
        Self { child, readers: Some([drain(out), drain(err)]) }
    }

    /// Sends a signal to this process and no other.
    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(self.child.id() as i32), signal).expect("the process is ours");
    }

    /// Waits for its end.
    pub(crate) fn end(mut self) -> Ended {
        let begun = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().expect("our child") {
                break status;
            }
            assert!(begun.elapsed() < LIMIT, "the program did not end within {LIMIT:?}");
            std::thread::sleep(Duration::from_millis(20));
        };
        let [stdout, stderr] = self.readers.take().expect("ended once").map(|r| r.join().expect("a reader"));
        Ended { status: status.code(), stdout, stderr }
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn drain(mut from: impl Read + Send + 'static) -> std::thread::JoinHandle<String> {
    std::thread::spawn(move || {
        let mut text = String::new();
        let _ = from.read_to_string(&mut text);
        text
    })
}

/// Runs the program on the machine.
pub(crate) fn program(arguments: &[&str]) -> Ended {
    Run::start(Command::new(PROGRAM).args(arguments)).end()
}

/// A line sold as vdsl-100-40 with all services, and the file with its far end in a folder of the test's own.
#[derive(Debug)]
pub(crate) struct Scene {
    pub(crate) line: PracticeLine,
    pub(crate) folder: tempfile::TempDir,
}

impl Scene {
    pub(crate) fn new() -> Self {
        let config = LineConfig::sold_at_ip(100.0, 40.0).expect("rates");
        let line = PracticeLine::build(config).expect("this test needs root and a kernel with veth, tbf and nf_tables");
        let folder = tempfile::tempdir().expect("a folder");
        invitation::write(&folder.path().join("far.toml"), &line.far_end_target()).expect("the far end's file");
        Self { line, folder }
    }

    pub(crate) fn record_path(&self) -> PathBuf {
        self.folder.path().join("visit.json")
    }

    /// `verify` at quick depth in the laptop's place, with consent and JSON.
    pub(crate) fn verify(&self) -> Run {
        self.verify_into(&self.record_path())
    }

    /// The same with the record somewhere else.
    pub(crate) fn verify_into(&self, record: &Path) -> Run {
        let mut command = self.line.namespace(Node::Laptop).command(PROGRAM);
        command.args(["verify", "--profile", "vdsl-100-40", "--depth", "quick", "--yes", "--json", "--far-end"]);
        command.arg(self.folder.path().join("far.toml")).arg("--record").arg(record);
        Run::start(&mut command)
    }

    /// Waits until the record on disk holds a finished check, and returns it.
    pub(crate) fn wait_for(&self, check: &str) -> Value {
        let begun = Instant::now();
        loop {
            let record = std::fs::read_to_string(self.record_path()).ok().and_then(|t| serde_json::from_str::<Value>(&t).ok());
            if let Some(record) = record.filter(|r| status_of(r, check).is_some()) {
                return record;
            }
            assert!(begun.elapsed() < LIMIT, "the record never told of {check}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The IPv4 addresses and routes of the laptop, as `ip` tells them.
    pub(crate) fn laptop_has(&self) -> String {
        let told = |arguments: &[&str]| {
            let out = self.line.namespace(Node::Laptop).command("ip").args(arguments).output().expect("iproute2 is installed");
            String::from_utf8_lossy(&out.stdout).into_owned()
        };
        told(&["-4", "-o", "address", "show", "dev", "lan0"]) + &told(&["-4", "route", "show"])
    }
}

/// The status of a check in a record.
pub(crate) fn status_of<'a>(record: &'a Value, check: &str) -> Option<&'a str> {
    record["checks"].as_array()?.iter().find(|c| c["check"] == check)?["status"].as_str()
}

/// The readings of a name in a record.
pub(crate) fn readings<'a>(record: &'a Value, name: &str) -> Vec<&'a Value> {
    let checks = record["checks"].as_array().into_iter().flatten();
    checks.flat_map(|c| c["readings"].as_array().into_iter().flatten()).filter(|r| r["name"] == name).collect()
}
