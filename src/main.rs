//! Doormat: parse, run, exit status.

fn main() {}
