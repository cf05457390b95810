//! A cable between a laptop and a server's place, checks run on it, and child processes that end with their test.

use std::io::{BufRead, BufReader, Read};
use std::net::{IpAddr, Ipv4Addr};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use doorstep::check::{Check, Context, Effort, Finished, Interface, Known, Learned};
use doorstep::net::build::{End, Site};
use doorstep::net::facts::{self, Address, DefaultRoute};
use doorstep::net::netns::Namespace;
use doorstep::reading::{Outcome, Reading, Target};
use doorstep::unit::{Depth, Family, Position};
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;

pub(crate) const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 0, 1, 1];
pub(crate) const SERVER_MAC: [u8; 6] = [2, 0, 0x5e, 0, 1, 2];
/// The server's address on the cable, and the router that it names.
pub(crate) const SERVER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

/// What anything may take on a busy machine before a test fails; nothing is timed by it.
pub(crate) const LIMIT: Duration = Duration::from_secs(60);

pub(crate) struct Line {
    pub(crate) laptop: Site,
    pub(crate) server: Site,
    pub(crate) laptop_index: u32,
    pub(crate) server_index: u32,
    runtime: Runtime,
}

impl Line {
    /// Both ends up, the server's with [`SERVER`]/24.
    pub(crate) fn new() -> Self {
        let line = Self::with_server_end_down();
        line.plug_in()
    }

    /// The laptop's end up, without carrier.
    pub(crate) fn with_server_end_down() -> Self {
        let places = ["laptop", "server"].map(|label| Namespace::new(label).expect("these tests need root"));
        let mut laptop = Site::open(&places[0]).expect("netlink");
        let server = Site::open(&places[1]).expect("netlink");
        let near = End { site: &places[0], name: "lan0", mac: LAPTOP_MAC };
        laptop.cable(&near, &End { site: &places[1], name: "lan", mac: SERVER_MAC }).expect("veth");
        let (laptop_index, server_index) = (laptop.index("lan0").expect("made"), server.index("lan").expect("made"));
        laptop.raise("lan0", laptop_index).expect("up");
        let runtime = places[0].runtime(2).expect("runtime");
        Self { laptop, server, laptop_index, server_index, runtime }
    }

    /// Raises the server's end, and waits until the laptop's kernel sends.
    pub(crate) fn plug_in(mut self) -> Self {
        self.server.raise("lan", self.server_index).expect("up");
        self.server.address(self.server_index, IpAddr::V4(SERVER), 24).expect("address");
        let index = self.laptop_index;
        wait_for("the laptop's port to be up", || {
            let link = self.block_on(facts::link(index)).expect("netlink").expect("exists");
            (link.operational == "up").then_some(())
        });
        self
    }

    /// Runs a future on threads in the laptop's place.
    pub(crate) fn block_on<T: Send + 'static>(&self, work: impl Future<Output = T> + Send + 'static) -> T {
        let limited = async { tokio::time::timeout(LIMIT, work).await.expect("done within a minute") };
        let task = self.runtime.spawn(limited);
        self.runtime.block_on(task).unwrap_or_else(|error| std::panic::resume_unwind(error.into_panic()))
    }

    pub(crate) fn context(&self, depth: Depth) -> Context {
        context(self.laptop_index, depth)
    }

    pub(crate) fn check(&self, check: &dyn Check, depth: Depth) -> Finished {
        self.block_on(check.run(self.context(depth)))
    }

    /// Closing figures of all that is held.
    pub(crate) fn close(&self, mut finished: Finished) -> (Vec<Outcome>, Finished) {
        self.block_on(async move {
            let mut closing = Vec::new();
            for holding in &mut finished.holdings {
                closing.extend(holding.closing_outcome().await);
            }
            (closing, finished)
        })
    }

    /// Gives back all that is held.
    pub(crate) fn release(&self, finished: Finished) {
        self.block_on(async move {
            for holding in finished.holdings {
                holding.release().await;
            }
        });
    }

    /// IPv4 addresses and default routes of the laptop's port.
    pub(crate) fn configured(&self) -> (Vec<Address>, Vec<DefaultRoute>) {
        let index = self.laptop_index;
        self.block_on(async move {
            let mut addresses = facts::addresses(index).await.expect("netlink");
            addresses.retain(|a| a.address.is_ipv4());
            (addresses, facts::default_routes(index, Family::Ipv4).await.expect("netlink"))
        })
    }
}

pub(crate) fn context(index: u32, depth: Depth) -> Context {
    Context {
        interface: Interface { name: "lan0".into(), index, mac: LAPTOP_MAC },
        known: Arc::new(Known::default()),
        effort: Effort {
            depth,
            sold_down_mbit: 0.0,
            sold_up_mbit: 0.0,
            streams: 1,
            load_time: Duration::ZERO,
            max_octets: None,
            confidence: 0.95,
            dscp: 0,
        },
        position: Position::Gateway,
        far_end: None,
        cancel: CancellationToken::new(),
        live: Arc::new(|_| {}),
    }
}

pub(crate) fn known(learned: Vec<Learned>) -> Known {
    let mut known = Known::default();
    learned.into_iter().for_each(|one| known.learn(one));
    known
}

pub(crate) fn readings<'a>(outcome: &'a Outcome, name: &str) -> Vec<&'a Reading> {
    outcome.readings.iter().filter(|r| r.name == name).collect()
}

pub(crate) fn reading<'a>(outcome: &'a Outcome, name: &str) -> &'a Reading {
    let all = readings(outcome, name);
    assert_eq!(all.len(), 1, "{name} in {:?}", outcome.readings);
    all[0]
}

pub(crate) fn server(number: u16) -> Option<Target> {
    Some(Target::Server(number))
}

pub(crate) fn codes(outcome: &Outcome) -> Vec<&str> {
    outcome.flaws.iter().map(|f| f.code.as_str()).collect()
}

/// The value of an option in the facts of an answer.
pub(crate) fn option(outcome: &Outcome, answer: usize, code: u64) -> Option<String> {
    let options = outcome.facts["answers"][answer]["options"].as_array()?;
    let found = options.iter().find(|o| o["code"] == code)?;
    Some(found["value"].as_str()?.to_owned())
}

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
    pub(crate) fn start(mut command: Command, ready: &str) -> Self {
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
        let mut server = Self { child, lines, seen: Vec::new(), readers: readers.into() };
        server.wait_for_line(ready);
        server
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

    /// Ends it by a signal and returns all that it said.
    pub(crate) fn end(mut self, signal: nix::sys::signal::Signal) -> Vec<String> {
        nix::sys::signal::kill(nix::unistd::Pid::from_raw(self.child.id() as i32), signal).expect("it runs");
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
