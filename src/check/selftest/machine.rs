//! What the kernel says of port and cores: radio, USB, heat, clock. Files in, figures out; what is not there is unknown.
//!
//! Paths: Documentation/ABI/testing/sysfs-class-net, sysfs-bus-usb and sysfs-devices-system-cpu, and sysfs-class-thermal of the kernel.

use std::fs;
use std::path::Path;

/// What a port is.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Port {
    /// Wireless.
    pub(super) is_radio: bool,
    /// Signalling rate of the USB that it hangs on, Mbit/s.
    pub(super) usb_mbit: Option<f64>,
}

/// Slow-downs of the cores against heat or for power.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Cooling {
    /// How often so far, by the processor's own count; `None` where it has none.
    pub(super) count: Option<u64>,
    /// A cooling device that slows cores down now.
    pub(super) now: Option<String>,
}

/// Looks at a port; `sys` is where sysfs is mounted.
pub(super) fn port(sys: &Path, name: &str) -> Port {
    let port = sys.join("class/net").join(name);
    let is_radio = port.join("wireless").exists() || port.join("phy80211").exists();
    // The port's device is an interface of the USB device; the speed stands with that.
    let device = fs::canonicalize(port.join("device")).ok();
    let is_usb = |at: &&Path| at.join("idVendor").exists() && at.join("speed").exists();
    let usb = device.as_deref().and_then(|device| device.ancestors().take(6).find(is_usb));
    Port { is_radio, usb_mbit: usb.and_then(|usb| number(&usb.join("speed"))).filter(|mbit| *mbit > 0.0) }
}

/// What a USB of this signalling rate can carry at most, Mbit/s.
///
/// Bulk transfers fill 19 packets of 64 octets of a full-speed frame and 13 of 512 octets of a high-speed microframe (USB 2.0
/// tables 5-9 and 5-10); from 5 Gbit/s on a fifth goes to the 8b/10b code (USB 3.2 section 6.3.1; both from memory).
pub(super) fn carried_by_usb(signalled_mbit: f64) -> f64 {
    match signalled_mbit {
        mbit if mbit < 12.0 => mbit,
        mbit if mbit < 480.0 => 19.0 * 64.0 * 8.0 * 1000.0 / 1e6,
        mbit if mbit < 5000.0 => 13.0 * 512.0 * 8.0 * 8000.0 / 1e6,
        mbit => mbit * 0.8,
    }
}

/// Slow-downs of the cores.
pub(super) fn cooling(sys: &Path) -> Cooling {
    let cores = entries(&sys.join("devices/system/cpu"), "cpu");
    let counts = |file: &str| -> Vec<u64> {
        let of_core = |core: &std::path::PathBuf| number(&core.join("thermal_throttle").join(file)).map(|count| count as u64);
        cores.iter().filter_map(of_core).collect()
    };
    let (of_cores, of_packages) = (counts("core_throttle_count"), counts("package_throttle_count"));
    let is_counted = !of_cores.is_empty() || !of_packages.is_empty();
    // Each core of a package tells the package's count.
    let count = is_counted.then(|| of_cores.iter().sum::<u64>() + of_packages.iter().max().unwrap_or(&0));
    let now = entries(&sys.join("class/thermal"), "cooling_device").into_iter().find_map(|device| {
        let kind = fs::read_to_string(device.join("type")).ok()?.trim().to_owned();
        let slows_cores = kind == "Processor" || kind.contains("cpufreq");
        (slows_cores && number(&device.join("cur_state")).is_some_and(|state| state > 0.0)).then_some(kind)
    });
    Cooling { count, now }
}

/// The share of its highest clock that a setting leaves to the core that has least; `None` where clocks are not told.
pub(super) fn allowed_clock(sys: &Path) -> Option<f64> {
    let share = |core: std::path::PathBuf| {
        let clock = |file: &str| number(&core.join("cpufreq").join(file)).filter(|clock| *clock > 0.0);
        Some((clock("scaling_max_freq")? / clock("cpuinfo_max_freq")?).min(1.0))
    };
    entries(&sys.join("devices/system/cpu"), "cpu").into_iter().filter_map(share).min_by(f64::total_cmp)
}

/// Folders whose names are this word and a number.
fn entries(folder: &Path, word: &str) -> Vec<std::path::PathBuf> {
    let is_one = |name: &str| {
        name.strip_prefix(word).is_some_and(|number| !number.is_empty() && number.bytes().all(|octet| octet.is_ascii_digit()))
    };
    let found = fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    found.filter(|entry| entry.file_name().to_str().is_some_and(is_one)).map(|entry| entry.path()).collect()
}

fn number(file: &Path) -> Option<f64> {
    fs::read_to_string(file).ok()?.trim().parse::<f64>().ok().filter(|number| number.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tree as sysfs has it; the layout is the kernel's, the values are invented.
    fn tree(files: &[(&str, &str)]) -> tempfile::TempDir {
        let root = tempfile::tempdir().expect("a folder");
        for (path, content) in files {
            let path = root.path().join(path);
            fs::create_dir_all(path.parent().expect("a parent")).expect("made");
            fs::write(path, content).expect("written");
        }
        root
    }

    fn on_usb(speed: &str) -> tempfile::TempDir {
        let root = tree(&[
            ("devices/pci0000:00/0000:00:14.0/usb1/speed", "20000\n"),
            ("devices/pci0000:00/0000:00:14.0/usb1/idVendor", "1d6b\n"),
            ("devices/pci0000:00/0000:00:14.0/usb1/1-2/speed", speed),
            ("devices/pci0000:00/0000:00:14.0/usb1/1-2/idVendor", "ffff\n"),
            ("devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/bInterfaceNumber", "00\n"),
            ("class/net/x0/address", "02:00:00:00:00:01\n"),
        ]);
        let device = root.path().join("devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0");
        std::os::unix::fs::symlink(device, root.path().join("class/net/x0/device")).expect("linked");
        root
    }

    #[test]
    fn a_port_on_usb_tells_the_speed_of_its_own_device_and_not_the_hub_s() {
        for (speed, want) in
            [("480\n", Some(480.0)), ("5000\n", Some(5000.0)), ("1.5\n", Some(1.5)), ("unknown\n", None), ("", None)]
        {
            assert_eq!(port(on_usb(speed).path(), "x0"), Port { is_radio: false, usb_mbit: want }, "{speed}");
        }
    }

    #[test]
    fn a_radio_is_known_by_either_file_and_a_missing_port_is_nothing() {
        for file in ["class/net/w0/wireless/link", "class/net/w0/phy80211/index"] {
            assert!(port(tree(&[(file, "0\n")]).path(), "w0").is_radio);
        }
        assert_eq!(port(tree(&[]).path(), "w0"), Port::default());
    }

    #[test]
    fn a_usb_carries_less_than_it_signals() {
        for (signalled, want) in [(1.5, 1.5), (12.0, 9.728), (480.0, 425.984), (5000.0, 4000.0), (10_000.0, 8000.0)] {
            assert!((carried_by_usb(signalled) - want).abs() < 1e-9, "{signalled}");
        }
    }

    #[test]
    fn slow_downs_of_cores_add_up_and_a_package_counts_once() {
        let root = tree(&[
            ("devices/system/cpu/cpu0/thermal_throttle/core_throttle_count", "3\n"),
            ("devices/system/cpu/cpu0/thermal_throttle/package_throttle_count", "7\n"),
            ("devices/system/cpu/cpu1/thermal_throttle/core_throttle_count", "1\n"),
            ("devices/system/cpu/cpu1/thermal_throttle/package_throttle_count", "7\n"),
            ("devices/system/cpu/cpufreq/policy0/scaling_max_freq", "1\n"),
            ("class/thermal/cooling_device0/type", "Fan\n"),
            ("class/thermal/cooling_device0/cur_state", "9\n"),
            ("class/thermal/cooling_device1/type", "thermal-cpufreq-0\n"),
            ("class/thermal/cooling_device1/cur_state", "0\n"),
        ]);
        assert_eq!(cooling(root.path()), Cooling { count: Some(11), now: None });
        fs::write(root.path().join("class/thermal/cooling_device1/cur_state"), "2\n").expect("written");
        assert_eq!(cooling(root.path()).now.as_deref(), Some("thermal-cpufreq-0"));
        assert_eq!(cooling(tree(&[]).path()), Cooling::default());
    }

    #[test]
    fn the_core_with_the_least_clock_speaks() {
        let root = tree(&[
            ("devices/system/cpu/cpu0/cpufreq/scaling_max_freq", "4000000\n"),
            ("devices/system/cpu/cpu0/cpufreq/cpuinfo_max_freq", "4000000\n"),
            ("devices/system/cpu/cpu1/cpufreq/scaling_max_freq", "1200000\n"),
            ("devices/system/cpu/cpu1/cpufreq/cpuinfo_max_freq", "4000000\n"),
        ]);
        assert_eq!(allowed_clock(root.path()), Some(0.3));
        assert_eq!(allowed_clock(tree(&[("devices/system/cpu/cpu0/cpufreq/scaling_max_freq", "0\n")]).path()), None);
    }
}
