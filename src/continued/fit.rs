//! Whether a visit can be gone on with: the same circuit, tier and place, and not so long ago that it is another line by now.

use jiff::{SignedDuration, Timestamp};

use crate::profile::Profile;
use crate::record::Record;
use crate::record::sign::{Finding, Standing};
use crate::unit::Position;

/// Hours after its end in which a visit can be gone on with *(ours)*: from one working day to the next over a weekend. A line is retrained, provisioned
/// anew and differently filled from day to day; after this a whole new visit says more than a patched one.
pub const MOST_HOURS: i64 = 72;
/// The test set's clock may have been set back by so much between the two.
const CLOCK_TOLERANCE: SignedDuration = SignedDuration::from_mins(5);

/// Why a visit can't be gone on with; every reason, in words.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("this visit can't be continued: {}", .0.join("; "))]
pub struct Unfit(pub Vec<String>);

/// What is known of the visit that is to go on; what nobody said is taken from the record.
#[derive(Debug, Clone, Default)]
pub struct Now<'a> {
    /// By the test set's clock.
    pub at: Timestamp,
    /// Circuit, if one was named.
    pub circuit: Option<&'a str>,
    /// Tier, if one was named.
    pub profile: Option<&'a Profile>,
    /// Position, if one was named.
    pub position: Option<Position>,
    /// VLAN, if one was named, as records spell it.
    pub vlan: Option<String>,
    /// DSCP of the twoway stream, if one was named.
    pub dscp: Option<u8>,
}

/// Refuses what would put two lines, two contracts or two times into one record.
///
/// # Errors
/// [`Unfit`] with every reason.
pub fn check(record: &Record, finding: &Finding, now: &Now<'_>) -> Result<(), Unfit> {
    let mut reasons = Vec::new();
    if let Finding::Altered { why } = finding {
        return Err(Unfit(vec![format!("its record was altered since it was signed ({why}): go on with the original")]));
    }
    if record.redacted.is_some() {
        return Err(Unfit(vec!["it is a redacted copy, which no longer tells which line it is of".to_owned()]));
    }
    let Some(tier) = &record.profile else {
        return Err(Unfit(vec!["it was held against no tier, so that there is nothing to prove".to_owned()]));
    };
    if let Some(profile) = now.profile
        && profile.digest != tier.digest
    {
        let what = if profile.name == tier.name {
            format!("the tier {} was changed since", tier.name)
        } else {
            format!("it was held against the tier {} and not {}", tier.name, profile.name)
        };
        reasons.push(format!("{what}: make a new visit"));
    }
    if let Some(circuit) = now.circuit
        && record.place.circuit.as_deref().map(str::trim) != Some(circuit.trim())
    {
        let was = record.place.circuit.as_deref().map_or_else(|| "no circuit".to_owned(), |was| format!("circuit {was}"));
        reasons.push(format!("its record names {was} and not {circuit}"));
    }
    if let Some(position) = now.position
        && position != record.place.position
    {
        reasons.push(format!(
            "it was made at {} and not at {position}: `compare` holds two places against each other",
            record.place.position
        ));
    }
    if let Some(vlan) = &now.vlan
        && record.place.vlan.as_ref() != Some(vlan)
    {
        let was = record.place.vlan.as_deref().map_or_else(|| "without a tag".to_owned(), |was| format!("in VLAN {was}"));
        reasons.push(format!("it was made {was} and not in VLAN {vlan}"));
    }
    if let (Some(now), Some(was)) = (now.dscp, dscp_of(record))
        && now != was
    {
        reasons
            .push(format!("its packets were marked with DSCP {was} and not {now}: another class of service is another figure"));
    }
    reasons.extend(age(record, now.at));
    if reasons.is_empty() { Ok(()) } else { Err(Unfit(reasons)) }
}

fn age(record: &Record, now: Timestamp) -> Option<String> {
    let ended = record.finished.unwrap_or(record.started);
    let since = now.duration_since(ended);
    if since < -CLOCK_TOLERANCE {
        return Some(format!("by this test set's clock it ends in the future ({ended}): set the clock first"));
    }
    let hours = since.as_hours();
    (hours >= MOST_HOURS)
        .then(|| format!("it ended {hours} hours ago, and a line is not the same for longer than {MOST_HOURS}: make a new visit"))
}

/// The DSCP that the twoway stream of a record had.
pub fn dscp_of(record: &Record) -> Option<u8> {
    let twoway = record.checks.iter().filter(|check| check.check == "twoway");
    let sent = twoway.filter_map(|check| check.outcome.facts.get("dscp_sent")?.as_u64()).next()?;
    u8::try_from(sent).ok()
}

/// What the check of a signature said, in words, for a record that goes on with it.
pub fn words(finding: &Finding) -> String {
    match finding {
        Finding::Untouched { key } => {
            let whose = match &key.standing {
                Standing::Own => "by this user's own key".to_owned(),
                Standing::Known(name) => format!("by the trusted key of `{name}`"),
                Standing::Unknown => "by a key that nobody here vouches for".to_owned(),
            };
            format!("untouched, signed {whose} ({})", key.id)
        }
        Finding::Altered { why } => format!("altered: {why}"),
        Finding::Unsigned { why } => format!("unsigned: {}", why.as_deref().unwrap_or("it bears none, or it was taken off")),
        Finding::Unreadable { why } => format!("not checked: {why}"),
    }
}

/// Whether somebody this user knows vouches for the record as it is.
pub fn is_vouched_for(finding: &Finding) -> bool {
    matches!(finding, Finding::Untouched { key } if key.standing != Standing::Unknown)
}
