//! The agent's requests for trains of packets. It must not know how a train is sent.

use super::{ClientError, Session, answer};
use crate::farend::api::{TrainGrant, TrainRequest};
use crate::wire::train::Report;

impl Session {
    /// Asks for a train of packets.
    ///
    /// # Errors
    /// [`ClientError::Busy`] when another visit fills the line; [`ClientError::Broken`] when the far end knows no trains.
    pub async fn admit_train(&self, request: &TrainRequest) -> Result<TrainGrant, ClientError> {
        self.post(&format!("/{}/trains", self.id.expose()), request).await
    }

    /// Ends a train and fetches the far end's side of it.
    ///
    /// # Errors
    /// When the far end does not answer any more.
    pub async fn finish_train(&self, grant: &TrainGrant) -> Result<Report, ClientError> {
        let path = format!("{}/{}/trains/{}/finish", self.base, self.id.expose(), grant.load);
        let octets = answer(self.http.post(path).json(&()), &self.token).await?;
        Report::parse(&octets).ok_or_else(|| ClientError::Broken("the report of a train is cut".to_owned()))
    }
}
