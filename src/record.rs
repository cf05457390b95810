//! The record of one visit: the only thing on disk; any saved record can be judged and rendered again.
