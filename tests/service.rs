//! The watch as a service under a real systemd: installed, run with its own user, two capabilities and a filter of system calls, removed.
//!
//! Needs root (namespaces), systemd, dnsmasq-base and iproute2: fails loudly without. A systemd of its own runs as the first process of new namespaces,
//! in an overlay over this machine's files that is gone afterwards; it ends itself, and is ended after a bounded time. The outside checks: systemd's
//! own word of the unit, and the kernel's of the process (proc(5), `status`).

use std::process::Command;

/// The overlay's root becomes `/`, with a cgroup tree, `/run` and `/dev` of its own; then systemd takes over.
const BEFORE: &str = r#"
set -eu
mount --make-rprivate /
mkdir "$FOLDER/in"; mount -t tmpfs -o size=1g tmpfs "$FOLDER/in"; mkdir "$FOLDER/in/up" "$FOLDER/in/work" "$FOLDER/in/root"
R="$FOLDER/in/root"
mount -t overlay overlay -o "lowerdir=/,upperdir=$FOLDER/in/up,workdir=$FOLDER/in/work" "$R"
mount -t proc proc "$R/proc"; mount -t sysfs sysfs "$R/sys"; mount -t cgroup2 cgroup2 "$R/sys/fs/cgroup"
for place in run tmp dev; do mount -t tmpfs -o mode=755 tmpfs "$R/$place"; done
chmod 1777 "$R/tmp"
mknod -m 666 "$R/dev/null" c 1 3; mknod -m 666 "$R/dev/zero" c 1 5; mknod -m 666 "$R/dev/random" c 1 8; mknod -m 666 "$R/dev/urandom" c 1 9
mkdir "$R/dev/net"; mknod -m 666 "$R/dev/net/tun" c 10 200; : > "$R/dev/console"
: > "$R/etc/machine-id"; rm -rf "$R"/etc/systemd/system/*
cp "$PROGRAM" "$R/usr/bin/doorstep"
printf '%s' "$INSIDE" > "$R/inside"
mkdir -p "$R/old" "$R/told"; mount --bind "$FOLDER" "$R/told"
cat > "$R/etc/systemd/system/try.service" <<UNIT
[Unit]
DefaultDependencies=no
Wants=systemd-journald.service
After=systemd-journald.service
[Service]
Type=oneshot
ExecStart=/bin/sh /inside
ExecStopPost=/usr/bin/systemctl --no-block exit 0
UNIT
cd "$R"; pivot_root . old
exec env -i container=lab PATH=/usr/sbin:/usr/bin:/sbin:/bin /lib/systemd/systemd --system --unit=try.service
"#;

/// What is done inside; each line that starts with `told` is looked at below. The other end of the port gives addresses.
const INSIDE: &str = r#"
exec > /told/result 2>&1
told() { echo "told $1: $2"; }
ip link set lo up; ip netns add far
ip link add lan0 type veth peer name far0 netns far
ip link set lan0 up; ip -n far link set far0 up; ip -n far addr add 192.0.2.1/24 dev far0
ip netns exec far dnsmasq --no-daemon --conf-file=/dev/null --interface=far0 --bind-interfaces --dhcp-range=192.0.2.50,192.0.2.60,1h --no-resolv --no-hosts --address=/example.net/192.0.2.1 &
dnsmasq=$!
unit=doorstep-watch-lane.service
told installed "$(doorstep watch install --name lane --interface lan0 --profile fibre-250-50 --every 15m --yes 2>&1 | tail -1)"
for second in $(seq 60); do
  ls /var/lib/doorstep-watch/doorstep/watch/lane/*-light.json >/dev/null 2>&1 && grep -q '"complete": *true' /var/lib/doorstep-watch/doorstep/watch/lane/*-light.json && break
  sleep 1
done
told unit "$(systemctl show $unit -p ActiveState -p DynamicUser -p AmbientCapabilities -p UnitFileState --value | tr '\n' ' ')"
pid=$(systemctl show $unit -p MainPID --value)
told process "$(grep -E '^(CapEff|CapBnd|NoNewPrivs|Seccomp):' /proc/$pid/status | tr -s '\t\n' '  ')"
told user "$(stat -c %U /proc/$pid)"
told modes "$(stat -c '%U %a' /var/lib/private/doorstep-watch/doorstep /var/lib/private/doorstep-watch/doorstep/keys/own | tr '\n' ' ')"
told leased "$(grep -c '192.0.2.5[0-9]' "$(ls /var/lib/doorstep-watch/doorstep/watch/lane/*-light.json | head -1)")"
told status "$(doorstep watch status --name lane | head -1)"
told stopped "$(systemctl stop $unit && systemctl show $unit -p Result --value)"
told after "$(doorstep watch status --name lane | head -1)"
told removed "$(doorstep watch remove --name lane)"
told left "$(systemctl --no-pager --no-legend list-unit-files 'doorstep*' | wc -l) units, $(ls /var/lib/doorstep-watch/doorstep/watch/lane/*.json | wc -l | sed 's/[1-9][0-9]*/some/') records"
kill $dnsmasq
"#;

#[test]
fn a_real_systemd_runs_the_watch_with_the_least_rights_and_forgets_it_when_it_is_removed() {
    let folder = tempfile::tempdir().expect("a folder");
    let ran = Command::new("timeout")
        .args([
            "--signal=KILL",
            "150",
            "unshare",
            "--mount",
            "--pid",
            "--fork",
            "--kill-child",
            "--net",
            "--uts",
            "--ipc",
            "--cgroup",
        ])
        .args(["sh", "-c", BEFORE])
        .env("FOLDER", folder.path())
        .env("PROGRAM", env!("CARGO_BIN_EXE_doorstep"))
        .env("INSIDE", INSIDE)
        .output()
        .expect("unshare is there");
    let said = std::fs::read_to_string(folder.path().join("result")).unwrap_or_default();
    let complaints = String::from_utf8_lossy(&ran.stderr).into_owned();
    let told = |what: &str| {
        let start = format!("told {what}: ");
        let line = said.lines().find_map(|line| line.strip_prefix(&start));
        line.unwrap_or_else(|| panic!("`{what}` was not told (root? systemd? overlay?):\n{said}\n{complaints}")).trim().to_owned()
    };
    assert!(told("installed").starts_with("It runs now"), "{said}");
    // As systemd sees it, and as the kernel does: bits 12 and 13 are CAP_NET_ADMIN and CAP_NET_RAW (linux/capability.h).
    let unit = told("unit");
    for word in ["active", "yes", "cap_net_admin cap_net_raw", "enabled"] {
        assert!(unit.contains(word), "{word}: {unit}");
    }
    let process = told("process");
    for word in ["CapEff: 0000000000003000", "CapBnd: 0000000000003000", "NoNewPrivs: 1", "Seccomp: 2"] {
        assert!(process.contains(word), "{word}: {process}");
    }
    assert_eq!(told("user"), "doorstep-watch-lane");
    assert_eq!(told("modes"), "doorstep-watch-lane 700 doorstep-watch-lane 600");
    assert_ne!(told("leased"), "0", "raw sockets and netlink work within these rights: {said}");
    assert!(told("status").starts_with("The watch `lane` runs"), "{said}");
    assert_eq!(told("stopped"), "success");
    assert!(!told("after").contains("` runs"), "{said}");
    assert!(told("removed").contains("is gone"), "{said}");
    assert_eq!(told("left"), "0 units, some records");
}
