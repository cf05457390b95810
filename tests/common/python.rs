//! Programs of Python with the packages of tests/python.txt, which tests/run puts into target/python.

#![allow(dead_code, reason = "each file uses a part of it")]

use std::io::Write as _;
use std::process::{Child, Command, Stdio};

/// Runs a program with arguments and an input, and returns what it printed. Fails loudly where Python or a package is missing.
pub(crate) fn python(program: &str, arguments: &[&std::ffi::OsStr], input: &str) -> String {
    let mut child = interpreter(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("this test needs python3");
    child.stdin.take().expect("a pipe").write_all(input.as_bytes()).expect("written");
    let output = child.wait_with_output().expect("it ends");
    assert!(
        output.status.success(),
        "the packages of tests/python.txt are needed (python3 -m pip install --target target/python -r tests/python.txt)\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Starts a program with arguments, for whoever talks to it while it runs and ends it; what it prints comes through a pipe.
pub(crate) fn start(program: &str, arguments: &[&str]) -> Child {
    interpreter(program).args(arguments).stdin(Stdio::null()).spawn().expect("this test needs python3")
}

fn interpreter(program: &str) -> Command {
    let mut command = Command::new("python3");
    command.args(["-c", program]).env("PYTHONPATH", concat!(env!("CARGO_MANIFEST_DIR"), "/target/python")).stdout(Stdio::piped());
    command
}
