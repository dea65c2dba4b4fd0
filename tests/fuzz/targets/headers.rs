//! Hands what the fuzzer makes up to `oracles::headers`.
//!
//! The fuzzer ends at any panic, also at one that is caught, as the program catches those of the parser. Here only
//! a panic that comes through ends it; the others are passed over in silence.
#![no_main]

use std::sync::Once;

static HOOK: Once = Once::new();

libfuzzer_sys::fuzz_target!(|input: &[u8]| {
    HOOK.call_once(|| {
        std::panic::set_hook(Box::new(|panic| {
            let parser = |file: &str| file.contains("mail-parser");
            if !panic.location().is_some_and(|location| parser(location.file())) {
                eprintln!("{panic}");
            }
        }));
    });
    oracles::headers::hold(input);
});
