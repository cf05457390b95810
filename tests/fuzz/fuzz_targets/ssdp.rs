//! See `doorstep_fuzz::ssdp`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::ssdp(data));
