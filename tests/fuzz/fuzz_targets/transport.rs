//! See `doorstep_fuzz::transport`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::transport(data));
