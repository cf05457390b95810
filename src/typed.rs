//! Files that people type, in TOML: read key by key, everything that is wrong told at once, with its place.
//!
//! [`problem`] is one complaint with the line, the mark below it and the word that may have been meant; `table` opens
//! tables that hold known keys only, and `shape` writes down what was asked of them as a JSON Schema. The room must not know what is read: profiles and line facts are two such files.

pub mod problem;
pub(crate) mod shape;
pub(crate) mod table;

pub use problem::Problem;
