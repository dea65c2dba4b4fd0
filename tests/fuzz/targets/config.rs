//! Hands what the fuzzer makes up to `oracles::config`.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| oracles::config::hold(input));
