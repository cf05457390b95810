//! Waits for its turn at a far end that another visit fills: loads run one after the other there, and a visit that comes second is told when to come back.

use std::time::{Duration, Instant};

use super::{Context, LiveFigure};
use crate::farend::client::ClientError;
use crate::unit::Depth;

/// The longest that is waited for a turn: what a technician has patience for, and enough for a load of another visit.
fn patience(depth: Depth) -> Duration {
    match depth {
        Depth::Quick => Duration::from_secs(10),
        Depth::Handoff => Duration::from_secs(60),
        Depth::Soak => Duration::from_secs(300),
    }
}

/// Between two asks at most: whoever had the far end may be done before its time.
const AGAIN: Duration = Duration::from_secs(2);

/// Asks until it is admitted, the far end refuses for good, or patience is at an end; then the last answer stands.
///
/// # Errors
/// What the far end says.
pub(super) async fn take<T, F>(context: &Context, check: &'static str, mut ask: impl FnMut() -> F) -> Result<T, ClientError>
where
    F: Future<Output = Result<T, ClientError>>,
{
    let until = Instant::now() + patience(context.effort.depth);
    loop {
        let answer = ask().await;
        let Err(ClientError::Busy { retry_after_s: Some(seconds), .. }) = &answer else { return answer };
        // Others that wait ask at other moments.
        let pause = Duration::from_secs(*seconds).min(AGAIN).mul_f64(rand::random_range(0.5..1.0));
        if Instant::now() + pause > until {
            return answer;
        }
        (context.live)(LiveFigure::new(check, "waiting for its turn at the far end".to_owned()));
        tokio::select! {
            () = context.cancel.cancelled() => return answer,
            () = tokio::time::sleep(pause) => {}
        }
    }
}
