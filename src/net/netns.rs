//! Unnamed network namespaces, entered by threads.
//!
//! A [`Namespace`] is an open descriptor and nothing else: no name under `/run`, no mount, no keeper process. When the
//! last clone is closed and the last thread or socket inside is gone, the kernel takes the namespace down with all
//! that is in it; so even a killed process leaves nothing behind. It must not know what is built inside.
//!
//! The hard thing: a namespace belongs to a thread, not to the process. New threads inherit it from the thread that
//! makes them, `/sys/class/net` shows the namespace of whoever mounted it, and `/proc/self/net` that of the main
//! thread. Inside, ask by netlink, by ioctl or under `/proc/thread-self/net`.

use std::fs::File;
use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use std::os::unix::process::CommandExt;
use std::process::Command;
use std::sync::Arc;
use std::thread::JoinHandle;

use nix::sched::{CloneFlags, setns, unshare};

/// An unnamed network namespace, held open by a descriptor. Clones share it.
#[derive(Debug, Clone)]
pub struct Namespace {
    fd: Arc<OwnedFd>,
    label: Arc<str>,
}

impl Namespace {
    /// Makes a namespace with its loopback up. `label` names its threads (the kernel shows the first 15 octets).
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_SYS_ADMIN over the calling user namespace; `ENOSPC` at the limit
    /// `user.max_net_namespaces`.
    pub fn new(label: &str) -> io::Result<Self> {
        let fd = on_thread(label, || -> io::Result<OwnedFd> {
            unshare(CloneFlags::CLONE_NEWNET)?;
            raise_loopback()?;
            Ok(File::open("/proc/thread-self/ns/net")?.into())
        })??;
        Ok(Self { fd: Arc::new(fd), label: label.into() })
    }

    /// The namespace of the calling thread.
    ///
    /// # Errors
    /// When `/proc` is not mounted.
    pub fn current(label: &str) -> io::Result<Self> {
        let fd = File::open("/proc/thread-self/ns/net")?.into();
        Ok(Self { fd: Arc::new(fd), label: label.into() })
    }

    /// The label given to [`Namespace::new`].
    pub fn label(&self) -> &str {
        &self.label
    }

    /// Runs `f` on a new thread inside the namespace and waits for it. A panic of `f` goes on in the caller.
    ///
    /// # Panics
    /// When no thread can be made, or when the namespace can't be entered (the caller gave up the rights that made it).
    pub fn run<T: Send + 'static>(&self, f: impl FnOnce() -> T + Send + 'static) -> T {
        let label = Arc::clone(&self.label);
        self.spawn(&label, f).join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }

    /// Runs `f` on a new thread inside the namespace. The caller owns the thread and has to end it: a running thread
    /// keeps the namespace alive.
    ///
    /// # Panics
    /// When no thread can be made; the thread itself panics when the namespace can't be entered.
    pub fn spawn<T: Send + 'static>(&self, name: &str, f: impl FnOnce() -> T + Send + 'static) -> JoinHandle<T> {
        let here = self.clone();
        std::thread::Builder::new()
            .name(name.to_owned())
            .spawn(move || {
                here.enter().unwrap_or_else(|error| panic!("can't enter namespace {}: {error}", here.label));
                drop(here);
                f()
            })
            .unwrap_or_else(|error| panic!("can't make a thread: {error}"))
    }

    /// A multi-threaded tokio runtime whose own threads (workers and the blocking pool) are all inside.
    ///
    /// `Runtime::block_on` polls its future on the *calling* thread, which is not: hand the work to `spawn` and block
    /// on the handle, or call `block_on` from within [`Namespace::run`].
    ///
    /// # Errors
    /// When the threads or the event queue can't be made.
    pub fn runtime(&self, workers: usize) -> io::Result<tokio::runtime::Runtime> {
        let here = self.clone();
        let each = self.clone();
        // Built on a thread inside, and each thread enters again at its start: the blocking pool grows from whichever
        // thread asks, also from one outside.
        on_thread(&self.label, move || {
            here.enter()?;
            tokio::runtime::Builder::new_multi_thread()
                .worker_threads(workers.max(1))
                .thread_name(&*here.label)
                .on_thread_start(move || {
                    each.enter().unwrap_or_else(|error| panic!("can't enter namespace {}: {error}", each.label));
                })
                .enable_all()
                .build()
        })?
    }

    /// Moves the calling thread into the namespace, for good.
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_SYS_ADMIN over the user namespace that made it.
    pub fn enter(&self) -> io::Result<()> {
        Ok(setns(&*self.fd, CloneFlags::CLONE_NEWNET)?)
    }

    /// A command whose child starts inside. The child keeps the namespace alive: end it before dropping the last clone.
    pub fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        let fd = Arc::clone(&self.fd);
        // SAFETY: between fork and exec the closure makes one system call on a descriptor that it owns; it takes no
        // lock and allocates nothing (the error is built from the bare number).
        unsafe {
            command.pre_exec(move || setns(&*fd, CloneFlags::CLONE_NEWNET).map_err(|e| io::Error::from_raw_os_error(e as i32)));
        }
        command
    }
}

impl AsFd for Namespace {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }
}

/// Runs `f` on a named thread of its own and hands back its result; a panic goes on in the caller.
fn on_thread<T: Send + 'static>(name: &str, f: impl FnOnce() -> T + Send + 'static) -> io::Result<T> {
    let thread = std::thread::Builder::new().name(name.to_owned()).spawn(f)?;
    Ok(thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
}

/// Brings `lo` of the calling thread's namespace up.
fn raise_loopback() -> io::Result<()> {
    let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::DGRAM, None)?;
    // SAFETY: an all-zero ifreq is a valid value of that plain C struct.
    let mut request: libc::ifreq = unsafe { std::mem::zeroed() };
    for (to, from) in request.ifr_name.iter_mut().zip(b"lo") {
        *to = *from as libc::c_char;
    }
    request.ifr_ifru.ifru_flags = (libc::IFF_UP | libc::IFF_RUNNING) as libc::c_short;
    // SAFETY: the request lives through the call, holds a terminated name, and SIOCSIFFLAGS only reads it.
    let result = unsafe { libc::ioctl(socket.as_raw_fd(), libc::SIOCSIFFLAGS, &raw const request) };
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::{TcpListener, TcpStream};

    fn id_of_this_thread() -> String {
        std::fs::read_link("/proc/thread-self/ns/net").expect("proc is mounted").display().to_string()
    }

    #[test]
    fn a_new_namespace_differs_from_ours_and_has_its_loopback_up() {
        let namespace = Namespace::new("test").expect("root");
        let outside = id_of_this_thread();
        let inside = namespace.run(|| {
            let listener = TcpListener::bind("127.0.0.1:0").expect("loopback is up");
            TcpStream::connect(listener.local_addr().expect("bound")).expect("loopback answers");
            id_of_this_thread()
        });
        assert_ne!(inside, outside);
        assert_eq!(id_of_this_thread(), outside, "the caller stays where it was");
    }

    #[test]
    fn threads_made_inside_and_children_stay_inside() {
        let namespace = Namespace::new("test").expect("root");
        let inside = namespace.run(id_of_this_thread);
        let nested = namespace.run(|| std::thread::spawn(id_of_this_thread).join().expect("no panic"));
        assert_eq!(nested, inside);
        let output = namespace.command("readlink").arg("/proc/self/ns/net").output().expect("readlink runs");
        assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), inside);
    }

    #[test]
    fn every_thread_of_a_runtime_is_inside_also_the_blocking_pool_called_from_outside() {
        let namespace = Namespace::new("test").expect("root");
        let inside = namespace.run(id_of_this_thread);
        let runtime = namespace.runtime(2).expect("runtime");
        let worker = runtime.spawn(async { id_of_this_thread() });
        let blocking = runtime.spawn_blocking(id_of_this_thread);
        assert_eq!(runtime.block_on(worker).expect("no panic"), inside);
        assert_eq!(runtime.block_on(blocking).expect("no panic"), inside);
    }

    #[test]
    #[should_panic(expected = "on purpose")]
    fn a_panic_inside_reaches_the_caller() {
        Namespace::new("test").expect("root").run(|| panic!("on purpose"));
    }
}
