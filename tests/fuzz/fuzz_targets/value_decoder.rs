//! cargo-fuzz's way to [`siskin_fuzz::value_decoder`].

#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| siskin_fuzz::value_decoder::attack(input));
