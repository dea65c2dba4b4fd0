//! Hands what the fuzzer makes up to `oracles::drive_json`.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| oracles::drive_json::hold(input));
