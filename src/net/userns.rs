//! The rights to build a line: those of root, or root of a user namespace of our own.
//!
//! An ordinary user may be root over what it makes itself (user_namespaces(7)): namespaces, cables, queues, NAT. It must
//! not know what is built. The hard thing: the kernel lets only a process with a single thread enter a user namespace,
//! so this comes before anything that starts one (an async runtime, a logger with a thread).

use std::io;

use nix::errno::Errno;
use nix::sched::{CloneFlags, unshare};
use nix::unistd::{getgid, getuid};
use thiserror::Error;

/// With which rights the process builds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rights {
    /// It had them: root, or the capabilities.
    Held,
    /// As root of a user namespace that it just entered, for good. Outside it is the user that it was.
    UserNamespace,
}

/// Why a line can't be built by this user.
#[derive(Debug, Error)]
pub enum RightsError {
    /// Entered too late.
    #[error("a user namespace can only be entered while the process has one thread; run it with sudo instead")]
    TooLate,
    /// A switch of this system forbids it.
    #[error(
        "this system lets no ordinary user make network namespaces ({setting} is {value}); run it with sudo, or allow it with: \
         sudo sysctl -w {setting}={wanted}"
    )]
    SwitchedOff {
        /// Name of the sysctl.
        setting: &'static str,
        /// What it is.
        value: String,
        /// What it would have to be.
        wanted: &'static str,
    },
    /// Forbidden, and no known switch says why: a container's filter, a hardened kernel.
    #[error("the kernel refuses a user namespace ({source}); inside a container allow it from outside, else run it with sudo")]
    Refused {
        /// The kernel's answer.
        source: io::Error,
    },
}

/// Capabilities that building and testing need: CAP_NET_ADMIN, CAP_NET_RAW, CAP_SYS_ADMIN (linux/capability.h).
const NEEDED: u64 = 1 << 12 | 1 << 13 | 1 << 21;

/// The switches that forbid it: name, whether zero is what forbids (else anything but zero does), what allows.
const SWITCHES: [(&str, bool, &str); 3] = [
    // Debian's and others' kernels.
    ("kernel.unprivileged_userns_clone", true, "1"),
    // Where AppArmor confines unprivileged namespaces.
    ("kernel.apparmor_restrict_unprivileged_userns", false, "0"),
    // user_namespaces(7): zero switches them off.
    ("user.max_user_namespaces", true, "15000"),
];

/// Makes sure of the rights, by entering a user namespace if need be. Call it first of all.
///
/// # Errors
/// Says what to type.
pub fn acquire() -> Result<Rights, RightsError> {
    if holds(NEEDED) {
        return Ok(Rights::Held);
    }
    let (uid, gid) = (getuid(), getgid());
    let entered = unshare(CloneFlags::CLONE_NEWUSER).map_err(io::Error::from).and_then(|()| {
        // user_namespaces(7): without privilege outside, setgroups has to be given up before a group may be mapped.
        std::fs::write("/proc/self/setgroups", "deny")?;
        std::fs::write("/proc/self/gid_map", format!("0 {gid} 1"))?;
        std::fs::write("/proc/self/uid_map", format!("0 {uid} 1"))
    });
    match entered {
        Ok(()) if holds(NEEDED) => Ok(Rights::UserNamespace),
        Ok(()) => Err(explain(io::Error::from(Errno::EPERM))),
        Err(error) => Err(explain(error)),
    }
}

/// True when all these capabilities are effective.
fn holds(wanted: u64) -> bool {
    let status = std::fs::read_to_string("/proc/thread-self/status").unwrap_or_default();
    effective(&status).is_some_and(|held| held & wanted == wanted)
}

/// The effective capabilities in a `status` file of proc(5).
fn effective(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|l| l.strip_prefix("CapEff:"))?;
    u64::from_str_radix(line.trim(), 16).ok()
}

fn explain(source: io::Error) -> RightsError {
    if source.raw_os_error() == Some(libc::EINVAL) {
        return RightsError::TooLate;
    }
    explain_by(source, |setting| std::fs::read_to_string(format!("/proc/sys/{}", setting.replace('.', "/"))).ok())
}

/// Finds the switch to blame; `read` gives a sysctl's value, `None` where there is no such sysctl.
fn explain_by(source: io::Error, read: impl Fn(&str) -> Option<String>) -> RightsError {
    for (setting, zero_forbids, wanted) in SWITCHES {
        if let Some(value) = read(setting).map(|v| v.trim().to_owned()).filter(|v| (v == "0") == zero_forbids) {
            return RightsError::SwitchedOff { setting, value, wanted };
        }
    }
    RightsError::Refused { source }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal() -> io::Error {
        io::Error::from_raw_os_error(libc::EPERM)
    }

    #[test]
    fn the_switch_that_forbids_is_named_with_what_to_type() {
        for (blamed, value, wanted) in [
            ("kernel.unprivileged_userns_clone", "0", "=1"),
            ("kernel.apparmor_restrict_unprivileged_userns", "1", "=0"),
            ("user.max_user_namespaces", "0", "=15000"),
        ] {
            let text = explain_by(refusal(), |s| (s == blamed).then(|| format!("{value}\n"))).to_string();
            assert!(text.contains(&format!("sudo sysctl -w {blamed}{wanted}")) && text.contains("run it with sudo"), "{text}");
        }
    }

    #[test]
    fn switches_that_allow_or_are_missing_are_not_blamed() {
        let allowing = |s: &str| match s {
            "kernel.unprivileged_userns_clone" => Some("1\n".to_owned()),
            "kernel.apparmor_restrict_unprivileged_userns" => Some("0\n".to_owned()),
            "user.max_user_namespaces" => Some("96365\n".to_owned()),
            other => panic!("{other} is not a known switch"),
        };
        for text in [explain_by(refusal(), allowing).to_string(), explain_by(refusal(), |_| None).to_string()] {
            assert!(text.contains("inside a container"), "{text}");
        }
    }

    #[test]
    fn a_second_thread_is_too_late() {
        assert!(matches!(explain(io::Error::from_raw_os_error(libc::EINVAL)), RightsError::TooLate));
    }

    #[test]
    fn capabilities_are_read_from_the_status_file() {
        assert_eq!(effective("Name:\tx\nCapPrm:\t0\nCapEff:\t000001ffffffffff\n"), Some(0x01ff_ffff_ffff));
        assert_eq!(effective("Name:\tx\n"), None);
        assert!(holds(NEEDED), "the tests of this room run as root");
    }
}
