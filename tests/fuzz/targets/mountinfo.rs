//! Hands what the fuzzer makes up to `oracles::mountinfo`.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| oracles::mountinfo::hold(input));
