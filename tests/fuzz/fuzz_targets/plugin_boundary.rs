#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| grainway_fuzz::plugin_boundary(bytes));
