//! See `doorstep_fuzz::record`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::record(data));
