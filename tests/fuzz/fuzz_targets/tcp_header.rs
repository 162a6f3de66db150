//! cargo-fuzz's way to [`siskin_fuzz::tcp_header`].

#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| siskin_fuzz::tcp_header::attack(input));
