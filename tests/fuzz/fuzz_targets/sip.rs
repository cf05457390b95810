//! See `doorstep_fuzz::sip`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::sip(data));
