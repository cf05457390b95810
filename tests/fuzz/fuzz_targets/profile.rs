//! See `doorstep_fuzz::profile`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::profile(data));
