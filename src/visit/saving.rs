//! The record on disk, from the first check on: signed each time, merged with the visit that it goes on with, smaller where there is no room.
//!
//! It must not know how checks run.

use std::path::PathBuf;

use jiff::Timestamp;

use super::{Running, VisitEvent};
use crate::continued;
use crate::record::Record;
use crate::record::store::StoreError;

impl Running {
    /// This visit and the one that it goes on with in one record, where there is such.
    pub(super) fn whole(&self) -> Option<Record> {
        let earlier = self.options.continues.as_deref()?;
        Some(continued::merged(earlier, &self.record, self.options.profile.as_ref()))
    }

    /// Signs and saves, on a full disk without the raw series; what stands in the way is told once, until it changes.
    pub(super) fn save(&mut self) -> Option<PathBuf> {
        let mut whole = self.whole();
        let record = whole.as_mut().unwrap_or(&mut self.record);
        self.options.signer.sign(record, Timestamp::now());
        let failed = match self.options.keep.save(record) {
            Ok(path) => {
                self.save_error = None;
                return Some(path);
            }
            Err(error) => error,
        };
        let small = if failed.is_full() { self.save_without_series().ok() } else { None };
        let error = failed.to_string();
        if self.save_error.as_ref() != Some(&error) {
            let error = error.clone();
            self.tell(if small.is_some() { VisitEvent::SavedWithoutSeries { error } } else { VisitEvent::SaveFailed { error } });
        }
        self.save_error = Some(error);
        small
    }

    /// Saves what the record is for, where there is no room for all that it was concluded from.
    fn save_without_series(&self) -> Result<PathBuf, StoreError> {
        let mut record = self.whole().unwrap_or_else(|| self.record.clone());
        record.give_up_series();
        self.options.signer.sign(&mut record, Timestamp::now());
        self.options.keep.save(&record)
    }
}
