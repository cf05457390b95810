//! The agent's requests for probes of the way back. It must not know how they are opened or answered.

use super::{ClientError, Session};
use crate::farend::api::{WayBackGrant, WayBackReport};

impl Session {
    /// Asks for probes of the way back.
    ///
    /// # Errors
    /// [`ClientError::Busy`] when they are under way already, or were too often of late.
    pub async fn admit_way_back(&self) -> Result<WayBackGrant, ClientError> {
        self.post(&format!("/{}/way-back", self.id.expose()), &()).await
    }

    /// Waits for their end and fetches what they found.
    ///
    /// # Errors
    /// When the far end does not answer any more.
    pub async fn finish_way_back(&self) -> Result<WayBackReport, ClientError> {
        self.post(&format!("/{}/way-back/finish", self.id.expose()), &()).await
    }
}
