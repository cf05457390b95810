//! A stream's part in the check: alone with a number of packets that is fixed, or one of several that end together once enough is known.

use std::sync::Arc;

use super::stream::{StreamConfig, StreamResult};
use crate::check::settling::{Course, Watch};
use crate::metric::sampling::Sampling;
use crate::reading::{Reading, Sequential};

/// Streams whose looks decide: the main one, and the one over the other IP version. Those of classes are too thin to.
pub(super) const DECIDING: usize = 2;

/// How many packets a stream takes, and what its figures have to hold through.
#[derive(Debug, Clone)]
pub(super) struct Part {
    confidence: f64,
    together: Option<Together>,
}

#[derive(Debug, Clone)]
struct Together {
    course: Arc<Course>,
    slot: usize,
    planned: u64,
}

impl Part {
    /// With a number of packets that is fixed.
    pub(super) fn alone(confidence: f64) -> Self {
        Self { confidence, together: None }
    }

    /// As the stream of this number in the course; `config` has the planned packets, and gets the most.
    pub(super) fn of(course: Option<&Arc<Course>>, slot: usize, config: &mut StreamConfig, confidence: f64) -> Self {
        let together = course.zip(config.stream.count).map(|(course, planned)| {
            config.stream.count = Some(course.settling().stretch().most_of(planned));
            Together { course: Arc::clone(course), slot, planned }
        });
        Self { confidence, together }
    }

    /// What intervals have to hold through.
    pub(super) fn sampling(&self) -> Sampling {
        match &self.together {
            None => self.confidence.into(),
            Some(together) => Sampling::sequential(self.confidence, together.planned),
        }
    }

    /// What the stream's readings say of the number of packets, where it was not fixed.
    pub(super) fn said(&self) -> Option<Sequential> {
        self.together.as_ref().map(|together| together.course.settling().of(together.planned))
    }

    /// Looks on while the stream runs; `read` makes readings of what it has shown.
    pub(super) fn watch(
        &self,
        read: impl Fn(&StreamResult) -> Vec<Reading> + Send + Sync + 'static,
    ) -> Option<Watch<StreamResult>> {
        let Together { course, slot, planned } = self.together.clone()?;
        let taken = Arc::clone(&course);
        Some(Watch::new(&course, planned, move |result| taken.show(slot, read(&result), slot < DECIDING)))
    }
}
