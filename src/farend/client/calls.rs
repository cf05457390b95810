//! The agent's requests for test calls. It must not know how they are opened, or what is made of them.

use super::{ClientError, Session, answer};
use crate::farend::api::{CallsGrant, CallsRequest};
use crate::wire::call::{Leg, parse};

impl Session {
    /// Asks for test calls.
    ///
    /// # Errors
    /// [`ClientError::Busy`] when as many as it takes are under way.
    pub async fn admit_calls(&self, request: &CallsRequest) -> Result<CallsGrant, ClientError> {
        self.post(&format!("/{}/calls", self.id.expose()), request).await
    }

    /// Waits for their end and fetches the far end's side of each.
    ///
    /// # Errors
    /// When the far end does not answer any more.
    pub async fn finish_calls(&self, grant: &CallsGrant) -> Result<Vec<Leg>, ClientError> {
        let path = format!("{}/{}/calls/{}/finish", self.base, self.id.expose(), grant.calls);
        let octets = answer(self.http.post(path).json(&()), &self.token).await?;
        parse(&octets).ok_or_else(|| ClientError::Broken("the report of the calls is cut".to_owned()))
    }
}
