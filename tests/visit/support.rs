//! A line with a far end, and the program in its laptop's place.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use doorstep::farend::invitation;
use doorstep::practice::{LineConfig, Node, PracticeLine};
use serde_json::Value;

use crate::run::{LIMIT, PROGRAM, Run};

/// A line sold as vdsl-100-40 with all services, and the file with its far end in a folder of the test's own.
#[derive(Debug)]
pub(crate) struct Scene {
    pub(crate) line: PracticeLine,
    pub(crate) folder: tempfile::TempDir,
}

impl Scene {
    pub(crate) fn new() -> Self {
        Self::with(|_| {})
    }

    /// The same with something done to it.
    pub(crate) fn with(change: impl FnOnce(&mut LineConfig)) -> Self {
        let mut config = LineConfig::sold_at_ip(100.0, 40.0).expect("rates");
        change(&mut config);
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
