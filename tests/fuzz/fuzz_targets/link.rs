//! See `doorstep_fuzz::link`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::link(data));
