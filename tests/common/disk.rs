//! A disk that is nearly full: a small tmpfs of the test's own. Needs root.

use std::path::{Path, PathBuf};
use std::process::Command;

/// A tmpfs that goes with this value.
#[derive(Debug)]
pub(crate) struct Disk {
    at: PathBuf,
}

impl Disk {
    /// Of so many octets, at a folder that is made.
    pub(crate) fn at(at: &Path, octets: u64) -> Self {
        std::fs::create_dir_all(at).expect("a folder");
        let mount =
            Command::new("mount").args(["-t", "tmpfs", "-o", &format!("size={octets},mode=0700"), "tmpfs"]).arg(at).status();
        assert!(mount.expect("mount").success(), "this test needs root");
        Self { at: at.to_owned() }
    }

    /// Octets left.
    pub(crate) fn free(&self) -> u64 {
        doorstep::record::store::free_octets(&self.at).expect("asked")
    }

    /// Takes all but so many octets with a file, and gives its path.
    pub(crate) fn fill_but(&self, left: u64) -> PathBuf {
        let path = self.at.join("filler");
        let octets = usize::try_from(self.free().saturating_sub(left)).expect("a small disk");
        // What fits of it stays.
        let _ = std::fs::write(&path, vec![0xa5; octets]);
        path
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.at).status();
    }
}
