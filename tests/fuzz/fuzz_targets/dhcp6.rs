//! See `doorstep_fuzz::dhcp6`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::dhcp6(data));
