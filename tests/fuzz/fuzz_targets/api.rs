//! See `doorstep_fuzz::api`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::api(data));
