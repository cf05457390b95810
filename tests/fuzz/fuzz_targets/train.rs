//! See `doorstep_fuzz::train`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::train(data));
