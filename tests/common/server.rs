//! Child processes that end with their test, and waiting for what they say.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// What anything may take on a busy machine before a test fails; nothing is timed by it.
pub(crate) const LIMIT: Duration = Duration::from_secs(60);

/// Asks again and again until there is an answer.
pub(crate) fn wait_for<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let end = Instant::now() + LIMIT;
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(Instant::now() < end, "waited for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A child process whose output is read line by line, and which ends with the test.
pub(crate) struct Server {
    child: Child,
    lines: Receiver<String>,
    seen: Vec<String>,
    readers: Vec<std::thread::JoinHandle<()>>,
}

impl Server {
    /// Starts a program in a place and waits for a line that contains `ready`.
    pub(crate) fn start(command: Command, ready: &str) -> Self {
        let mut server = Self::spawn(command);
        server.wait_for_line(ready);
        server
    }

    /// Starts a program in a place that does not say when it is ready.
    pub(crate) fn spawn(mut command: Command) -> Self {
        let name = command.get_program().to_string_lossy().into_owned();
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap_or_else(|e| panic!("{name} is needed (see the top of this test): {e}"));
        let (send, lines) = channel();
        let streams: [Box<dyn Read + Send>; 2] =
            [Box::new(child.stdout.take().expect("piped")), Box::new(child.stderr.take().expect("piped"))];
        let readers = streams.map(|stream| {
            let send = send.clone();
            std::thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    let _ = send.send(line);
                }
            })
        });
        Self { child, lines, seen: Vec::new(), readers: readers.into() }
    }

    /// Waits for a line that contains `text`, from the start of the program on.
    pub(crate) fn wait_for_line(&mut self, text: &str) -> String {
        let end = Instant::now() + LIMIT;
        let mut looked_at = 0;
        loop {
            if let Some(line) = self.seen[looked_at..].iter().find(|line| line.contains(text)) {
                return line.clone();
            }
            looked_at = self.seen.len();
            let left = end.saturating_duration_since(Instant::now());
            match self.lines.recv_timeout(left) {
                Ok(line) => self.seen.push(line),
                Err(error) => panic!("no line with {text:?} ({error}) in:\n{}", self.seen.join("\n")),
            }
        }
    }

    /// Waits until it ends by itself; ends it when it does not.
    pub(crate) fn wait_for_end(mut self, limit: Duration) {
        let end = Instant::now() + limit;
        while Instant::now() < end && self.child.try_wait().is_ok_and(|ended| ended.is_none()) {
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Sends it a signal.
    pub(crate) fn signal(&self, signal: nix::sys::signal::Signal) {
        nix::sys::signal::kill(nix::unistd::Pid::from_raw(self.child.id() as i32), signal).expect("it runs");
    }

    /// Ends it by a signal and returns all that it said.
    pub(crate) fn end(mut self, signal: nix::sys::signal::Signal) -> Vec<String> {
        self.signal(signal);
        self.child.wait().expect("it ends");
        self.readers.drain(..).for_each(|reader| reader.join().expect("no panic"));
        self.seen.extend(self.lines.try_iter());
        std::mem::take(&mut self.seen)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
