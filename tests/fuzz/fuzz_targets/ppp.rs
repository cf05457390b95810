//! See `doorstep_fuzz::ppp`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| doorstep_fuzz::ppp(data));
