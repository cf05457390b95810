//! See `doorstep_fuzz::line_facts`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::line_facts(data));
