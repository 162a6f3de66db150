//! cargo-fuzz's way to [`siskin_fuzz::rtu_guard`].

#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| siskin_fuzz::rtu_guard::attack(input));
