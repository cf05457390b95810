//! See `doorstep_fuzz::syn`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::syn(data));
