//! One file per command: from its flags to its result on standard output.

mod check_record;
pub(super) mod compare;
mod continued;
pub(super) mod demo;
mod guide;
pub(super) mod handbook;
pub(super) mod history;
pub(super) mod keys;
mod pages;
pub(super) mod profile;
mod push;
pub(super) mod report;
mod scrape;
pub(super) mod serve;
pub(super) mod verify;
pub(super) mod watch;
