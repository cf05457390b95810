//! What must be true before a visit can begin: a port, and the rights to look at it. Sends nothing.

use crate::check::Interface;
use crate::net::facts::{self, Link};
use crate::net::stamped::StampedSocket;
use crate::unit::Family;

/// Why a visit can't begin.
#[derive(Debug, thiserror::Error)]
pub enum PreflightError {
    /// The named interface does not exist.
    #[error("no interface is called `{name}`; this machine has {there}")]
    NoSuchInterface {
        /// As typed.
        name: String,
        /// The names that exist.
        there: String,
    },
    /// No name was given and none can be chosen.
    #[error("cannot choose an interface by itself: {why}; name one with --interface, of {there}")]
    NoChoice {
        /// None or several wired ones with carrier.
        why: &'static str,
        /// The names that exist.
        there: String,
    },
    /// The kernel does not allow raw sockets.
    #[error(
        "raw sockets are not allowed to this user; run it with sudo, or give the program the right once: \
         sudo setcap cap_net_raw,cap_net_admin+ep {program}"
    )]
    Rights {
        /// Path of this program.
        program: String,
    },
    /// The kernel would not list its interfaces, or refused a socket for another reason.
    #[error("cannot {doing}: {source}")]
    Kernel {
        /// What was being done.
        doing: &'static str,
        /// Why it failed.
        source: std::io::Error,
    },
}

/// The interface to test: as named, else the only Ethernet one with carrier.
///
/// # Errors
/// When it does not exist or can't be chosen; both list what there is.
pub async fn interface(name: Option<&str>) -> Result<Interface, PreflightError> {
    let links = facts::links().await.map_err(|source| PreflightError::Kernel { doing: "list the interfaces", source })?;
    choose(&links, name)
}

fn choose(links: &[Link], name: Option<&str>) -> Result<Interface, PreflightError> {
    let there = || {
        let names: Vec<&str> = links.iter().filter(|l| l.is_ethernet).map(|l| l.name.as_str()).collect();
        if names.is_empty() { "no Ethernet interface".to_owned() } else { names.join(", ") }
    };
    let chosen = if let Some(name) = name {
        let found = links.iter().find(|l| l.name == name);
        found.ok_or_else(|| PreflightError::NoSuchInterface { name: name.to_owned(), there: there() })?
    } else {
        let candidates: Vec<&Link> = links.iter().filter(|l| l.is_ethernet && l.has_carrier).collect();
        match candidates[..] {
            [only] => only,
            [] => return Err(PreflightError::NoChoice { why: "no Ethernet port has carrier", there: there() }),
            _ => return Err(PreflightError::NoChoice { why: "several Ethernet ports have carrier", there: there() }),
        }
    };
    Ok(Interface { name: chosen.name.clone(), index: chosen.index, mac: chosen.mac.unwrap_or_default() })
}

/// Whether a port has carrier; it has none where it is not there, as an adapter that was unplugged.
///
/// # Errors
/// When the kernel can't be asked.
pub async fn has_carrier(name: &str) -> Result<bool, PreflightError> {
    let links = facts::links().await.map_err(|source| PreflightError::Kernel { doing: "list the interfaces", source })?;
    Ok(links.iter().any(|link| link.name == name && link.has_carrier))
}

/// Whether this process may open raw sockets.
///
/// # Errors
/// When it may not, with what to type.
pub fn rights() -> Result<(), PreflightError> {
    match StampedSocket::icmp(Family::Ipv4, None) {
        Ok(_) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
            let program = std::env::current_exe().map_or_else(|_| "PROGRAM".to_owned(), |path| path.display().to_string());
            Err(PreflightError::Rights { program })
        }
        Err(source) => Err(PreflightError::Kernel { doing: "open a raw socket", source }),
    }
}
