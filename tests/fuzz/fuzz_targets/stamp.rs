//! See `doorstep_fuzz::stamp`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::stamp(data));
