//! See `doorstep_fuzz::ra`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::ra(data));
