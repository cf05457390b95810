//! The path at the end of the visit, by the same flows as at the check: a change in between is told.

use std::net::IpAddr;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::super::Holding;
use super::super::probing::PathLook;
use super::figures::{self, Walk};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::Family;

/// Looks that can be taken again.
pub(super) struct SecondLook(Vec<Look>);

struct Look {
    family: Family,
    to: IpAddr,
    /// A change during the check itself is told already.
    is_told: bool,
    look: PathLook,
}

impl SecondLook {
    /// Of what was looked at and answered; `None` when nothing did.
    pub(super) fn of(walks: &[Walk], looks: Vec<Option<PathLook>>) -> Option<Box<dyn Holding>> {
        let mut again = Vec::new();
        for (walk, look) in walks.iter().zip(looks) {
            if let (Some(look), Ok((path, _))) = (look, &walk.result)
                && path.hops.iter().any(|hop| !hop.is_silent())
            {
                again.push(Look { family: walk.family, to: walk.to.address, is_told: path.change.is_some(), look });
            }
        }
        (!again.is_empty()).then(|| Box::new(Self(again)) as Box<dyn Holding>)
    }
}

impl Look {
    async fn again(&mut self) -> Option<Outcome> {
        let machine = self.look.again().await.ok()?;
        let mut outcome = Outcome::new(Status::Done);
        if machine.answers_again() == 0 {
            return None;
        }
        let change = machine.change();
        // A path that changed during the check and back since comes and goes: no single change, and told already.
        let changed = f64::from(u8::from(change.is_some() || self.is_told));
        outcome.readings.push(Reading::exact("path.changed_in_visit", changed).over(self.family));
        if let Some(change) = change.filter(|_| !self.is_told) {
            let what = figures::change_words(self.to, &change);
            outcome.flaw("path-changed", what, None);
        }
        Some(outcome)
    }
}

impl Holding for SecondLook {
    fn what(&self) -> String {
        "the path's flows".to_owned()
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        std::future::ready(()).boxed()
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        async move {
            let found = futures_util::future::join_all(self.0.iter_mut().map(Look::again)).await;
            found.into_iter().flatten().reduce(|mut all, one| {
                all.readings.extend(one.readings);
                all.flaws.extend(one.flaws);
                all
            })
        }
        .boxed()
    }
}
