//! See `doorstep_fuzz::capacity`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::capacity(data));
