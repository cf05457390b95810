//! Programs of Python with the packages of tests/python.txt, which tests/run puts into target/python.

use std::io::Write as _;
use std::process::{Command, Stdio};

/// Runs a program with arguments and an input, and returns what it printed. Fails loudly where Python or a package is missing.
pub(crate) fn python(program: &str, arguments: &[&std::ffi::OsStr], input: &str) -> String {
    let mut child = Command::new("python3")
        .arg("-c")
        .arg(program)
        .args(arguments)
        .env("PYTHONPATH", concat!(env!("CARGO_MANIFEST_DIR"), "/target/python"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
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
