//! See `doorstep_fuzz::web`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::web(data));
