//! See `doorstep_fuzz::invitation`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::invitation(data));
