//! See `doorstep_fuzz::oui`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::oui(data));
