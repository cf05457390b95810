//! One file per command: from its flags to its result on standard output.

mod check_record;
pub(super) mod compare;
mod continued;
pub(super) mod demo;
mod guide;
pub(super) mod handbook;
pub(super) mod history;
pub(super) mod keys;
pub(super) mod profile;
pub(super) mod report;
mod scrape;
pub(super) mod serve;
pub(super) mod verify;
pub(super) mod watch;
