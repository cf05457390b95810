//! See `doorstep_fuzz::membership`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::membership(data));
