//! Pure mathematics on samples; each function cites its standard. Knows no packets, sockets or clocks.
//!
//! The hard thing is not the formulas but their edges: what a percentile is when packets are lost, what an interval is
//! when nothing was lost, and counts so large that a careless series never ends. Each edge has its test.

pub mod burst;
pub mod capacity;
pub mod clock;
pub mod delay_variation;
pub mod dependence;
pub mod difference;
pub mod duplicate;
mod incomplete_beta;
pub mod jitter;
pub mod loss_interval;
pub mod mean;
pub mod media_delivery;
pub mod next_hops;
pub mod quantile;
pub mod rank;
pub mod rate;
pub mod reorder;
pub mod responsiveness;
pub mod rtp_loss;
pub mod sampling;
pub mod sequential;
pub mod shaping;
pub mod stream;
pub mod tcp;
pub mod two_shares;
pub mod voice;
