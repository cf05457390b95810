//! What the repeats of a line show, said once: [`words`] and [`statement`] in sentences for terminal and page, [`mod@page`] in the order of the reader's questions, [`picture`] as
//! pictures.
//!
//! It sees summaries of a history, neither the store nor single visits. The hard thing is to choose: of some forty figures a reader looks at few.

mod chosen;
pub mod page;
pub mod picture;
pub mod statement;
pub mod words;

pub use chosen::{fields, tracks};
pub use page::page;

#[cfg(test)]
mod tests;
