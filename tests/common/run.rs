//! Runs the built program with a limit on its time.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;

/// The built program.
pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_doorstep");
/// No visit of these tests takes so long; one that does hangs.
pub(crate) const LIMIT: Duration = Duration::from_secs(120);

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
    stdout: Caught,
    stderr: Caught,
}

impl Run {
    /// Starts a command with its output caught.
    pub(crate) fn start(command: &mut Command) -> Self {
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().expect("the program starts");
        let (out, err) = (child.stdout.take().expect("piped"), child.stderr.take().expect("piped"));
        Self { child, stdout: Caught::from(out), stderr: Caught::from(err) }
    }

    /// Sends a signal to this process and no other.
    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(self.child.id() as i32), signal).expect("the process is ours");
    }

    /// Its process.
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }

    /// Processor time so far, in ticks of 10 ms (proc(5): fields 14 and 15 of stat).
    pub(crate) fn ticks(&self) -> u64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.id())).expect("it runs");
        let fields: Vec<&str> = stat.rsplit_once(')').expect("a name").1.split_whitespace().collect();
        fields[11..13].iter().map(|field| field.parse::<u64>().expect("ticks")).sum()
    }

    /// Waits until its standard output holds a text, and returns what it holds then.
    pub(crate) fn wait_for(&mut self, text: &str) -> String {
        self.wait(text, |run| &run.stdout)
    }

    /// The same of its standard error.
    pub(crate) fn wait_for_note(&mut self, text: &str) -> String {
        self.wait(text, |run| &run.stderr)
    }

    fn wait(&mut self, text: &str, of: impl Fn(&Self) -> &Caught) -> String {
        let begun = Instant::now();
        loop {
            let so_far = of(self).so_far();
            if so_far.contains(text) {
                return so_far;
            }
            let ended = self.child.try_wait().expect("our child");
            assert!(ended.is_none(), "it ended ({ended:?}) before it said {text:?}: {so_far} {}", self.stderr.so_far());
            assert!(begun.elapsed() < LIMIT, "it never said {text:?}: {so_far}");
            std::thread::sleep(Duration::from_millis(5));
        }
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
        Ended { status: status.code(), stdout: self.stdout.whole(), stderr: self.stderr.whole() }
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What comes out of a pipe, as it comes.
#[derive(Debug)]
struct Caught {
    text: Arc<Mutex<String>>,
    reader: Option<JoinHandle<()>>,
}

impl Caught {
    fn from(from: impl Read + Send + 'static) -> Self {
        let text = Arc::new(Mutex::new(String::new()));
        let to = Arc::clone(&text);
        let reader = std::thread::spawn(move || {
            let mut from = BufReader::new(from);
            let mut line = Vec::new();
            while from.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
                to.lock().expect("no panic").push_str(&String::from_utf8_lossy(&line));
                line.clear();
            }
        });
        Self { text, reader: Some(reader) }
    }

    fn so_far(&self) -> String {
        self.text.lock().expect("no panic").clone()
    }

    fn whole(&mut self) -> String {
        self.reader.take().expect("ended once").join().expect("a reader");
        self.so_far()
    }
}

/// Runs the program on the machine.
pub(crate) fn program(arguments: &[&str]) -> Ended {
    Run::start(Command::new(PROGRAM).args(arguments)).end()
}
