//! Time and data of a plan, and what to leave out when the data budget is too small.
