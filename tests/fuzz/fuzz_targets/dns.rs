//! See `doorstep_fuzz::dns`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::dns(data));
