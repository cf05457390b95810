//! See `doorstep_fuzz::vlan`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::vlan(data));
