//! See `doorstep_fuzz::icmp`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::icmp(data));
