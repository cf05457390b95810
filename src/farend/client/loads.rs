//! Asking for what fills the line, each kind with its end. It must not know what comes of it.

use super::{ClientError, Session, answer};
use crate::farend::api::{
    CapacityGrant, CapacityReport, LoadGrant, LoadReport, LoadRequest, ObjectsGrant, ObjectsReport, TrainGrant, TrainRequest,
};
use crate::wire::train::Report;

impl Session {
    /// Asks to fill the line.
    ///
    /// # Errors
    /// [`ClientError::Busy`] when another visit does.
    pub async fn admit_load(&self, request: &LoadRequest) -> Result<LoadGrant, ClientError> {
        self.post(&format!("/{}/loads", self.id.expose()), request).await
    }

    /// Ends a load and fetches the far end's side of it.
    ///
    /// # Errors
    /// When the far end does not answer any more.
    pub async fn finish_load(&self, grant: &LoadGrant) -> Result<LoadReport, ClientError> {
        self.post(&format!("/{}/loads/{}/finish", self.id.expose(), grant.load), &()).await
    }

    /// Asks for a capacity test.
    ///
    /// # Errors
    /// [`ClientError::Busy`] when another visit fills the line; [`ClientError::Ended`] when the far end does none.
    pub async fn admit_capacity(&self, request: &LoadRequest) -> Result<CapacityGrant, ClientError> {
        self.post(&format!("/{}/capacity", self.id.expose()), request).await
    }

    /// Ends a capacity test and fetches the far end's side of it.
    ///
    /// # Errors
    /// When the far end does not answer any more.
    pub async fn finish_capacity(&self, grant: &CapacityGrant) -> Result<CapacityReport, ClientError> {
        self.post(&format!("/{}/capacity/{}/finish", self.id.expose(), grant.load), &()).await
    }

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

    /// Asks for large and small objects.
    ///
    /// # Errors
    /// [`ClientError::Busy`] when another visit fills the line.
    pub async fn admit_objects(&self, request: &LoadRequest) -> Result<ObjectsGrant, ClientError> {
        self.post(&format!("/{}/objects", self.id.expose()), request).await
    }

    /// Ends a load of objects and fetches the far end's side of it.
    ///
    /// # Errors
    /// When the far end does not answer any more.
    pub async fn finish_objects(&self, grant: &ObjectsGrant) -> Result<ObjectsReport, ClientError> {
        self.post(&format!("/{}/objects/{}/finish", self.id.expose(), grant.load.expose()), &()).await
    }
}
