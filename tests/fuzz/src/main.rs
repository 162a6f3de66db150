//! Drives the attacks with chance from a seed, without cargo-fuzz: every run is the same.
//!
//! `cargo run --release -- [executions [seed [attack]]]`; ten million of each attack unless told
//! otherwise.
//! Half of the inputs are new, half are the one before with a change or two.

use std::panic::catch_unwind;
use std::time::Instant;

use siskin_fuzz::ATTACKS;

const INPUT_BYTES_MAX: u64 = 160;

fn main() {
    let number = |at| std::env::args().nth(at).and_then(|argument| argument.parse().ok());
    let (executions, seed) = (number(1).unwrap_or(10_000_000_u64), number(2).unwrap_or(0x5EED_u64));
    let only = std::env::args().nth(3);
    let run = |(name, attack): &(&'static str, fn(&[u8]))| {
        let began = Instant::now();
        drive(name, *attack, executions, seed);
        println!(
            "{name}: {executions} executions, no panic, nothing taken that is wrong; {:.0?}",
            began.elapsed()
        );
    };
    // What fails panics, and a scope passes that on.
    std::thread::scope(|scope| {
        let wanted = ATTACKS.iter().filter(|(name, _)| only.as_deref().is_none_or(|only| only == *name));
        wanted.for_each(|attack| drop(scope.spawn(move || run(attack))));
    });
}

fn drive(name: &str, attack: fn(&[u8]), executions: u64, seed: u64) {
    let mut dice = Dice(seed | 1);
    let mut input = Vec::new();
    for execution in 0..executions {
        if dice.below(2) == 0 {
            input.clear();
            input.extend((0..dice.below(INPUT_BYTES_MAX)).map(|_| dice.byte()));
        } else {
            (0..=dice.below(3)).for_each(|_| change(&mut input, &mut dice));
        }
        if let Err(failure) = catch_unwind(|| attack(&input)) {
            eprintln!("{name}, execution {execution}: {input:02x?}");
            std::panic::resume_unwind(failure);
        }
    }
}

fn change(input: &mut Vec<u8>, dice: &mut Dice) {
    let length = u64::try_from(input.len()).unwrap();
    let at = usize::try_from(dice.below(length.max(1))).unwrap();
    match dice.below(4) {
        0 if length < INPUT_BYTES_MAX => input.insert(at, dice.byte()),
        1 if length > 0 => drop(input.remove(at)),
        2 if length > 0 => input[at] ^= 1 << dice.below(8),
        _ if length > 0 => input[at] = dice.byte(),
        _ => {}
    }
}

/// Chance that repeats itself: a xorshift generator.
struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        // The high bits: the low ones of a xorshift follow one another.
        (self.0 >> 16) % limit
    }

    fn byte(&mut self) -> u8 {
        self.below(256).to_le_bytes()[0]
    }
}
