//! See `doorstep_fuzz::stun`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::stun(data));
