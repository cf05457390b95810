//! See `doorstep_fuzz::call`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::call(data));
