//! See `doorstep_fuzz::igd`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::igd(data));
