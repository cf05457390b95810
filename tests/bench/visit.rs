//! How long visits take, what they need, and what a far end costs that nobody uses: figures, no verdicts.
//!
//! `cargo bench --bench visit` (as root). About two minutes. All traffic stays in namespaces made here.

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use doorstep::farend::invitation;
use doorstep::practice::{LineConfig, Node, PracticeLine};
use serde_json::Value;

#[path = "../common/run.rs"]
mod run;

use run::{PROGRAM, Run};

fn say(text: &str) {
    writeln!(std::io::stdout(), "{text}").expect("stdout");
}

/// Most resident memory of a process so far, in MiB (proc(5): VmHWM, in kB).
fn peak_mib(id: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1024.0)
}

/// A whole visit from the program's start to its end, on a healthy line.
fn visit(line: &PracticeLine, folder: &Path, profile: &str, depth: &str) {
    let far = folder.join("far.toml");
    let record = folder.join(format!("{profile}-{depth}.json"));
    let mut command = line.namespace(Node::Laptop).command(PROGRAM);
    command.args(["verify", "--profile", profile, "--depth", depth, "--yes", "--json", "--far-end"]);
    command.arg(&far).arg("--record").arg(&record);
    let begun = Instant::now();
    let run = Run::start(&mut command);
    let id = run.id();
    let watching = std::thread::spawn(move || {
        let mut peak = 0.0_f64;
        while let Some(now) = peak_mib(id) {
            peak = peak.max(now);
            std::thread::sleep(Duration::from_millis(20));
        }
        peak
    });
    let ended = run.end();
    let took = begun.elapsed().as_secs_f64();
    let peak = watching.join().expect("no panic");
    let record: Value = ended.record();
    let checks = record["checks"].as_array().expect("checks");
    let load = checks.iter().find(|c| c["check"] == "throughput").and_then(|c| c["took_ms"].as_f64()).unwrap_or(0.0) / 1e3;
    say(&format!(
        "verify --profile {profile} --depth {depth}: {took:.1} s, of which load {load:.1} s and all else {:.1} s; peak memory {peak:.1} MiB; \
         verdict {}",
        took - load,
        record["verdict"]
    ));
}

fn demo() {
    let folder = tempfile::tempdir().expect("a folder");
    let begun = Instant::now();
    let mut command = Command::new(PROGRAM);
    command.args(["demo", "--record"]).arg(folder.path().join("visit.json"));
    let mut run = Run::start(&mut command);
    run.wait_for_note("link ");
    let link = begun.elapsed().as_secs_f64();
    run.wait_for_note("dhcp4 ");
    let lease = begun.elapsed().as_secs_f64();
    let ended = run.end();
    say(&format!(
        "demo: line built and port looked at after {link:.2} s, lease after {lease:.2} s (its first packet lies between), whole {:.1} s, status {:?}",
        begun.elapsed().as_secs_f64(),
        ended.status
    ));
}

fn idle_far_end() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::new(PROGRAM);
    command.args([
        "serve",
        "--listen",
        "127.0.0.1",
        "--control-port",
        "18620",
        "--data-port",
        "18621",
        "--stamp-port",
        "18622",
        "--sip-port",
        "0",
        "--state",
    ]);
    command.arg(folder.path());
    let mut run = Run::start(&mut command);
    run.wait_for("fingerprint");
    let (before, time) = (run.ticks(), Duration::from_secs(10));
    std::thread::sleep(time);
    say(&format!(
        "serve, idle: {} ticks of 10 ms in {} s, {:.1} MiB resident at most",
        run.ticks() - before,
        time.as_secs(),
        peak_mib(run.id()).unwrap_or(0.0)
    ));
}

fn main() {
    demo();
    idle_far_end();
    for (profile, down, up) in [("vdsl-100-40", 100.0, 40.0), ("fibre-1000-500", 1000.0, 500.0)] {
        let config = LineConfig::sold_at_ip(down, up).expect("rates");
        let line = PracticeLine::build(config).expect("root and a kernel with veth, tbf and nf_tables");
        let folder = tempfile::tempdir().expect("a folder");
        invitation::write(&folder.path().join("far.toml"), &line.far_end_target()).expect("a file");
        for depth in ["quick", "handoff"] {
            visit(&line, folder.path(), profile, depth);
        }
    }
}
