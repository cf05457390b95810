//! However a process with a practice line ends, nothing stays behind; and an ordinary user can build one.
//!
//! Each case needs a process of its own with a single thread, so this binary brings its own harness: it lists its cases
//! as the usual one does, runs those that are named (all without a name), and is its own child in some of them.

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::IpAddr;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, ExitCode, Stdio};
use std::time::Duration;

use doorstep::net::build::interfaces;
use doorstep::net::userns::{self, Rights};
use doorstep::practice::topology::{FAR_END_V4, FAR_END_V6};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine, Services, Shape};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "practice/support.rs"]
mod support;

/// Name and body of each case.
const CASES: [(&str, fn()); 5] = [
    ("a_dropped_line_leaves_no_thread_descriptor_or_interface", a_dropped_line_leaves_nothing),
    ("a_panic_takes_the_line_down", a_panic_takes_the_line_down),
    ("a_killed_process_leaves_nothing", || leaves_nothing_when_ended_by(Signal::SIGKILL)),
    ("an_interrupted_process_leaves_nothing", || leaves_nothing_when_ended_by(Signal::SIGINT)),
    ("an_ordinary_user_builds_a_line_that_answers", an_ordinary_user_builds_a_line),
];

/// Says to a child of this binary which part to play.
const PART: &str = "PRACTICE_LIFECYCLE_PART";
const NOBODY: u32 = 65534;

fn main() -> ExitCode {
    match std::env::var(PART).as_deref() {
        Ok("hold") => return hold(),
        Ok("ordinary") => return play_ordinary_user(),
        _ => {}
    }
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let has = |flag: &str| arguments.iter().any(|a| a == flag);
    let mut out = std::io::stdout();
    if has("--list") {
        for (name, _) in CASES.iter().filter(|_| !has("--ignored")) {
            writeln!(out, "{name}: test").expect("stdout");
        }
        return ExitCode::SUCCESS;
    }
    let names: Vec<&String> = arguments.iter().filter(|a| !a.starts_with('-')).collect();
    let wanted = |name: &str| {
        names.is_empty() || names.iter().any(|n| if has("--exact") { *n == name } else { name.contains(n.as_str()) })
    };
    for (name, case) in CASES.iter().filter(|(name, _)| wanted(name)) {
        case();
        writeln!(out, "test {name} ... ok").expect("stdout");
    }
    ExitCode::SUCCESS
}

/// A line with every kind of part: delay lines, queues, translation.
fn full_line() -> LineConfig {
    let shape = Shape::ethernet_mbit(100.0);
    let delay = Impairments::both(Impairment::delayed(Duration::from_millis(2)));
    LineConfig { down: shape, up: shape, access: delay, network: delay, ..LineConfig::default() }
}

/// What this process and the machine show of a line.
#[derive(Debug, PartialEq)]
struct Traces {
    threads: usize,
    descriptors: usize,
    interfaces: Vec<String>,
    named_namespaces: Vec<String>,
    mounts: usize,
}

fn entries(directory: &str) -> Vec<String> {
    let Ok(list) = fs::read_dir(directory) else { return Vec::new() };
    let mut names: Vec<String> = list.flatten().map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

fn traces() -> Traces {
    Traces {
        threads: entries("/proc/self/task").len(),
        descriptors: entries("/proc/self/fd").len(),
        interfaces: interfaces().expect("netlink"),
        named_namespaces: entries("/run/netns"),
        mounts: fs::read_to_string("/proc/self/mountinfo").expect("proc").lines().count(),
    }
}

/// What is there after a first line: the async runtime's signal handling keeps two descriptors for the whole process.
fn traces_after_a_first_line() -> Traces {
    drop(support::build(full_line()));
    traces()
}

fn a_dropped_line_leaves_nothing() {
    let before = traces_after_a_first_line();
    assert_eq!(before.threads, 1);
    let line = support::build(full_line());
    let standing = traces();
    assert!(standing.threads > before.threads && standing.descriptors > before.descriptors, "{standing:?}");
    assert_eq!(
        (&standing.interfaces, &standing.named_namespaces, standing.mounts),
        (&before.interfaces, &before.named_namespaces, before.mounts),
        "nothing shows outside even while it stands"
    );
    line.shutdown();
    assert_eq!(traces(), before);
}

fn a_panic_takes_the_line_down() {
    let before = traces_after_a_first_line();
    let result = std::panic::catch_unwind(|| {
        let _line = support::build(full_line());
        panic!("on purpose");
    });
    assert!(result.is_err());
    assert_eq!(traces(), before);
}

/// A child of this binary that plays a part.
fn child(program: &Path, part: &str) -> Command {
    let mut command = Command::new(program);
    command.env(PART, part).stdin(Stdio::piped()).stdout(Stdio::piped());
    command
}

fn this_program() -> std::path::PathBuf {
    std::env::current_exe().expect("proc")
}

/// Builds a line, says so, and stays until standard input ends.
fn hold() -> ExitCode {
    let _line = support::build(full_line());
    let mut out = std::io::stdout();
    writeln!(out, "standing").and_then(|()| out.flush()).expect("the parent listens");
    let _ = std::io::stdin().read(&mut [0]);
    ExitCode::SUCCESS
}

/// The namespaces that a process holds by descriptor or thread.
fn namespaces_of(process: &str) -> BTreeSet<String> {
    let descriptors = entries(&format!("/proc/{process}/fd")).into_iter().map(|fd| format!("/proc/{process}/fd/{fd}"));
    let threads = entries(&format!("/proc/{process}/task")).into_iter().map(|t| format!("/proc/{process}/task/{t}/ns/net"));
    let links = descriptors.chain(threads).filter_map(|path| fs::read_link(path).ok());
    links.map(|l| l.to_string_lossy().into_owned()).filter(|l| l.starts_with("net:[")).collect()
}

fn wait_for(child: &mut Child, word: &str) {
    let mut line = String::new();
    BufReader::new(child.stdout.as_mut().expect("piped")).read_line(&mut line).expect("a line");
    assert_eq!(line.trim(), word);
}

fn leaves_nothing_when_ended_by(signal: Signal) {
    let ours = namespaces_of("self");
    let (interfaces_before, named_before) = (interfaces().expect("netlink"), entries("/run/netns"));
    let mut child = child(&this_program(), "hold").spawn().expect("this binary again");
    wait_for(&mut child, "standing");
    let its: BTreeSet<String> = namespaces_of(&child.id().to_string()).difference(&ours).cloned().collect();
    // Six places and a wire in each of two stretches.
    assert_eq!(its.len(), 8, "{its:?}");
    kill(Pid::from_raw(child.id() as i32), signal).expect("the child lives");
    let status = child.wait().expect("ended");
    assert_eq!(std::os::unix::process::ExitStatusExt::signal(&status), Some(signal as i32));
    for process in entries("/proc").iter().filter(|p| p.bytes().all(|b| b.is_ascii_digit())) {
        let kept: Vec<String> = namespaces_of(process).intersection(&its).cloned().collect();
        assert!(kept.is_empty(), "process {process} keeps {kept:?}");
    }
    assert_eq!(interfaces().expect("netlink"), interfaces_before);
    assert_eq!(entries("/run/netns"), named_before);
}

/// As a user without rights: enter a user namespace, build, ping, say so.
fn play_ordinary_user() -> ExitCode {
    assert_eq!(userns::acquire().expect("this kernel allows user namespaces"), Rights::UserNamespace);
    let line = support::build(full_line());
    for to in [IpAddr::V4(FAR_END_V4), IpAddr::V6(FAR_END_V6)] {
        support::ping(&line, Node::Laptop, to, 1).unwrap_or_else(|e| panic!("{to}: {e}"));
    }
    assert!(line.is_shaped_by_kernel());
    assert_eq!(line.own_drops(), 0);
    let mut out = std::io::stdout();
    writeln!(out, "answered").expect("the parent listens");
    ExitCode::SUCCESS
}

fn an_ordinary_user_builds_a_line() {
    // The build directory may be closed to others, so the program goes where anybody may run it.
    let directory = tempfile::tempdir().expect("a temporary directory");
    fs::set_permissions(directory.path(), fs::Permissions::from_mode(0o755)).expect("ours");
    let program = directory.path().join("practice");
    fs::copy(this_program(), &program).expect("room for a copy");
    let mut child = child(&program, "ordinary").uid(NOBODY).gid(NOBODY).current_dir("/").spawn().expect("root may become nobody");
    wait_for(&mut child, "answered");
    assert!(child.wait().expect("ended").success());
}

// The other tests' bare line is not needed here, but the file is shared.
const _: fn() -> LineConfig = support::bare;
const _: fn(&PracticeLine, Node, IpAddr) = support::warm_up;
const _: Services = Services::NONE;
