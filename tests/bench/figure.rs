//! How long something takes, printed.

use std::time::{Duration, Instant};

/// Prints how long `ask` takes, the median of nine, and what it last answered. Files that it reads are in
/// the page cache after the first time.
pub fn say(what: &str, mut ask: impl FnMut() -> usize) {
    let mut answer = 0;
    let mut times: Vec<Duration> = (0..9)
        .map(|_| {
            let began = Instant::now();
            answer = ask();
            began.elapsed()
        })
        .collect();
    times.sort();
    println!("{what}: {:.2} ms ({answer})", times[4].as_secs_f64() * 1e3);
}
