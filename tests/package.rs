//! The Debian package: built, installed, used, removed and purged in a root of its own, an overlay over this machine's that is gone afterwards.
//!
//! Needs root (mount namespaces), dpkg, libcap2-bin and man: fails loudly without. Nothing outside the overlay is changed; a listing of all
//! files of the overlay's upper layer shows what is left. The outside checks: dpkg's own database and `dpkg --verify`, `getcap`, `man`.

use std::path::Path;
use std::process::Command;

/// What is done inside; each line that starts with `told` is looked at below.
const INSIDE: &str = r#"
set -eu
export DEBIAN_FRONTEND=noninteractive LC_ALL=C HOME=/root PATH=/usr/sbin:/usr/bin:/sbin:/bin
dpkg -i /package.deb >/dev/null
told() { echo "told $1: $2"; }
told version "$(doorstep --version)"
told tiers "$(doorstep profile list | wc -l)"
told capabilities "$(getcap /usr/bin/doorstep)"
told mode "$(stat -c '%U:%G %a' /usr/bin/doorstep)"
told manual "$(man -l /usr/share/man/man1/doorstep-verify.1.gz 2>/dev/null | head -1)"
told pages "$(ls /usr/share/man/man1/doorstep*.1.gz | wc -l)"
told complete "$(bash -c '. /usr/share/bash-completion/completions/doorstep; COMP_WORDS=(doorstep ver); COMP_CWORD=1; _doorstep doorstep ver doorstep; echo "${COMPREPLY[*]}"')"
told altered "$(dpkg --verify doorstep)"
# A shell between: setpriv itself still has root's rights when it starts a program.
told stranger "$(setpriv --reuid 65534 --regid 65534 --clear-groups sh -c 'doorstep --version' 2>&1 || true)"
told member "$(setpriv --reuid 65534 --regid "$(getent group doorstep | cut -d: -f3)" --clear-groups sh -c 'doorstep --version' 2>&1)"
told tier "$(doorstep profile validate /usr/share/doorstep/profiles/fibre-250-50.toml | cut -d: -f1)"
dpkg --purge doorstep >/dev/null
told left "$(find /usr/bin/doorstep /usr/share/doorstep /usr/share/doc/doorstep /usr/share/man/man1/doorstep* /usr/share/*/*completion*/*doorstep* 2>/dev/null | tr '\n' ' ')"
told group "$(getent group doorstep || echo none)"
told known "$(dpkg-query -W doorstep 2>&1)"
"#;

#[test]
fn the_package_installs_runs_with_the_least_rights_and_leaves_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let built = Command::new("packaging/deb")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args([Path::new(env!("CARGO_BIN_EXE_doorstep")), folder.path()])
        .output()
        .expect("the script runs");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let package = String::from_utf8_lossy(&built.stdout).trim().to_owned();
    // A file system in memory for the upper layer: one overlay can't lie upon another.
    let script = format!(
        "set -eu; mount --make-rprivate /; mkdir {0}/in; mount -t tmpfs -o size=1g tmpfs {0}/in; mkdir {0}/in/up {0}/in/work {0}/in/root; \
         mount -t overlay overlay -o lowerdir=/,upperdir={0}/in/up,workdir={0}/in/work {0}/in/root; cp {package} {0}/in/root/package.deb; \
         mount --bind /dev {0}/in/root/dev; chroot {0}/in/root mount -t proc proc /proc; printf '%s' \"$INSIDE\" > {0}/in/root/inside; \
         exec timeout 100 chroot {0}/in/root sh /inside",
        folder.path().display()
    );
    let ran = Command::new("unshare")
        .args(["--mount", "--pid", "--fork", "--net", "sh", "-c", &script])
        .env("INSIDE", INSIDE)
        .output()
        .expect("unshare is there");
    let (said, complaints) =
        (String::from_utf8_lossy(&ran.stdout).into_owned(), String::from_utf8_lossy(&ran.stderr).into_owned());
    assert!(ran.status.success(), "the package could not be tried (root? overlay?):\n{said}\n{complaints}");
    let told = |what: &str| {
        let start = format!("told {what}: ");
        said.lines()
            .find_map(|line| line.strip_prefix(&start))
            .unwrap_or_else(|| panic!("{what} is not told:\n{said}\n{complaints}"))
    };
    assert_eq!(told("version"), concat!("doorstep ", env!("CARGO_PKG_VERSION")));
    assert!(told("tiers").parse::<u32>().expect("a count") > 5, "{said}");
    assert_eq!(told("capabilities"), "/usr/bin/doorstep cap_net_admin,cap_net_raw=ep");
    assert_eq!(told("mode"), "root:doorstep 750");
    assert!(told("manual").contains("doorstep-verify(1)"), "{said}");
    assert!(told("pages").parse::<u32>().expect("a count") > 7, "{said}");
    assert_eq!(told("complete"), "verify");
    assert_eq!(told("altered"), "", "what stands there is what the package holds");
    assert!(told("stranger").contains("ermission denied"), "{said}");
    assert_eq!(told("member"), told("version"));
    assert!(told("tier").ends_with("is a valid tier"), "{said}");
    assert_eq!((told("left").trim(), told("group")), ("", "none"));
    assert!(told("known").contains("no packages found"), "{said}");
}
