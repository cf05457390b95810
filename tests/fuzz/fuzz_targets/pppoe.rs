//! See `doorstep_fuzz::pppoe`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::pppoe(data));
