#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| benchward_fuzz::window(bytes));
