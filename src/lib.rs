//! doorstep proves at the customer's handoff that the IP service sold is the IP service delivered, and says on which
//! side of the demarcation a fault lies when it is not.
//!
//! Data flows one way:
//!
//! ```text
//! profile + options -> plan -> checks -> readings -> judge -> isolate -> record -> report
//! ```
//!
//! The rooms, in the order of the flow: [`mod@unit`] and [`reading`] are the vocabulary; [`wire`] turns bytes into values;
//! [`proto`] holds machines without I/O; [`metric`] is mathematics; [`net`] owns sockets and all `unsafe`; [`farend`] is
//! the counterpart and its client; [`typed`] reads what people type, [`mod@line`] is what is known of the line before anything is
//! measured; [`profile`] and [`plan`] say what to do; [`check`] does it; [`judge`] and [`isolate`]
//! conclude; [`record`] keeps; [`history`] keeps repeats and says what they show; [`report`] shows; [`practice`] is the line that demo and tests share. `docs/architecture.md`
//! says who may know whom; `tests/architecture.rs` enforces it.

pub mod check;
pub mod cli;
pub mod compare;
pub mod continued;
pub mod farend;
pub mod history;
pub mod isolate;
pub mod judge;
pub mod line;
pub mod metric;
pub mod net;
pub mod plan;
pub mod practice;
pub mod profile;
pub mod proto;
pub mod reading;
pub mod record;
pub mod report;
pub mod typed;
pub mod unit;
pub mod visit;
pub mod watch;
pub mod wire;
