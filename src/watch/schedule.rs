//! When a visit is due: a rhythm, moved by a little chance, never in the quiet hours.
//!
//! Knows no clock. Moments of an even rhythm are counted from the watch's start, so that a late visit never shifts those after it and a
//! machine that slept makes one visit when it wakes, not all that it missed.

use cronexpr::{Crontab, MakeTimestamp};
use jiff::civil::Time;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan as _};

/// Shortest time between two visits: a quick visit takes about a quarter of it.
pub const SHORTEST: SignedDuration = SignedDuration::from_secs(60);

/// How visits follow one another.
#[derive(Debug, Clone)]
pub enum Rhythm {
    /// As far apart as this.
    Every(SignedDuration),
    /// At the minutes that an expression of five fields names (POSIX, `crontab`), in the schedule's time zone.
    At(Box<Crontab>),
}

impl Rhythm {
    /// Visits as far apart as this.
    ///
    /// # Errors
    /// When that is shorter than [`SHORTEST`].
    pub fn every(apart: SignedDuration) -> Result<Self, String> {
        if apart < SHORTEST {
            return Err(format!("visits can't be closer than {} s: one takes a quarter of that", SHORTEST.as_secs()));
        }
        Ok(Self::Every(apart))
    }

    /// Visits at the minutes that these five fields name: minute, hour, day of the month, month, day of the week.
    ///
    /// # Errors
    /// When the text is no such expression, or no moment ever fits it.
    pub fn at(text: &str, zone: &TimeZone, now: Timestamp) -> Result<Self, String> {
        let Some(name) = zone.iana_name() else {
            return Err("the system's time zone has no name; set TZ to one, for instance TZ=Etc/UTC".to_owned());
        };
        let table = cronexpr::parse_crontab(&format!("{text} {name}")).map_err(|error| {
            format!("`{text}` is not five fields of minute, hour, day of month, month and day of week: {error}")
        })?;
        let rhythm = Self::At(Box::new(table));
        match rhythm.after(now, now) {
            Some(_) => Ok(rhythm),
            None => Err(format!("no moment fits `{text}`")),
        }
    }

    /// The first moment after `after`; those of an even rhythm are counted from `from`.
    fn after(&self, from: Timestamp, after: Timestamp) -> Option<Timestamp> {
        match self {
            Self::Every(apart) => {
                let apart = apart.as_nanos();
                let passed = after.as_nanosecond() - from.as_nanosecond();
                let next = from.as_nanosecond() + (passed.div_euclid(apart) + 1).max(0) * apart;
                Timestamp::from_nanosecond(next).ok()
            }
            Self::At(table) => {
                let after = MakeTimestamp::from_nanosecond(after.as_nanosecond()).ok()?;
                let found = table.find_next(after).ok()?;
                Timestamp::from_nanosecond(found.timestamp().as_nanosecond()).ok()
            }
        }
    }
}

/// Hours of the day, local time, in which no visit begins. Over midnight where the end is before the beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quiet {
    /// The first moment.
    pub from: Time,
    /// The first moment after.
    pub to: Time,
}

impl Quiet {
    fn holds(self, at: Time) -> bool {
        if self.from <= self.to { self.from <= at && at < self.to } else { at >= self.from || at < self.to }
    }
}

/// When visits are due.
#[derive(Debug, Clone)]
pub struct Schedule {
    /// How they follow one another.
    pub rhythm: Rhythm,
    /// A visit begins up to this much after its moment, by chance, so that many agents at one far end do not come at once.
    pub jitter: SignedDuration,
    /// Hours in which none begins.
    pub quiet: Vec<Quiet>,
    /// Whose local time quiet hours and an expression's fields are of.
    pub zone: TimeZone,
    /// When the watch began.
    pub from: Timestamp,
    /// When it is to end.
    pub until: Option<Timestamp>,
}

/// Moments looked at before a schedule counts as one without a moment: quiet hours are skipped whole, so a few are enough.
const MOST_SKIPPED: usize = 400;

impl Schedule {
    /// Refuses what can never be due.
    ///
    /// # Errors
    /// Says what contradicts what.
    pub fn checked(self) -> Result<Self, String> {
        if let Rhythm::Every(apart) = self.rhythm
            && self.jitter >= apart
        {
            return Err("the jitter must be shorter than the time between two visits".to_owned());
        }
        if self.jitter.is_negative() {
            return Err("the jitter can't be negative".to_owned());
        }
        if self.until.is_some_and(|until| until <= self.from) {
            return Err("the watch would end before it begins".to_owned());
        }
        // Whether the end leaves room is another matter: the first visit is made at once.
        let endless = Self { until: None, ..self.clone() };
        match endless.due_after(self.from, 0) {
            Some(_) => Ok(self),
            None => Err("no visit would ever be due: the quiet hours leave no room".to_owned()),
        }
    }

    /// When the next visit is due after one that was due, or began, at `after`; `None` when the watch is over. `seed` decides what chance
    /// adds: the same seed and moment give the same.
    pub fn due_after(&self, after: Timestamp, seed: u64) -> Option<Timestamp> {
        let mut moment = after;
        for _ in 0..MOST_SKIPPED {
            moment = self.rhythm.after(self.from, moment)?;
            if self.until.is_some_and(|until| moment >= until) {
                return None;
            }
            let due = moment.checked_add(self.chance(moment, seed)).ok()?;
            match self.quiet_until(due)? {
                None => return Some(due),
                // One nanosecond back: a moment at the very end of the quiet hours is allowed.
                Some(end) => moment = moment.max(end.checked_sub(1.nanosecond()).ok()?),
            }
        }
        None
    }

    /// Whether a visit may begin now, and if not, when the quiet hours end.
    pub fn quiet_until(&self, at: Timestamp) -> Option<Option<Timestamp>> {
        let local = at.to_zoned_datetime(self.zone.clone());
        let Some(quiet) = self.quiet.iter().find(|quiet| quiet.holds(local.time())) else { return Some(None) };
        let mut day = local.date();
        // An hour that the change to summer time leaves out ends where the clock goes on.
        for _ in 0..2 {
            let end = day.to_datetime(quiet.to).to_zoned_datetime(self.zone.clone()).ok()?.timestamp();
            if end > at {
                return Some(Some(end));
            }
            day = day.tomorrow().ok()?;
        }
        None
    }

    /// How many moments have gone by between two, the first left out and the second counted; at most `most`.
    pub fn missed(&self, after: Timestamp, now: Timestamp, most: usize) -> usize {
        let moments = std::iter::successors(self.rhythm.after(self.from, after), |moment| self.rhythm.after(self.from, *moment));
        let allowed = moments.take_while(|moment| *moment <= now).filter(|moment| self.quiet_until(*moment) == Some(None));
        allowed.take(most).count()
    }

    /// A share of the jitter that depends on nothing but seed and moment (the finaliser of the SplitMix64 generator, Steele, Lea and Flood
    /// 2014, figure 15): a watch that was restarted keeps to what it had planned.
    fn chance(&self, moment: Timestamp, seed: u64) -> SignedDuration {
        let mut z = seed ^ (moment.as_nanosecond() as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        let share = (z >> 11) as f64 / (1_u64 << 53) as f64;
        SignedDuration::try_from_secs_f64(self.jitter.as_secs_f64() * share).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests;
