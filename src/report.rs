//! Reports: [`model`] decides once what is said and in which order, the renderers obey. All from the record.
//!
//! The room renders to text and writes nowhere. It must not know checks, profiles or who asked. The hard thing is to say
//! the verdict, the cause and the next step so that they are read in ten seconds, and to leave nothing out behind them.

mod figures;
pub mod json;
pub mod model;
pub mod terminal;

#[cfg(test)]
mod tests;
