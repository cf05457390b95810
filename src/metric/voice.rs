//! What a call over measured packets would be like: the listener's buffer, and the E-model's rating of what is left.
//!
//! Delay, loss and its bursts go in, a rating of 0 to 100 comes out (ITU-T G.107). It knows no packets: transit times come as numbers,
//! those of lost ones as nothing. The Recommendations could not be read; formulas and tables stand here from memory, and were checked
//! against the published default result, R = 93.2.

pub mod impairment;
pub mod playout;
pub mod rating;
