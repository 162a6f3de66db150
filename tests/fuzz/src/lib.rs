//! Attacks on what takes bytes from the wire, each held against a reference written apart.
//!
//! An input is not sent as it is: a check sum is hardly ever right by chance, so it is read as a
//! recipe for a stream of right, damaged, foreign and senseless frames ([`recipe`]). An attack
//! panics when siskin does, when siskin takes what the [`reference`] does not, and when it misses an
//! answer that stands there plainly.

pub mod recipe;
pub mod reference;
pub mod rtu_guard;
pub mod tcp_header;
pub mod value_decoder;

/// All attacks, by name.
pub const ATTACKS: [(&str, fn(&[u8])); 3] = [
    ("rtu_guard", rtu_guard::attack),
    ("tcp_header", tcp_header::attack),
    ("value_decoder", value_decoder::attack),
];
