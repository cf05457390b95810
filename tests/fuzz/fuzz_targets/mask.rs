//! See `doorstep_fuzz::mask`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::mask(data));
