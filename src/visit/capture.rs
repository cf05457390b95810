//! The visit's control traffic, written while it happens as a file that any analyser opens.
//!
//! One task listens on the port, both ways, and writes what [`mask`] leaves of each frame. Whatever goes wrong with it
//! is told once and ends it; the visit does not depend on it. With tunnels on the port it is the port that is listened on.

use std::fs::{File, OpenOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use ring::digest::{Context as Digest, SHA256};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::events::{Listener, VisitEvent};
use crate::check::Interface;
use crate::net::packet::{Filter, PacketEvent, PacketSocket};
use crate::record::CaptureNote;
use crate::unit::digest::hexadecimal;
use crate::wire::mask::{Masked, mask};
use crate::wire::pcapng::{self, Packet, Way};

/// The file is closed at this size: control traffic of an hour takes a megabyte, a storm of it must not fill a disk.
const MOST_OCTETS: u64 = 64 << 20;
/// What is kept for the last block.
const LAST_BLOCK: u64 = 1024;
/// Written together at the latest after this time, or when so much waits.
const FLUSH_EVERY: Duration = Duration::from_secs(1);
const FLUSH_AT: usize = 64 << 10;
/// Longest frame: a GSO packet of the kernel's own, and a tag.
const LONGEST: usize = 66_000;

/// The file of a capture can't be had.
#[derive(Debug, thiserror::Error)]
#[error("no capture can be written to {}: {source}; name a new file with --capture", .path.display())]
pub struct NoCapture {
    path: PathBuf,
    source: io::Error,
}

/// Makes the empty file, readable by its owner only, so that no visit is made in vain.
///
/// # Errors
/// When it can't be made, or is there already: an earlier visit's evidence is not written over.
pub fn reserve(path: &Path) -> Result<(), NoCapture> {
    let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
    made.map(drop).map_err(|source| NoCapture { path: path.to_owned(), source })
}

/// A capture that is going on.
#[derive(Debug)]
pub(super) struct Capture {
    stop: CancellationToken,
    task: JoinHandle<CaptureNote>,
}

impl Capture {
    /// Begins to listen; what is sent after this returns is heard.
    pub(super) fn start(path: &Path, interface: &Interface, listener: Listener) -> Self {
        let stop = CancellationToken::new();
        let opened = PacketSocket::open_both_ways(interface.index, Filter::Control).and_then(|socket| {
            // Nothing is created here: the file was made before anything was sent.
            Ok((socket, OpenOptions::new().write(true).truncate(true).open(path)?))
        });
        let (path, interface, ended) = (path.to_owned(), interface.clone(), stop.clone());
        let task = tokio::spawn(async move {
            let outcome = match opened {
                Ok((socket, file)) => listen(&socket, &interface, file, &ended).await,
                Err(error) => {
                    Written { digest: Digest::new(&SHA256), frames: 0, octets: 0, missed: 0, stopped: Some(error.to_string()) }
                }
            };
            let note = outcome.note(&path);
            if let Some(why) = &note.stopped_because {
                listener(&VisitEvent::CaptureStopped { why: why.clone() });
            }
            note
        });
        Self { stop, task }
    }

    /// Ends it and says what was written; `None` when a defect of ours ended it.
    pub(super) async fn end(mut self) -> Option<CaptureNote> {
        self.stop.cancel();
        (&mut self.task).await.ok()
    }
}

impl Drop for Capture {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Listens until told to stop, or until nothing more can be written.
async fn listen(socket: &PacketSocket, interface: &Interface, file: File, stop: &CancellationToken) -> Written {
    let comment = "control traffic of one visit; credentials and payloads are zero, checksums were made right again";
    let mut sink = Sink::new(file);
    sink.add(&pcapng::head(concat!("doorstep ", env!("CARGO_PKG_VERSION")), comment, &interface.name));
    let mut buffer = vec![0; LONGEST];
    let mut flush = tokio::time::interval(FLUSH_EVERY);
    while sink.stopped.is_none() {
        // Cancel safe: an event that was not taken is still queued.
        let event = tokio::select! {
            () = stop.cancelled() => break,
            _ = flush.tick() => {
                sink.flush();
                continue;
            }
            event = socket.next_event(&mut buffer) => event,
        };
        match event {
            Ok(event) => sink.take_in(&event, &buffer, interface.mac),
            Err(error) => sink.stop(format!("the port can't be read: {error}")),
        }
    }
    // What came before the stop.
    while sink.stopped.is_none()
        && let Ok(Some(event)) = socket.try_event(&mut buffer)
    {
        sink.take_in(&event, &buffer, interface.mac);
    }
    sink.close(socket.drops())
}

/// Where blocks are written: whole, or not at all.
trait Target: Write {
    /// Takes off all behind a length, which a write that failed may have left.
    fn cut(&mut self, octets: u64) -> io::Result<()>;
}

impl Target for File {
    fn cut(&mut self, octets: u64) -> io::Result<()> {
        self.set_len(octets)?;
        // Else the next block would stand behind a hole.
        self.seek(SeekFrom::Start(octets)).map(drop)
    }
}

/// Collects blocks and writes them.
struct Sink<T> {
    target: T,
    waiting: Vec<u8>,
    octets: u64,
    frames: u64,
    frames_waiting: u64,
    digest: Digest,
    stopped: Option<String>,
}

/// What a capture came to.
struct Written {
    digest: Digest,
    frames: u64,
    octets: u64,
    missed: u64,
    stopped: Option<String>,
}

impl<T: Target> Sink<T> {
    fn new(target: T) -> Self {
        let digest = Digest::new(&SHA256);
        Self { target, waiting: Vec::new(), octets: 0, frames: 0, frames_waiting: 0, digest, stopped: None }
    }

    fn take_in(&mut self, event: &PacketEvent, buffer: &[u8], own: [u8; 6]) {
        let PacketEvent::Received { len, whole_len, stamp, tag, has_checksum, .. } = event else { return };
        let mut frame = buffer[..*len].to_vec();
        if let (Some(tag), true) = (tag, frame.len() >= 12) {
            // The kernel took the outer tag out: back where it was on the wire.
            frame.splice(12..12, [tag.kind.to_be_bytes(), tag.control.to_be_bytes()].concat());
        }
        let Some(Masked { octets, is_changed, is_checksum_wrong }) = mask(&frame) else { return };
        let way = if frame[6..12] == own { Way::Out } else { Way::In };
        let comment = match (is_checksum_wrong, has_checksum, is_changed) {
            (true, false, _) => Some("the checksum was left to the adapter"),
            (true, true, true) => Some("masked; the checksum was wrong"),
            (true, true, false) => Some("the checksum was wrong"),
            (false, _, true) => Some("masked"),
            (false, _, false) => None,
        };
        let whole_len = (whole_len + frame.len() - len) as u32;
        let at_ns = stamp.unix_ns.max(0).cast_unsigned();
        self.add(&pcapng::packet(&Packet { at_ns, way, octets: &octets, whole_len, comment }));
        if self.stopped.is_none() {
            self.frames_waiting += 1;
        }
    }

    fn add(&mut self, block: &[u8]) {
        if self.octets + (self.waiting.len() + block.len()) as u64 + LAST_BLOCK > MOST_OCTETS {
            return self.stop(format!("it reached {} MiB", MOST_OCTETS >> 20));
        }
        self.waiting.extend_from_slice(block);
        if self.waiting.len() >= FLUSH_AT {
            self.flush();
        }
    }

    fn stop(&mut self, why: String) {
        self.stopped.get_or_insert(why);
    }

    fn flush(&mut self) {
        let (waiting, frames) = (std::mem::take(&mut self.waiting), std::mem::take(&mut self.frames_waiting));
        if waiting.is_empty() {
            return;
        }
        match self.target.write_all(&waiting).and_then(|()| self.target.flush()) {
            Ok(()) => {
                self.octets += waiting.len() as u64;
                self.frames += frames;
                self.digest.update(&waiting);
            }
            Err(error) => {
                let cut = self
                    .target
                    .cut(self.octets)
                    .err()
                    .map_or_else(String::new, |e| format!(", nor cut to its last whole block: {e}"));
                self.stop(format!("it can't be written any more: {error}{cut}"));
            }
        }
    }

    fn close(mut self, missed: u64) -> Written {
        let full = self.stopped.clone();
        let at_ns = Timestamp::now().as_nanosecond().try_into().unwrap_or(0);
        let comment = full.map_or_else(|| "the visit ended".to_owned(), |why| format!("the capture stopped: {why}"));
        // Into the room that was kept for it.
        self.waiting.extend(pcapng::end(at_ns, missed, &comment));
        self.flush();
        let Self { digest, frames, octets, stopped, .. } = self;
        Written { digest, frames, octets, missed, stopped }
    }
}

impl Written {
    fn note(self, path: &Path) -> CaptureNote {
        let digest = hexadecimal(self.digest.finish().as_ref());
        CaptureNote {
            file: path.display().to_string(),
            frames: self.frames,
            octets: self.octets,
            digest: format!("sha256:{digest}"),
            missed: self.missed,
            stopped_because: self.stopped,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::{Stamp, StampSource};

    /// A disk with so much room; a write that does not fit is written in part.
    #[derive(Default)]
    struct Disk {
        room: usize,
        held: Vec<u8>,
    }

    impl Write for Disk {
        fn write(&mut self, octets: &[u8]) -> io::Result<usize> {
            let fits = octets.len().min(self.room - self.held.len());
            if fits == 0 {
                return Err(io::ErrorKind::StorageFull.into());
            }
            self.held.extend(&octets[..fits]);
            Ok(fits)
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Target for &mut Disk {
        fn cut(&mut self, octets: u64) -> io::Result<()> {
            self.held.truncate(octets as usize);
            Ok(())
        }
    }

    fn arp() -> (PacketEvent, Vec<u8>) {
        let mut frame = vec![0xff; 6];
        frame.extend([2, 0, 0x5e, 0, 0, 1, 8, 6, 0, 1, 8, 0, 6, 4, 0, 1]);
        frame.resize(42, 7);
        let stamp = Stamp { unix_ns: 5, source: StampSource::Kernel, adapter_ns: None };
        let (len, at) = (frame.len(), std::time::Instant::now());
        (PacketEvent::Received { len, whole_len: len, stamp, at, tag: None, has_checksum: true }, frame)
    }

    #[test]
    fn a_full_disk_ends_it_once_and_leaves_whole_blocks_with_their_digest() {
        let mut disk = Disk { room: 1000, held: Vec::new() };
        let (event, frame) = arp();
        let mut sink = Sink::new(&mut disk);
        sink.add(&pcapng::head("a", "b", "c"));
        for _ in 0..20 {
            sink.take_in(&event, &frame, [0; 6]);
            sink.flush();
        }
        let written = sink.close(0);
        assert!(written.stopped.as_ref().is_some_and(|why| why.contains("can't be written")), "{:?}", written.stopped);
        let head = pcapng::head("a", "b", "c").len() as u64;
        let block = (written.octets - head) / written.frames;
        assert!((3..20).contains(&written.frames) && written.octets == head + block * written.frames, "{}", written.frames);
        assert_eq!(disk.held.len() as u64, written.octets);
        let digest: String =
            ring::digest::digest(&SHA256, &disk.held).as_ref().iter().map(|octet| format!("{octet:02x}")).collect();
        assert_eq!(written.note(Path::new("x")).digest, format!("sha256:{digest}"));
    }

    #[test]
    fn a_storm_ends_at_the_size_that_is_bounded() {
        let mut disk = Disk { room: 80 << 20, held: Vec::new() };
        let mut sink = Sink::new(&mut disk);
        let (event, mut frame) = arp();
        frame.resize(60_000, 0);
        let PacketEvent::Received { stamp, at, .. } = event else { unreachable!() };
        let event = PacketEvent::Received { len: 60_000, whole_len: 60_000, stamp, at, tag: None, has_checksum: true };
        for _ in 0..2000 {
            sink.take_in(&event, &frame, [0; 6]);
        }
        let written = sink.close(3);
        assert!(written.octets <= MOST_OCTETS && written.octets > MOST_OCTETS - 100_000, "{}", written.octets);
        assert_eq!((written.missed, written.stopped.as_deref()), (3, Some("it reached 64 MiB")));
        assert_eq!(disk.held.len() as u64, written.octets);
    }

    #[test]
    fn a_tag_that_the_kernel_took_out_stands_in_the_file() {
        let mut disk = Disk { room: 10_000, held: Vec::new() };
        let mut sink = Sink::new(&mut disk);
        let (event, frame) = arp();
        let PacketEvent::Received { len, whole_len, stamp, at, .. } = event else { unreachable!() };
        let tag = Some(crate::wire::ethernet::Tag { kind: 0x8100, control: 0x2007 });
        sink.take_in(
            &PacketEvent::Received { len, whole_len, stamp, at, tag, has_checksum: true },
            &frame,
            [2, 0, 0x5e, 0, 0, 1],
        );
        let _ = sink.close(0);
        // Block header 8, interface and time 12, lengths 8, addresses 12.
        assert_eq!(disk.held[40..46], [0x81, 0, 0x20, 7, 8, 6]);
        assert_eq!(disk.held[20..28], [46, 0, 0, 0, 46, 0, 0, 0]);
    }

    #[test]
    fn evidence_that_is_there_is_not_written_over_and_new_files_are_the_owners() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("visit.pcapng");
        reserve(&path).expect("new");
        assert_eq!(std::fs::metadata(&path).expect("there").permissions().mode() & 0o777, 0o600);
        let told = reserve(&path).expect_err("there already").to_string();
        assert!(told.contains("visit.pcapng") && told.contains("--capture"), "{told}");
    }
}
