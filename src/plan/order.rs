//! Prerequisites and interference: which step may start now.
