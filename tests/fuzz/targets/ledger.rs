//! Hands what the fuzzer makes up to `oracles::ledger`.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| oracles::ledger::hold(input));
