//! See `doorstep_fuzz::rtp`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::rtp(data));
