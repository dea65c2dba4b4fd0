//! Hands what the fuzzer makes up to `oracles::admission`.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| oracles::admission::hold(input));
