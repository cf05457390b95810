//! The order of the test: listen, one channel alone, changes, several at once.

use std::io;
use std::time::Duration;

use super::beside;
use super::tuner::{Took, Tuner};
use super::{DWELL, JOIN_WAIT, LEAVE_WAIT, PICTURE_WAIT, Pace, QUIET, figures};
use crate::check::{Context, LiveFigure};
use crate::proto::channel_watch::Report;
use crate::reading::{Outcome, Status};

/// What became of one channel.
#[derive(Debug, Clone, Default)]
pub(super) struct Tune {
    /// By its place in the list.
    pub(super) channel: usize,
    /// The first packet since the report; `None`: it did not come.
    pub(super) joined: Option<Took>,
    /// The packet from which on pictures can be made, since the report.
    pub(super) picture: Option<Took>,
    /// What its stream showed.
    pub(super) stream: Option<Box<Report>>,
    /// It came, though its time can't be told.
    pub(super) arrived: bool,
    /// It came before it was joined, so that the join proves nothing.
    pub(super) unclear: bool,
    /// How long it was watched, and whether it still came at the end.
    pub(super) stays: Option<(Duration, bool)>,
    /// The last packet since the leave.
    pub(super) left: Option<Took>,
    /// Whether it ended when it was left; `None` where that can't be told.
    pub(super) stops: Option<bool>,
}

/// All that was found.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// How long nothing was joined, and what came of each channel meanwhile.
    pub(super) unasked: Option<(Duration, Vec<u64>)>,
    pub(super) tunes: Vec<Tune>,
    /// Each change; `None`: the channel did not come.
    pub(super) changes: Vec<Option<Took>>,
    /// The same up to the packet from which on pictures can be made; `None`: there was none in time.
    pub(super) pictures: Vec<Option<Took>>,
    /// Changes whose channel still came from before.
    pub(super) unclear_changes: u32,
    /// Channels wanted and come at once.
    pub(super) at_once: Option<(usize, usize)>,
    /// How long the check listened for queriers.
    pub(super) listened: Duration,
}

/// Runs the check.
pub(super) async fn examine(context: &Context) -> Outcome {
    let mut tuner = match Tuner::open(context).await {
        Ok(tuner) => tuner,
        Err(error) => return Outcome::not_tested(format!("opening the port for groups: {error}")),
    };
    let began = std::time::Instant::now();
    let mut found = Found::default();
    let pace = Pace::of_terms(context.effort.depth, &context.tv);
    let over = context.cancel.child_token();
    let watching = async {
        let ended = test(context, &mut tuner, &mut found).await;
        over.cancel();
        ended
    };
    let beside = async {
        // From the first join on. A line on which much goes wrong takes longer than planned.
        tokio::time::sleep(pace.listen).await;
        beside::echoes(context, pace.time() * 2, &over).await
    };
    let (ended, beside) = tokio::join!(watching, beside);
    found.listened = began.elapsed();
    let mut outcome = figures::describe(context, &tuner, &found);
    match beside {
        Ok(readings) => outcome.readings.extend(readings),
        Err(why) => outcome.fact("no_echoes_beside", why),
    }
    if let Err(error) = ended {
        outcome.reason = Some(match error.kind() {
            io::ErrorKind::Interrupted => "ended early".to_owned(),
            _ => format!("the port can't be used on: {error}"),
        });
        outcome.status = if found.tunes.is_empty() { Status::NotTested } else { Status::Done };
    }
    outcome
}

async fn test(context: &Context, tuner: &mut Tuner, found: &mut Found) -> io::Result<()> {
    let pace = Pace::of_terms(context.effort.depth, &context.tv);
    let live = |text: String| (context.live)(LiveFigure::new("multicast", text));
    live("listening".to_owned());
    tuner.listen(pace.listen).await?;
    found.unasked = Some((pace.listen, tuner.channels.iter().map(|tuned| tuned.unasked).collect()));
    live(format!("channel {}", tuner.channels[0].channel.name));
    alone(tuner, pace.watch, found).await?;
    for number in 1..=pace.changes {
        live(format!("change {number} of {}", pace.changes));
        change(tuner, number as usize, found).await?;
    }
    if pace.changes > 0 {
        let last = pace.changes as usize % tuner.channels.len();
        tuner.leave(last);
        tuner.wait_quiet(last, QUIET, LEAVE_WAIT).await?;
    }
    if pace.hold > Duration::ZERO {
        live(format!("{} channels at once", pace.at_once));
        together(tuner, &pace, found).await?;
    }
    Ok(())
}

/// The first channel: join, watch, leave.
async fn alone(tuner: &mut Tuner, watch: Duration, found: &mut Found) -> io::Result<()> {
    let mut tune = begin(tuner, 0).await?;
    tuner.wait_for(&[0], JOIN_WAIT).await?;
    came(tuner, &mut tune);
    found.tunes.push(tune);
    let at = found.tunes.len() - 1;
    if found.tunes[at].arrived {
        tuner.listen(watch).await?;
        watched(tuner, &mut found.tunes[at], watch);
    }
    tuner.leave(0);
    let stops = tuner.wait_quiet(0, QUIET, LEAVE_WAIT).await?;
    let tune = &mut found.tunes[at];
    ended(tuner, tune, stops);
    Ok(())
}

/// Joins a channel, once it is quiet.
async fn begin(tuner: &mut Tuner, channel: usize) -> io::Result<Tune> {
    let is_quiet = match tuner.channels[channel].last {
        None => true,
        Some(_) => tuner.wait_quiet(channel, QUIET, LEAVE_WAIT).await?,
    };
    tuner.join(channel)?;
    Ok(Tune { channel, unclear: !is_quiet, ..Tune::default() })
}

/// Notes whether it came.
fn came(tuner: &Tuner, tune: &mut Tune) {
    let tuned = &tuner.channels[tune.channel];
    tune.arrived = tuned.first.is_some();
    tune.joined = tuned.join_time().filter(|_| !tune.unclear);
}

/// Notes how it ended.
fn ended(tuner: &Tuner, tune: &mut Tune, stops: bool) {
    let still_came = tune.stays.is_some_and(|(_, stays)| stays);
    // What came unasked goes on unasked.
    if tune.arrived && still_came && !tune.unclear {
        tune.stops = Some(stops);
        tune.left = tuner.channels[tune.channel].leave_time().filter(|_| stops);
    }
}

/// Notes what a channel showed while it was watched.
fn watched(tuner: &Tuner, tune: &mut Tune, time: Duration) {
    let tuned = &tuner.channels[tune.channel];
    tune.stays = Some((time, still_comes(tuner, tune.channel)));
    tune.picture = tuned.picture_time().filter(|_| !tune.unclear);
    // Now, on the clock of its stamps.
    tune.stream = tuned.last.map(|last| {
        let silent = i64::try_from(last.at.elapsed().as_nanos()).unwrap_or(i64::MAX);
        Box::new(tuned.watch.report(last.stamp.unix_ns.saturating_add(silent)))
    });
}

fn still_comes(tuner: &Tuner, channel: usize) -> bool {
    tuner.channels[channel].last.is_some_and(|last| last.at.elapsed() < QUIET)
}

/// One change: from a channel to the next in the list, which must be quiet.
async fn change(tuner: &mut Tuner, number: usize, found: &mut Found) -> io::Result<()> {
    let (from, to) = ((number - 1) % tuner.channels.len(), number % tuner.channels.len());
    if number == 1 {
        tuner.wait_quiet(from, QUIET, LEAVE_WAIT).await?;
        tuner.join(from)?;
        tuner.wait_for(&[from], JOIN_WAIT).await?;
    }
    // Behind the first two changes it came before: its end is waited for.
    let is_quiet = tuner.channels[to].last.is_none() || tuner.wait_quiet(to, QUIET, LEAVE_WAIT).await?;
    tuner.leave(from);
    tuner.join(to)?;
    tuner.wait_for(&[to], JOIN_WAIT).await?;
    tuner.wait_for_picture(to, PICTURE_WAIT).await?;
    if is_quiet {
        found.changes.push(tuner.channels[to].join_time());
        found.pictures.push(tuner.channels[to].picture_time());
    } else {
        found.unclear_changes += 1;
    }
    tuner.listen(DWELL).await
}

/// Several channels at once, held.
async fn together(tuner: &mut Tuner, pace: &Pace, found: &mut Found) -> io::Result<()> {
    let all: Vec<usize> = (0..pace.at_once).collect();
    let mut tunes = Vec::new();
    for channel in &all {
        tunes.push(begin(tuner, *channel).await?);
    }
    tuner.wait_for(&all, JOIN_WAIT).await?;
    tunes.iter_mut().for_each(|tune| came(tuner, tune));
    found.at_once = Some((all.len(), tunes.iter().filter(|tune| tune.arrived).count()));
    let listened = tuner.listen(pace.hold).await;
    for tune in tunes.iter_mut().filter(|tune| tune.arrived) {
        watched(tuner, tune, pace.hold);
    }
    let begun = found.tunes.len();
    found.tunes.extend(tunes);
    listened?;
    for channel in &all {
        tuner.leave(*channel);
    }
    for at in begun..found.tunes.len() {
        let channel = found.tunes[at].channel;
        let stops = tuner.wait_quiet(channel, QUIET, LEAVE_WAIT).await?;
        ended(tuner, &mut found.tunes[at], stops);
    }
    Ok(())
}
