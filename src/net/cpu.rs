//! How busy the machine's cores are, from `/proc/stat` (proc_stat(5)). It must not know what is made of it.

use std::fs;

/// Time of each core since boot, in clock ticks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CpuTimes(Vec<Core>);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Core {
    idle: u64,
    stolen: u64,
    all: u64,
}

impl CpuTimes {
    /// The times now; `None` where `/proc` is not mounted.
    pub fn now() -> Option<Self> {
        Some(Self::parse(&fs::read_to_string("/proc/stat").ok()?))
    }

    fn parse(text: &str) -> Self {
        let cores = text.lines().filter(|line| line.starts_with("cpu") && !line.starts_with("cpu ")).map(|line| {
            let ticks: Vec<u64> = line.split_ascii_whitespace().skip(1).map(|n| n.parse().unwrap_or(0)).collect();
            // user nice system idle iowait irq softirq steal; the guest columns are inside user and nice.
            let idle = ticks.iter().skip(3).take(2).sum();
            Core { idle, stolen: ticks.get(7).copied().unwrap_or(0), all: ticks.iter().take(8).sum() }
        });
        Self(cores.collect())
    }

    /// Share of busy time of the busiest core since `earlier`, 0 to 1; `None` when no tick has passed. Time that a
    /// hypervisor took away counts as busy: this machine could not use it.
    pub fn busiest_since(&self, earlier: &Self) -> Option<f64> {
        let shares = self.0.iter().zip(&earlier.0).filter_map(|(now, then)| {
            let all = now.all.saturating_sub(then.all);
            let idle = now.idle.saturating_sub(then.idle).min(all);
            (all > 0).then(|| (all - idle) as f64 / all as f64)
        });
        shares.max_by(f64::total_cmp)
    }

    /// Share of all cores' time since `earlier` that a hypervisor gave to others, 0 to 1; `None` when no tick has passed.
    pub fn stolen_since(&self, earlier: &Self) -> Option<f64> {
        let sum = |of: fn(&Core) -> u64| -> u64 {
            self.0.iter().zip(&earlier.0).map(|(now, then)| of(now).saturating_sub(of(then))).sum()
        };
        let (stolen, all) = (sum(|core| core.stolen), sum(|core| core.all));
        (all > 0).then(|| (stolen as f64 / all as f64).min(1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_busiest_core_is_found_and_steal_counts_as_busy() {
        let then = CpuTimes::parse("cpu  9 9 9 9\ncpu0 100 0 0 100 0 0 0 0 0 0\ncpu1 0 0 0 100 0 0 0 0 0 0\nintr 5\n");
        let now = CpuTimes::parse("cpu  9 9 9 9\ncpu0 120 0 0 160 20 0 0 0 0 0\ncpu1 10 0 10 140 0 0 20 20 0 0\n");
        assert_eq!(now.busiest_since(&then), Some(0.6));
        assert_eq!(now.busiest_since(&now), None);
        // 20 ticks of 100 on each of two cores.
        assert_eq!((now.stolen_since(&then), now.stolen_since(&now)), (Some(0.1), None));
    }
}
