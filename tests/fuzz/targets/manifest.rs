//! Hands what the fuzzer makes up to `oracles::manifest`.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| oracles::manifest::hold(input));
