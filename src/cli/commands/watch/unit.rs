//! The unit by which systemd runs a watch: from the machine's start, as a user of its own, with the two capabilities that a visit needs.
//!
//! Pure: text in, text out.

use std::path::{Path, PathBuf};

/// Where the service keeps its state: what `XDG_STATE_HOME` is for it.
pub(super) const STATE: &str = "/var/lib/doorstep-watch";

/// Flags whose value names a file, and what the service finds it under: it may read no other file of this machine's users.
const FILES: [(&[&str], &str); 5] = [
    (&["--far-end"], "far-end"),
    (&["--login"], "login"),
    (&["--sip-login"], "sip-login"),
    (&["--line"], "line"),
    (&["--profile", "-p"], "profile"),
];

/// Name of the unit.
pub(super) fn name(watch: &str) -> String {
    format!("doorstep-watch-{watch}.service")
}

/// What was typed, for the service: files are handed over as credentials. With each of these, where it is now.
///
/// `file` tells where the file lies that a word names, if it names one: `--profile` may name a tier instead.
pub(super) fn handed_over(
    typed: &[String],
    file: impl Fn(&str) -> Option<PathBuf>,
) -> (Vec<String>, Vec<(&'static str, PathBuf)>) {
    let (mut words, mut files) = (Vec::new(), Vec::new());
    let mut typed = typed.iter();
    while let Some(word) = typed.next() {
        let (flag, attached) = match word.split_once('=') {
            Some((flag, value)) if flag.starts_with('-') => (flag, Some(value.to_owned())),
            _ => (word.as_str(), None),
        };
        let Some((_, credential)) = FILES.iter().find(|(flags, _)| flags.contains(&flag)) else {
            words.push(word.clone());
            continue;
        };
        let Some(value) = attached.or_else(|| typed.next().cloned()) else { continue };
        words.push(flag.to_owned());
        match file(&value) {
            Some(path) => {
                words.push(format!("%d/{credential}"));
                files.push((*credential, path));
            }
            None => words.push(quoted(&value)),
        }
    }
    (words, files)
}

/// The unit's text. `words` are as [`handed_over`] gives them, where they name credentials.
pub(super) fn text(watch: &str, program: &Path, words: &[String], files: &[(&'static str, PathBuf)]) -> String {
    let words: Vec<String> = words
        .iter()
        .map(|word| if word.starts_with("%d/") || word.starts_with('"') { word.clone() } else { quoted(word) })
        .collect();
    let credentials: String = files.iter().map(|(name, path)| format!("LoadCredential={name}:{}\n", path.display())).collect();
    format!(
        "# Written by `doorstep watch install`; `doorstep watch remove --name {watch}` takes it away.\n\
         [Unit]\n\
         Description=Watch of the circuit at {watch}\n\
         After=network-pre.target\n\
         StartLimitIntervalSec=0\n\
         \n\
         [Service]\n\
         ExecStart={program} watch {arguments}\n\
         Restart=on-failure\n\
         RestartSec=60\n\
         TimeoutStopSec=60\n\
         {credentials}\
         # A user of its own that exists while the service runs, and of root's rights only those to send and receive packets as they are\n\
         # and to see the port's state.\n\
         DynamicUser=yes\n\
         StateDirectory=doorstep-watch\n\
         StateDirectoryMode=0700\n\
         Environment=XDG_STATE_HOME={STATE}\n\
         AmbientCapabilities=CAP_NET_RAW CAP_NET_ADMIN\n\
         CapabilityBoundingSet=CAP_NET_RAW CAP_NET_ADMIN\n\
         NoNewPrivileges=yes\n\
         UMask=0077\n\
         # A PPPoE session needs a network device of its own.\n\
         DevicePolicy=closed\n\
         DeviceAllow=/dev/net/tun rw\n\
         LockPersonality=yes\n\
         MemoryDenyWriteExecute=yes\n\
         PrivateTmp=yes\n\
         ProtectClock=yes\n\
         ProtectControlGroups=yes\n\
         ProtectHome=yes\n\
         ProtectHostname=yes\n\
         ProtectKernelLogs=yes\n\
         ProtectKernelModules=yes\n\
         ProtectKernelTunables=yes\n\
         ProtectProc=invisible\n\
         ProtectSystem=strict\n\
         RestrictAddressFamilies=AF_INET AF_INET6 AF_NETLINK AF_PACKET AF_UNIX\n\
         RestrictNamespaces=yes\n\
         RestrictRealtime=yes\n\
         RestrictSUIDSGID=yes\n\
         SystemCallArchitectures=native\n\
         SystemCallFilter=@system-service\n\
         SystemCallErrorNumber=EPERM\n\
         \n\
         [Install]\n\
         WantedBy=multi-user.target\n",
        program = quoted(&program.display().to_string()),
        arguments = words.join(" "),
    )
}

/// A word of a command line as systemd reads it (systemd.service(5), "Command lines"; systemd.syntax(7), "Quoting").
fn quoted(word: &str) -> String {
    let plain = |letter: char| letter.is_ascii_alphanumeric() || "-_./:,@+=".contains(letter);
    if !word.is_empty() && word.chars().all(plain) {
        return word.to_owned();
    }
    let mut out = String::from("\"");
    for letter in word.chars() {
        match letter {
            '"' | '\\' => out.extend(['\\', letter]),
            '%' | '$' => out.extend([letter, letter]),
            '\n' => out.push_str("\\n"),
            other => out.push(other),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<String> {
        text.split_whitespace().map(str::to_owned).collect()
    }

    #[test]
    fn files_are_handed_over_and_tiers_stay_names() {
        let known = |word: &str| (word.contains('/') || word.ends_with(".toml")).then(|| Path::new("/root").join(word));
        let typed = words("--profile vdsl-100-40 --far-end=far/end.toml --every 15m -p own.toml");
        let (words, files) = handed_over(&typed, known);
        assert_eq!(words.join(" "), "--profile vdsl-100-40 --far-end %d/far-end --every 15m -p %d/profile");
        assert_eq!(files, [("far-end", "/root/far/end.toml".into()), ("profile", "/root/own.toml".into())]);
    }

    #[test]
    fn words_are_quoted_as_the_manual_says() {
        assert_eq!(quoted("15m"), "15m");
        assert_eq!(quoted("*/15 * * * *"), "\"*/15 * * * *\"");
        assert_eq!(quoted("50 % of \"$X\""), "\"50 %% of \\\"$$X\\\"\"");
        assert_eq!(quoted(""), "\"\"");
    }

    #[test]
    fn the_service_has_a_user_of_its_own_and_two_capabilities() {
        let text = text("line", Path::new("/usr/bin/doorstep"), &words("--every 15m"), &[("login", "/root/login.toml".into())]);
        for line in [
            "ExecStart=/usr/bin/doorstep watch --every 15m",
            "LoadCredential=login:/root/login.toml",
            "DynamicUser=yes",
            "CapabilityBoundingSet=CAP_NET_RAW CAP_NET_ADMIN",
        ] {
            assert!(text.lines().any(|found| found == line), "{line} is missing in\n{text}");
        }
    }
}
